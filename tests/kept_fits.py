"""Fits are kept for the length of a run of the tests: hundreds of commands fit the very same coupons.

A fit is the same for the same study, results and seed on every machine (tests/surfaces holds it to that, with the
function itself, which is left as it is there); what commands and pages call is looked up before it is computed. All
processes of a run share one folder, which goes when the run ends.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import joblib
import pytest

import doe.acts.diagnosis
import doe.acts.study.fits
from doe.surfaces.fitted import Surfaces, fit

PLACE = pytest.StashKey[Path]()


def pytest_configure(config: pytest.Config) -> None:
    """Put the looked-up fit in the place of the computed one, in commands and pages."""
    shared = getattr(config, "workerinput", {}).get("kept_fits")
    place = Path(shared or tempfile.mkdtemp(prefix="doe-fits-"))
    if shared is None:
        config.stash[PLACE] = place
    look_up = joblib.Memory(place, verbose=0).cache(fit, ignore=["progress"])

    def kept(*given: Any, progress: Callable[[float], None] | None = None, **more: Any) -> Surfaces:
        found: Surfaces = look_up(*given, progress=progress, **more)
        if progress is not None:
            progress(1.0)
        return found

    doe.acts.study.fits.fit = doe.acts.diagnosis.fit = kept  # type: ignore[assignment]


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tell a worker where the fits are."""
    node.workerinput["kept_fits"] = str(node.config.stash[PLACE])


def pytest_unconfigure(config: pytest.Config) -> None:
    """Take the folder away."""
    if (place := config.stash.get(PLACE, None)) is not None:
        shutil.rmtree(place, ignore_errors=True)
