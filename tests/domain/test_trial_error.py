"""A trial's own setting error: optional, and not written down while nobody states it."""

from __future__ import annotations

import pandas as pd
import pytest

from doe.acts.study.inputs import inputs_hash
from doe.domain.errors import InputError
from doe.domain.factors import Factor, usual_factor
from doe.domain.serial import study_from, to_plain
from doe.domain.study import Study

SUM_BEFORE = "7a94885f5df09c38"
"""Of the same study and results, printed by the version before trial errors could be stated."""


def study_with(**changes: float) -> Study:
    return Study("s", (usual_factor("press_temp", **changes), usual_factor("dwell")))


def test_trial_error_is_productions_until_it_is_stated():
    assert usual_factor("press_temp").trial_error == usual_factor("press_temp").setting_sd
    assert usual_factor("press_temp", trial_sd=2.0).trial_error == 2.0
    assert usual_factor("press_temp", trial_sd=0.0).trial_error == 0.0


def test_study_stored_before_trial_errors_existed_is_read_and_written_the_same():
    plain = to_plain(study_with())
    assert all("trial_sd" not in f for f in plain["factors"])
    assert study_from(plain) == study_with()


def test_stated_trial_error_comes_back_from_storage():
    stated = study_with(trial_sd=0.0)  # nought is a statement, None is none
    assert to_plain(stated)["factors"][0]["trial_sd"] == 0.0
    assert study_from(to_plain(stated)) == stated


def test_sum_of_the_inputs_changes_with_a_stated_trial_error_only():
    frame = pd.DataFrame(
        {"coupon": ["R1-01", "R1-02"], "press_temp": [140.0, 170.0], "dwell": [8.0, 20.0], "passed": [False, True]}
    )
    assert inputs_hash(study_with(), frame).startswith(SUM_BEFORE)
    assert not inputs_hash(study_with(trial_sd=5.0), frame).startswith(SUM_BEFORE)


@pytest.mark.parametrize("bad", [-1.0, float("nan"), float("inf"), 301.0])
def test_impossible_trial_error_is_refused(bad):
    with pytest.raises(InputError, match="setting error of the trial"):
        Factor("press_temp", "degC", 140, 170, setting_sd=5, trial_sd=bad)
