"""The page at the press, checked with axe-core: no violation, on a phone and on a tablet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.axe_check import need_axe, violations
from tests.bench.process import running

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser

PAGES = (
    "/",
    "/s/1",
    "/c/1/R1-01",
    "/wash/1",
    "/list/1",
    "/hint/1",
    "/more",
    "/undo/1/R1-01",
    "/wrong/1/R1-01",
    "/nowhere",
)


def test_no_violation_on_any_page(browser: Browser, book_with: Callable[[int | None], Path]):
    need_axe()
    found = []
    with running(book_with(6)) as shop:
        for width, height in ((390, 844), (1024, 768)):
            context = browser.new_context(viewport={"width": width, "height": height})
            page = context.new_page()
            page.goto(shop.address)
            found += [f"name, {width}: {each}" for each in violations(page)]
            page.fill("input[name=typed]", "Ana")
            page.get_by_role("button", name="Use this name").click()
            page.wait_for_url(f"{shop.address}/")
            for path in PAGES:
                page.goto(f"{shop.address}{path}")
                found += [f"{path}, {width}: {each}" for each in violations(page)]
            context.close()
    assert found == []
