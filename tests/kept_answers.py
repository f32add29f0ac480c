"""What acts, reports and exercises ask of a fit, a plan or an invented line is worked out once in a run of the tests,
as draws are (`tests/kept_draws.py`).

These are functions of what they are given and of nothing else: hundreds of commands and pages ask them the very same.
Each question is worked out by the first command that asks it, whatever it is asked by; a story works it out again,
since it shows that its figures can be made again. Tests of numbers call the functions themselves and never get these.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable
from contextlib import suppress
from functools import cache, wraps
from hashlib import sha256
from importlib import import_module
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

import doe
import reports
from doe.acts.cache import CACHE_DIR

ASKED = {
    "doe.acts.study.fits": ("recommend", "explain_answer"),
    "doe.acts.recipe.release": ("other_settings",),
    "doe.acts.study.plans": ("compare_plans", "judge_plan"),
    "reports.study.proof": ("explain_answer",),
    "reports.study.pictures": ("profile", "robust_map"),
    "reports.study.effects": ("_penalised",),
    "doe.surfaces.fitted": ("run_checks",),
    "doe.practice.drill_line": ("workshop_line",),
    "doe.practice.drill_blank": ("workshop_line",),
    "doe.practice.drill_compare": ("tool_on",),
    "doe.practice.drill_report": ("tool_on",),
    "doe.practice.drill_tune": ("tool_on",),
}
STORIES = {"doe.acts.recipe.story": ("other_settings", "compare_plans", "judge_plan")}
"""Where acts ask, and which functions: those of a story keep to themselves."""

_usual: dict[tuple[str, str], Any] = {}


@cache
def _sources() -> str:
    """The program as it is on the disk, as a sum."""
    files = sorted(file for package in (doe, reports) for file in Path(package.__path__[0]).rglob("*.py"))
    found = [(str(file), stat.st_size, stat.st_mtime_ns) for file in files for stat in (file.stat(),)]
    return sha256(repr(found).encode()).hexdigest()


def once(work: Callable[..., Any], folder: Path) -> Callable[..., Any]:
    """A function that reads from the cache of the run what it was asked before, and keeps what it makes."""

    @wraps(work)
    def asked(*given: Any, progress: Callable[[float], None] | None = None, **more: Any) -> Any:
        tell = {} if progress is None else {"progress": progress}
        try:
            question = pickle.dumps((_sources(), work.__qualname__, given, sorted(more.items())), protocol=5)
        except (pickle.PicklingError, TypeError, AttributeError):
            return work(*given, **more, **tell)
        place = folder / f"{sha256(question).hexdigest()[:40]}.pickle"
        with suppress(OSError):
            found = pickle.loads(place.read_bytes())
            if progress is not None:
                progress(1.0)
            return found
        made = work(*given, **more, **tell)
        with suppress(pickle.PicklingError, TypeError, AttributeError):
            content = pickle.dumps(made, protocol=5)
            place.parent.mkdir(parents=True, exist_ok=True)
            beside = place.with_name(f"{uuid4().hex}.part")
            beside.write_bytes(content)
            beside.replace(place)
        return made

    return asked


@pytest.hookimpl(trylast=True)
def pytest_configure() -> None:
    """Commands and pages of this process ask there; the folder is that of the draws."""
    for kept, places in (("answers", ASKED), ("figures of stories", STORIES)):
        for name, functions in places.items():
            module = import_module(name)
            for function in functions:
                _usual[name, function] = getattr(module, function)
                setattr(module, function, once(_usual[name, function], Path(os.environ[CACHE_DIR], kept)))


def pytest_unconfigure() -> None:
    """Leave all as it was."""
    for (name, function), usual in _usual.items():
        setattr(import_module(name), function, usual)
    _usual.clear()


@pytest.fixture
def exercises_made_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Exercises draw their lines, and fit their coupons, as if nobody had before."""
    for (name, function), usual in _usual.items():
        if name.startswith("doe.practice."):
            monkeypatch.setattr(f"{name}.{function}", usual)


@pytest.fixture
def stories_made_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each story of a test makes its draws and its figures, as each one of a person does."""
    import doe.acts.recipe.story
    from doe.surfaces.contract import sampled

    monkeypatch.setattr(doe.acts.recipe.story, "sampled", sampled)
    for (name, function), usual in _usual.items():
        if name in STORIES:
            monkeypatch.setattr(f"{name}.{function}", usual)
