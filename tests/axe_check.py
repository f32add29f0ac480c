"""axe-core over a page: what would keep somebody with a screen reader, a keyboard or weak eyes from using it.

axe-core (Deque Systems, MPL 2.0) is used by tests only and comes from npm: `.ci/run` installs it and names its file in
DOE_AXE. Without it the checks skip and say so; in CI they fail.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Page


@cache
def _source() -> str | None:
    path = os.environ.get("DOE_AXE", "")
    return Path(path).read_text(encoding="utf-8") if path and Path(path).is_file() else None


def need_axe() -> None:
    """Skip the test when axe-core is not there; fail it in CI."""
    if _source() is None:
        reason = "no axe-core: npm install axe-core, then DOE_AXE=node_modules/axe-core/axe.min.js"
        if os.environ.get("CI") == "true":
            pytest.fail(f"{reason}; it is needed in CI")
        pytest.skip(reason)


def violations(page: Page) -> list[str]:
    """Whatever axe-core finds wrong, each with its place."""
    return [said for _, said in _found(page)]


def serious(page: Page) -> list[str]:
    """Violations that axe-core calls serious or critical, each with its place."""
    return [said for impact, said in _found(page) if impact in ("serious", "critical")]


def _found(page: Page) -> list[tuple[str, str]]:
    page.evaluate(f"{_source()};true")  # evaluated, not added as an element: a page's own policy may refuse that
    found: list[dict[str, Any]] = page.evaluate(
        "axe.run(document, {resultTypes: ['violations']}).then(r => r.violations)"
    )
    return [
        (v["impact"], f"{v['id']}: {v['help']} at {node['target']} {node['html'][:120]}")
        for v in found
        for node in v["nodes"]
    ]
