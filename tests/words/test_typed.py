"""Reading what a person typed."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.cli.desk import folded
from doe.domain.coding import round_settings
from doe.domain.errors import InputError, quoted
from doe.domain.factors import KNOWN_FACTORS, Factor, usual_factor
from doe.domain.jsonable import jsonable
from doe.domain.limits import Limits
from doe.domain.said import meant
from doe.domain.units import METRIC, Shown, show, show_both
from doe.words import typed
from doe.words.study.typed import StudyOptions, study_of
from doe.words.wording import amount_range, percent, range_both

FAHRENHEIT = Shown("degF", "psi")


def test_material_takes_its_parts_in_any_order():
    made = typed.material("blank tee; lot=A12; supplier=Halm; detail=180 g", "fabric")
    assert (made.name, made.supplier, made.lot, made.detail) == ("blank tee", "Halm", "A12", "180 g")


def test_material_names_the_part_that_it_does_not_know():
    with pytest.raises(InputError, match="--fabric: found 'smell=red'; allowed: supplier="):
        typed.material("tee; smell=red", "fabric")


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
    with pytest.raises(InputError, match="unit=degC, s, bar, g/m2, m/min, mm, %"):
        typed.factor("glow=1..2", METRIC)
    assert typed.factor("glow=1..2,unit=s,stage=cure,slow=yes", METRIC).hard_to_change


def test_misspelled_factor_is_offered_the_close_one():
    with pytest.raises(InputError, match="press_temp"):
        typed.factor("pres_temp=140..170", METRIC)


@pytest.mark.parametrize("text", ["cure_temp=110", "cure_temp=110..x", "cure_temp=230..284", "cure_temp=110..nan"])
def test_bad_range_is_refused_by_the_name_of_its_factor(text):
    with pytest.raises(InputError, match="--factor cure_temp"):
        typed.factor(text, METRIC)


def test_unknown_option_of_a_factor_names_the_known_ones():
    with pytest.raises(InputError, match="sd, trial, step, unit, scale, slow, stage, label or heated"):
        typed.factor("cure_temp=110..140,colour=red", METRIC)


def test_fahrenheit_where_celsius_is_expected_says_what_it_would_be():
    with pytest.raises(InputError, match=r"write 320F \(that is 160 degC\)"):
        typed.quantity("320", "degC", "--set", METRIC)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("95%", 0.95),
        ("0.95", 0.95),
        ("0,9", 0.9),
        ("90", 0.9),
        ("90 %", 0.9),
        ("97,5", 0.975),
        ("100", 1.0),
        ("0", 0.0),
    ],
)
def test_share_takes_percent_or_a_proportion(text, value):
    assert typed.share(text, "x") == pytest.approx(value)


@pytest.mark.parametrize("text", ["1", "1.5", "0.9%", "0,5 %"])
def test_a_share_that_may_be_meant_either_way_is_refused(text):
    with pytest.raises(InputError, match="read in one way"):
        typed.share(text, "x")


CELSIUS_RANGES = ["130–165 °C", "130C to 165 C", "130 to 165 °C (266 to 329 °F)", "130...165 deg C", "130..165 Celsius"]
FAHRENHEIT_RANGES = ["266F..329F", "266-329 degF", "266 to 329 °f", "266 to 329 °F (130 to 165 °C)"]
BARE_RANGES = ["130..165", "130-165", "130 - 165", "130 to 165", "From 130 to 165", "130,0..165", "130 … 165"]


@pytest.mark.parametrize("text", [*CELSIUS_RANGES, *FAHRENHEIT_RANGES, *BARE_RANGES])
def test_a_range_is_read_as_people_write_it(text):
    for shown in (METRIC,) if text in BARE_RANGES else (METRIC, FAHRENHEIT):
        assert typed.span_of(text, "degC", "x", shown) == pytest.approx((130, 165))


@pytest.mark.parametrize("name", ["press_temp", "press temperature", "Press Temp", "PRESS-TEMP"])
def test_a_setting_is_known_by_name_and_label_in_any_case(name):
    made = typed.factor(f"{name}=130-165,SD=4,5", METRIC)
    assert (made.name, made.low, made.high, made.setting_sd) == ("press_temp", 130, 165, 4.5)


def test_a_slash_in_a_unit_is_no_list_of_levels():
    assert typed.factor("powder amount=30..60 g/m2", METRIC).high == 60
    made = typed.factor("Feed speed=0.5..1.5 m/min,stage=cure", METRIC)
    assert (made.name, made.label, made.unit, made.low, made.step) == ("feed_speed", "Feed speed", "m/min", 0.5, 0.1)
    assert typed.factor("mesh=1/2", METRIC).levels == ("1", "2")


def test_a_comma_that_may_part_thousands_is_refused():
    with pytest.raises(InputError, match="read in one way"):
        typed.quantity("1,250", "s", "x", METRIC)
    assert typed.quantity("12,5", "s", "x", METRIC) == 12.5
    assert typed.quantity("0,125", "s", "x", METRIC) == 0.125


def test_a_name_is_found_by_a_part_only_where_no_other_has_it():
    names = {f: (k.label,) for f, k in KNOWN_FACTORS.items()}
    assert typed.name_of("powder", names, "x") == "powder_amount"
    with pytest.raises(InputError, match=r"cure_temp, press_temp.*write more"):
        typed.name_of("temp", names, "x")
    assert meant("wash 1", {"wash_10": (), "wash_1": ()}) == ["wash_1"]
    assert meant("wash 1", {"wash_10": ()}) == []


def test_forbidden_combinations_take_labels_any_case_and_the_readers_unit():
    factors = (typed.factor("press_temp", METRIC), typed.factor("film_type=hot/cold", METRIC))
    (rule,) = typed.forbidden(["Press temperature >= 320 and film type = Cold; curls"], factors, FAHRENHEIT)
    assert str(rule) == "press_temp >= 160 and film_type = cold"
    assert rule.reason == "curls"


UNITS = st.sampled_from(["degC", "s", "bar", "g/m2", "m/min"])
READERS = st.sampled_from([METRIC, FAHRENHEIT])


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)  # a busy machine is no fault of the reader
@given(unit=UNITS, reader=READERS, ends=st.tuples(st.floats(1, 199), st.floats(1, 199)))
def test_what_is_printed_is_read_back_to_the_same_value(unit, reader, ends):
    for text in (show(ends[0], unit, reader), show_both(ends[0], unit, reader)):
        again = typed.quantity(text, unit, "x", reader)
        assert again == pytest.approx(ends[0], rel=1e-3, abs=0.06)
        assert show(again, unit, reader) == show(ends[0], unit, reader)
    f = Factor("own", unit, 0.5, 199.5)
    ends = (min(ends), max(ends) + 3)  # a single value is printed as such, and is no range
    for words in (amount_range(f, *ends, reader), range_both(f, *ends, reader)):
        read = typed.span_of(words, unit, "x", reader)
        assert amount_range(f, *read, reader) == amount_range(f, *ends, reader)


@given(share=st.integers(2, 100))
def test_a_printed_percentage_is_read_back(share):
    assert {typed.share(t, "x") for t in (percent(share / 100), f"{share}", f"{share}%")} == {share / 100}


PIECES = [
    "press temp",
    "dwell",
    "x",
    "",
    "130",
    "-",
    "..",
    "to",
    "g/m2",
    "1e999",
    "sd=4",
    "every",
    "hot/cold",
    "²",
    "٣",
]
TYPED = st.one_of(
    st.text(max_size=40),
    st.text("0123456789.,-–… /@=;%°CFcfto<>and_presmhulg", max_size=30),
    st.builds("{}={}{}{},{}".format, *[st.sampled_from(PIECES)] * 5),
)


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(text=TYPED, reader=READERS)
def test_nothing_typed_ends_in_anything_but_an_error_a_person_can_act_on(text, reader):
    factors = (usual_factor("press_temp"), usual_factor("film_type"))
    readings = (
        lambda: typed.factor(text, reader),
        lambda: typed.span_of(text, "degC", "x", reader),
        lambda: typed.quantity(text, "degC", "x", reader),
        lambda: typed.spread(text, "degC", "x", reader),
        lambda: typed.share(text, "x"),
        lambda: typed.check(text),
        lambda: typed.held([text], reader),
        lambda: typed.limits([text], None, reader),
        lambda: typed.forbidden([text], factors, reader),
        lambda: typed.material(text, "film"),
        lambda: typed.moment(text, "x"),
        lambda: typed.spec(text, text, text, [text]),
    )
    for read in readings:
        with suppress(InputError):
            read()


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


@pytest.mark.parametrize(
    ("part", "texts", "said"),
    [
        ("factors", ["dwell=20-8", "press_temp"], "--factor dwell: found '20-8'"),
        ("factors", ["dwell", "Dwell"], "--factor: found 'dwell Dwell'; allowed: each factor once"),
        ("factors", ["dwell=8-20,sd=-1", "press_temp"], "--factor dwell: found '8-20,sd=-1'"),
        ("pass_rate", "20", "--pass-rate: found '20'"),
        ("hand_min", "9", "--hand-min: found '9'"),
        ("assurance", "30", "--assurance: found '30'"),
        ("checks", ["release", "Release"], "--check: found 'release, Release'"),
        ("hold", ["Dwell=3"], "--hold: found 'Dwell=3'"),
        ("forbid", ["glow > 3"], "--forbid: found 'glow > 3'"),
        ("limits", ["film_max=900"], "--limit film_max: found '900'"),
        ("limits", ["Min Dwell=0"], "--limit Min Dwell: found '0'"),
    ],
)
def test_an_error_names_what_was_typed_where_it_was_typed(part, texts, said):
    wanted = StudyOptions(name="x", stack="s", line="l", **{part: texts})
    with pytest.raises(InputError) as caught:
        study_of(wanted, METRIC)
    assert str(caught.value).startswith(said)
