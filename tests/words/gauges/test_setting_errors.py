"""Which setting errors an answer says it counted, against those that the model counts."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from doe.domain.factors import usual_factor
from doe.domain.results import read_results
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.gauges.setting_errors import errors_counted

STUDY = Study("s", (usual_factor("press_temp", trial_sd=2.0), usual_factor("dwell")))
FRAME = pd.DataFrame(
    {
        "coupon": ["a", "b", "c"],
        "press_temp": [140.0, 150.0, 170.0],
        "dwell": [8.0, 12.0, 20.0],
        "passed": [False, True, True],
    }
)


def said(study: Study = STUDY, shown: Shown = METRIC, **columns: list[float]) -> tuple[str, str]:
    return errors_counted(study, read_results(study, FRAME.assign(**columns)), shown)


def test_trial_and_production_are_named_apart():
    first, second = said()
    start = "Taken out of the coupons as the trial's own error, once:"
    assert first == f"{start} press temperature 2 °C (3.6 °F) and press dwell 1 s."
    assert (
        second
        == "Put in for production, in full: press temperature 5 °C (9 °F) and press dwell 1 s (standard deviations)."
    )


def test_reader_in_fahrenheit_gets_it_first():
    assert "press temperature 9 °F (5 °C)" in said(shown=Shown("degF"))[1]


@pytest.mark.parametrize(
    ("measured", "words"),
    [
        ([140.0, 151.0, 169.0], "; none where it was measured: press temperature of every coupon."),
        ([140.0, float("nan"), float("nan")], "; none where it was measured: press temperature of 1 of 3 coupons."),
        ([float("nan")] * 3, "press dwell 1 s."),
    ],
)
def test_measured_settings_are_said_to_have_none(measured, words):
    first, _ = said(actual_press_temp=measured)
    assert first.endswith(words)


def test_no_error_stated_is_not_called_an_error_taken_out():
    bare = Study("s", tuple(replace(f, setting_sd=0.0, trial_sd=None) for f in STUDY.factors))
    assert said(bare) == (
        "Taken out of the coupons: nothing, as no setting error was stated.",
        "Put in for production: nothing, as no setting error was stated; real machines wander.",
    )
    careful = Study("s", tuple(replace(f, trial_sd=0.0) for f in STUDY.factors))
    assert said(careful)[0] == "Taken out of the coupons: nothing, as the trial is stated to have had no setting error."
