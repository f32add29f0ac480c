from __future__ import annotations

import pytest

import doe

TEMPS_AND_TIMES = (
    doe.Factor("cure_temp", "degC", low=110, high=140, setting_sd=4, hard_to_change=True),
    doe.Factor("cure_time", "s", low=90, high=210, setting_sd=5, scale="log"),
    doe.Factor("press_temp", "degC", low=140, high=170, setting_sd=5, hard_to_change=True),
    doe.Factor("dwell", "s", low=8, high=20, setting_sd=1, scale="log"),
)


@pytest.fixture(scope="session")
def study() -> doe.Study:
    return doe.Study("usual four", TEMPS_AND_TIMES)


@pytest.fixture(scope="session")
def without_hand() -> doe.Study:
    return doe.Study("usual four, hand left aside", TEMPS_AND_TIMES, doe.Spec(hand_min=None))
