"""Draws of fits kept in the cache folder, so that a command that follows another does not fit the same coupons anew.

A name is the sum of everything the draws depend on: the model with its coupons, seed, number of draws, and the program
and libraries that made them. A file that is damaged, or cannot be read or written, is done without.
"""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from hashlib import sha256
from pathlib import Path
from uuid import uuid4
from zipfile import BadZipFile

import numpy as np
import scipy

import doe.surfaces
from doe.acts.base import Progress, version
from doe.acts.cache import cache_folder
from doe.surfaces.contract import SurfaceModel, sampled
from doe.surfaces.sampler import Cloud

MOST_FITS = 200
"""So many are kept, some 200 kB each; the oldest go first."""

_FIGURES = ("log_evidence", "steps", "accepted")


def kept_draws(
    model: SurfaceModel, seed: int | Sequence[int], particles: int, progress: Progress | None = None
) -> Cloud:
    """Draws of a model as `sampled` makes them, to the digit; taken from the cache if they are there."""
    place = _place(model, seed, particles)
    found = None if place is None else _read(place, particles, model.parameters)
    if found is not None:
        if progress is not None:
            progress(1.0)
        return found
    cloud = sampled(model, seed, particles, progress)
    if place is not None:
        _write(place, cloud)
    return cloud


def draws_folder() -> Path:
    """Where draws are kept."""
    return cache_folder() / "draws"


def _place(model: SurfaceModel, seed: int | Sequence[int], particles: int) -> Path | None:
    """The file for these draws; None for a model that cannot be told from another."""
    try:
        asked = pickle.dumps((_made_by(), model, seed, particles), protocol=5)
    except (pickle.PicklingError, TypeError, AttributeError):
        return None
    return draws_folder() / f"{sha256(asked).hexdigest()[:40]}.npz"


@cache
def _made_by() -> tuple[object, ...]:
    """The program and libraries, with the sources of the surfaces as they are on the disk."""
    (folder,) = doe.surfaces.__path__
    files = sorted(Path(folder).glob("*.py"))
    sources = [(file.name, stat.st_size, stat.st_mtime_ns) for file in files for stat in (file.stat(),)]
    return version(), np.__version__, scipy.__version__, sources


def _read(place: Path, particles: int, parameters: int) -> Cloud | None:
    try:
        with place.open("rb") as opened, np.load(opened, allow_pickle=False) as file:
            draws, fitted = file["draws"], file["log_likelihood"]
            evidence, steps, accepted = (float(x) for x in file["figures"])
    except (OSError, ValueError, KeyError, EOFError, BadZipFile):
        return None
    if draws.shape != (particles, parameters) or fitted.shape != (particles,):
        return None
    if not (np.isfinite(draws).all() and np.isfinite(fitted).all() and np.isfinite(evidence)):
        return None
    return Cloud(draws, fitted, evidence, int(steps), accepted)


def _write(place: Path, cloud: Cloud) -> None:
    beside = place.with_name(f"{uuid4().hex}.part")
    with suppress(OSError):
        place.parent.mkdir(parents=True, exist_ok=True)
        try:
            with beside.open("wb") as file:
                figures = np.array([getattr(cloud, name) for name in _FIGURES], dtype=float)
                np.savez(file, draws=cloud.draws, log_likelihood=cloud.log_likelihood, figures=figures)
            beside.replace(place)
        finally:
            beside.unlink(missing_ok=True)
        kept = sorted(place.parent.iterdir(), key=lambda file: file.stat().st_mtime)
        for old in kept[:-MOST_FITS]:
            old.unlink(missing_ok=True)
