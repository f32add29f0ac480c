"""Reading what a person typed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from doe.cli.desk import folded
from doe.domain.coding import round_settings
from doe.domain.errors import InputError, quoted
from doe.domain.jsonable import jsonable
from doe.domain.limits import Limits
from doe.domain.units import METRIC, Shown
from doe.words import typed

FAHRENHEIT = Shown("degF", "psi")


def test_material_takes_its_parts_in_any_order():
    made = typed.material("blank tee; lot=A12; supplier=Halm; detail=180 g", "--fabric")
    assert (made.name, made.supplier, made.lot, made.detail) == ("blank tee", "Halm", "A12", "180 g")


def test_material_names_the_part_that_it_does_not_know():
    with pytest.raises(InputError, match="--fabric: found 'colour=red'; allowed: supplier="):
        typed.material("tee; colour=red", "--fabric")


def test_factor_alone_brings_the_usual_range():
    made = typed.factor("dwell", METRIC)
    assert (made.low, made.high, made.scale) == (8, 20, "log")


def test_factor_reads_range_setting_error_and_step():
    made = typed.factor("cure_temp=110..140,sd=3,step=2", METRIC)
    assert (made.low, made.high, made.setting_sd, made.step, made.hard_to_change) == (110, 140, 3, 2, True)


def test_factor_in_fahrenheit_is_stored_in_celsius_and_its_error_as_a_difference():
    made = typed.factor("press_temp=284..338,sd=9", FAHRENHEIT)
    assert (made.low, made.high) == pytest.approx((140, 170))
    assert made.setting_sd == pytest.approx(5)


def test_factor_with_units_of_its_own_wins_over_the_choice():
    made = typed.factor("press_temp=284F..338F,sd=9F", METRIC)
    assert (made.low, made.high, made.setting_sd) == pytest.approx((140, 170, 5))
    assert typed.factor("press_temp=140C..170C,sd=5C", FAHRENHEIT).setting_sd == pytest.approx(5)


def test_factor_with_levels_is_categorical():
    assert typed.factor("film_type=hot/cold/warm", METRIC).levels == ("hot", "cold", "warm")


def test_trial_error_of_a_factor_is_a_difference_in_the_users_unit():
    made = typed.factor("cure_temp=230..284,sd=9,trial=3.6", Shown(temperature="degF"))
    assert (made.setting_sd, made.trial_sd) == (pytest.approx(5.0), pytest.approx(2.0))
    assert typed.factor("cure_temp=110..140,sd=4", METRIC).trial_sd is None


def test_factor_of_our_own_needs_a_unit():
    with pytest.raises(InputError, match="unit=degC, s, bar or g/m2"):
        typed.factor("glow=1..2", METRIC)
    assert typed.factor("glow=1..2,unit=s,stage=cure,slow=yes", METRIC).hard_to_change


def test_misspelled_factor_is_offered_the_close_one():
    with pytest.raises(InputError, match="press_temp"):
        typed.factor("pres_temp=140..170", METRIC)


@pytest.mark.parametrize("text", ["cure_temp=110-140", "cure_temp=110..x", "cure_temp=230..284", "cure_temp=110..nan"])
def test_bad_range_is_refused_by_the_name_of_its_factor(text):
    with pytest.raises(InputError, match="--factor cure_temp"):
        typed.factor(text, METRIC)


def test_unknown_option_of_a_factor_names_the_known_ones():
    with pytest.raises(InputError, match="sd, trial, step, unit, scale, slow, stage or label"):
        typed.factor("cure_temp=110..140,colour=red", METRIC)


def test_fahrenheit_where_celsius_is_expected_says_what_it_would_be():
    with pytest.raises(InputError, match=r"write 320F \(that is 160 degC\)"):
        typed.quantity("320", "degC", "--set", METRIC)


@pytest.mark.parametrize(("text", "value"), [("95%", 0.95), ("0.95", 0.95), ("0,9", 0.9)])
def test_share_takes_percent_or_a_proportion(text, value):
    assert typed.share(text, "x") == pytest.approx(value)


def test_check_of_our_own_says_after_how_many_washes():
    made = typed.check("wash_3@3=sound after 3 washes")
    assert (made.name, made.after_washes, made.label) == ("wash_3", 3, "sound after 3 washes")
    assert typed.check("release").label == "film lets go cleanly, nothing left on it"
    with pytest.raises(InputError, match="a whole number"):
        typed.check("wash@1.5")


def test_spec_without_hand_feel():
    assert typed.spec("0.9", "none", None, ["release"]).hand_min is None


def test_limits_keep_their_sources_and_forget_that_of_a_corrected_number():
    first = typed.limits(["film_max=175@sheet of 2031", "min_dwell=5@film sheet"], None, METRIC)
    second = typed.limits(["film_max=170"], first, METRIC)
    assert second.film_max_degc == 170
    assert second.sources == {"min_dwell_s": "film sheet"}
    assert first.sources["film_max_degc"] == "sheet of 2031"


def test_limit_of_200_degc_is_taken_as_data_sheets_say_it():
    assert typed.limits(["press_max=200"], None, METRIC) == Limits(press_max_degc=200)
    assert typed.limits(["press_max=392"], None, FAHRENHEIT).press_max_degc == pytest.approx(200)


def test_unknown_limit_names_the_known_ones():
    with pytest.raises(InputError, match="film_max, powder_max"):
        typed.limits(["film=175"], None, METRIC)


def test_held_settings_are_read_with_their_unit():
    assert typed.held(["pressure=40psi", "mesh=fine"], METRIC) == {
        "pressure": pytest.approx(2.758, abs=1e-3),
        "mesh": "fine",
    }


def test_json_has_no_nan_and_frames_become_rows():
    import numpy as np
    import pandas as pd

    frame = pd.DataFrame({"low": [1.0, np.nan]}, index=pd.Index(["dwell", "pressure"]))
    assert jsonable({"x": float("inf"), "n": np.float64(2), "b": np.bool_(True), "f": frame}) == {
        "x": None,
        "n": 2.0,
        "b": True,
        "f": [{"factor": "dwell", "low": 1.0}, {"factor": "pressure", "low": None}],
    }
    assert jsonable(pd.DataFrame({"a": [pd.NA, None, pd.NaT]})) == [{"a": None}] * 3


def test_names_are_quoted_only_where_they_need_it():
    assert quoted("tee-fine") == "tee-fine"
    assert quoted("new powder") == '"new powder"'


def test_long_command_lines_are_continued_so_that_they_can_be_copied():
    line = 'doe stack add tee --fabric "a blank tee; lot=A12" --film "cold film" --powder "fine powder; lot=P3"'
    parts = folded(line, continued=True)
    assert max(map(len, parts)) <= 78
    assert " ".join(part.removesuffix(" \\").strip() for part in parts) == line
    assert folded(line, continued=False) == [line]


def test_settings_typed_in_degf_and_psi_are_proposed_in_whole_ones():
    press = typed.factor("press_temp=290..338", FAHRENHEIT)
    pressure = typed.factor("pressure=30..60", FAHRENHEIT)
    for factor in (press, pressure):
        settings = round_settings(factor, np.linspace(factor.low, factor.high, 50))
        shown = np.array([FAHRENHEIT.value(float(v), factor.unit) for v in settings])
        assert shown == pytest.approx(np.round(shown), abs=1e-6)
    assert typed.factor("press_temp=290..338,step=5", FAHRENHEIT).step == pytest.approx(25 / 9)
    assert typed.factor("press_temp=140..170", METRIC).step == 1


def test_moment_of_a_bare_day_is_its_noon_and_never_to_come():
    assert typed.moment("2025-03-05", "--taken").astimezone().hour == 12
    today = datetime.now().astimezone()
    assert typed.moment(f"{today:%Y-%m-%d}", "--taken") <= datetime.now(UTC)
    assert typed.moment("2025-03-05T14:30+02:00", "--taken") == datetime(2025, 3, 5, 12, 30, tzinfo=UTC)
    with pytest.raises(InputError, match="today or earlier"):
        typed.moment(f"{today + timedelta(hours=2):%Y-%m-%dT%H:%M}", "--taken")
