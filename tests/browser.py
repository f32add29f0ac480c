"""One headless Chromium for the tests of pages; without one they skip and say so, in CI they fail."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = shutil.which("chromium") or shutil.which("google-chrome")
    if path is None:
        reason = "no Chromium on this machine"
        if os.environ.get("CI") == "true":
            pytest.fail(f"{reason}, and it is needed in CI")
        pytest.skip(reason)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield started
        started.close()
