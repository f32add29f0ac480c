"""Shared examples: a four-factor study and coupons from a known closing window."""

from __future__ import annotations

import gc

import pandas as pd
import pytest

from doe.domain.factors import usual_factor
from doe.domain.spec import Spec
from doe.domain.study import Study
from tests.shared import known_coupons

pytest_plugins = [
    *("tests.postgres", "tests.shop", "tests.browser", "tests.demo"),
    *("tests.made_once", "tests.kept_draws", "tests.kept_answers"),
]


@pytest.fixture(scope="session")
def study() -> Study:
    """The usual four factors with the usual ranges."""
    return Study(
        "known window",
        tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell")),
        Spec(pass_rate=0.9, hand_min=3.5, assurance=0.9),
    )


@pytest.fixture(scope="session")
def coupons(study: Study) -> pd.DataFrame:
    """Twenty-eight scored coupons of a known window."""
    return known_coupons(study, 28, seed=3)


_LONG = (
    *("tests/bench/test_load.py", "tests/cli/test_faults.py", "tests/bench/test_browser.py"),
    *("tests/cli/test_screens.py", "tests/acts/study/test_standing.py", "tests/setpoint/test_odd_results.py"),
    *("tests/symptoms/test_monotone.py", "tests/acts/study/test_worth.py", "tests/surfaces/test_calibration.py"),
    *("tests/words/", "tests/cli/", "tests/office/", "tests/bench/", "tests/practice/", "tests/reports/"),
)
"""Files and folders that take longest come first, so that no process is left with a long one at the end.

A process is given its next file when two tests are left of the last one: behind few long tests it would wait.
"""


def pytest_configure(config: pytest.Config) -> None:
    """Several processes take files as they are ordered here, not those of the most tests first."""
    config.option.loadscopereorder = False


def pytest_collection_finish() -> None:
    """Thousands of tests and whole libraries are not searched for garbage again and again."""
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest first."""
    items.sort(key=lambda item: next((i for i, place in enumerate(_LONG) if item.nodeid.startswith(place)), len(_LONG)))
