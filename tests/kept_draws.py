"""Draws of fits are taken once in a run of the tests: hundreds of commands fit the very same coupons.

All processes of a run share one cache, which goes when the run ends; where DOE_CACHE names one, it is that and stays.
A story shows that its figures can be made again, so that it never takes what an answer has kept. The first story of
a recipe makes its draws anew here too; those after it take what that one made, but where a test is about making them.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pytest

import doe.acts.recipe.story
from doe.acts.base import Progress
from doe.acts.cache import CACHE_DIR
from doe.acts.study import kept_draws
from doe.surfaces.contract import SurfaceModel, sampled
from doe.surfaces.sampler import Cloud
from tests.forked import ALL_FITS

PLACE = pytest.StashKey[str]()


def pytest_configure(config: pytest.Config) -> None:
    """Processes that are started find the folder in their environment; commands run in this one are told."""
    if CACHE_DIR not in os.environ:
        os.environ[CACHE_DIR] = config.stash[PLACE] = tempfile.mkdtemp(prefix="doe-cache-")
    place = Path(os.environ[CACHE_DIR], "draws")
    kept_draws.draws_folder = lambda: place
    kept_draws.MOST_FITS = ALL_FITS
    doe.acts.recipe.story.sampled = _made_by_a_story


def _made_by_a_story(
    model: SurfaceModel, seed: int | Sequence[int], particles: int, progress: Progress | None = None
) -> Cloud:
    """Draws that a story has made before, never those of an answer; else made now."""
    answers = kept_draws._place(model, seed, particles)
    if answers is None:
        return sampled(model, seed, particles, progress)
    place = answers.parents[1] / "stories" / answers.name
    found = kept_draws._read(place, particles, model.parameters)
    if found is None:
        found = sampled(model, seed, particles, progress)
        kept_draws._write(place, found)
    return found


def pytest_unconfigure(config: pytest.Config) -> None:
    """Take the folder away."""
    if place := config.stash.get(PLACE, ""):
        del os.environ[CACHE_DIR]
        shutil.rmtree(place, ignore_errors=True)
