"""The demo, made once in a run of the tests: processes share what the first one made, each test has copies of it."""

from __future__ import annotations

import fcntl
import os
import pickle
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from doe.acts.demo.run import BOOK, DemoDone, run_demo
from doe.domain.units import METRIC


def _made(place: Path) -> DemoDone:
    """The demo of this run, by whoever comes first; others wait for it."""
    place.mkdir(exist_ok=True)
    whole = place / "done"
    with (place / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not whole.exists():
            done = run_demo(place / "doe-demo", shown=METRIC)
            whole.write_bytes(pickle.dumps(done))
            return done
    return pickle.loads(whole.read_bytes())


@pytest.fixture(scope="session")
def demo_of_the_run(tmp_path_factory: pytest.TempPathFactory) -> DemoDone:
    """What the demo leaves, to be copied: nothing is stored in it."""
    folder = tmp_path_factory.getbasetemp()
    shared = folder.parent if "PYTEST_XDIST_WORKER" in os.environ else folder
    return _made(shared / "demo-of-the-run")


@pytest.fixture(scope="session")
def made_demo(demo_of_the_run: DemoDone) -> Path:
    """The book of the demo, to be copied: nothing is stored in it."""
    return demo_of_the_run.path(BOOK)


def copied(done: DemoDone, folder: Path) -> DemoDone:
    """The demo with all its files in another folder."""
    shutil.copytree(done.folder, folder)
    return replace(done, folder=folder)
