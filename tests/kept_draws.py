"""Draws of fits are taken once in a run of the tests: hundreds of commands fit the very same coupons.

All processes of a run share one cache, which goes when the run ends; where DOE_CACHE names one, it is that and stays.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import pytest

import doe.acts.study.kept_draws
from doe.acts.cache import CACHE_DIR

PLACE = pytest.StashKey[str]()


def pytest_configure(config: pytest.Config) -> None:
    """Processes that are started find the folder in their environment; commands run in this one are told."""
    if CACHE_DIR not in os.environ:
        os.environ[CACHE_DIR] = config.stash[PLACE] = tempfile.mkdtemp(prefix="doe-cache-")
    place = Path(os.environ[CACHE_DIR], "draws")
    doe.acts.study.kept_draws.draws_folder = lambda: place


def pytest_unconfigure(config: pytest.Config) -> None:
    """Take the folder away."""
    if place := config.stash.get(PLACE, ""):
        del os.environ[CACHE_DIR]
        shutil.rmtree(place, ignore_errors=True)
