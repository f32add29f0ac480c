"""One headless Chromium for the tests of pages; without one they skip and say so, in CI they fail."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser


NAMES = ("chromium-headless-shell", "chromium", "google-chrome")
"""The first found is taken; the first one draws no window of its own, and takes half of the processor's time."""
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--font-render-hinting=slight")
"""With that hinting the one without a window draws the very letters of the others."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        reason = "no Chromium on this machine"
        if os.environ.get("CI") == "true":
            pytest.fail(f"{reason}, and it is needed in CI")
        pytest.skip(reason)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield started
        started.close()
