"""Asking at a terminal: a new study, limits, a plan, scores at the press, a sheet of one's own."""

from __future__ import annotations

import re

import pytest

from doe.acts.study.symptom_points import with_points
from doe.symptoms.catalogue import points_to

STUDY = "new powder on the heavy tee"


@pytest.fixture(autouse=True)
def _at_a_terminal(monkeypatch):
    monkeypatch.setattr("doe.cli.desk.is_terminal", lambda stream: getattr(stream, "name", "") == "<stdin>")


def lines(*answers: str) -> str:
    return "\n".join(answers) + "\n"


def test_a_new_study_is_asked_for_what_is_missing(shop_with):
    shop = shop_with(0)
    typed = lines(
        "winter tee",
        "1",
        "1",
        "press_temp, glow",  # not a known one: asked again
        "press_temp, dwell",
        "140..320",  # no Celsius here; nor is the range right
        "n",
        "145..165",
        "",  # the usual dwell
        "",  # 95 %
        "none",
        "press_temp >= 160 and dwell >= 15",
        "",
        "pressure=40psi",
        "",
        "y",
        *["175@film sheet", "180", "170", "190", "190", "60", "5"],
    )
    found = shop.good("study", "new", typed=typed)
    assert "glow" in found.out
    assert "did you mean 320 °F = 160 °C?" in found.out + found.err
    with shop.open() as book:
        study = book.study("winter tee").study
    assert [(f.name, f.low, f.high) for f in study.factors] == [("press_temp", 145, 165), ("dwell", 8, 20)]
    assert study.spec.hand_min is None
    assert str(study.forbidden[0]) == "press_temp >= 160 and dwell >= 15"
    assert study.held["pressure"] == pytest.approx(2.758, abs=1e-3)
    assert study.limits.film_max_degc == 175
    assert study.limits.sources["film_max_degc"] == "film sheet"


def test_a_study_begins_in_an_empty_book_and_typing_errors_are_put_right(empty_shop):
    typed = lines(
        "?",
        "autumm tee",
        "back",  # the name was wrong
        "autumn tee",
        "heavy tee; lot=A12",
        "cold film",
        "fine powder; suplier=Pell",  # asked again
        "fine powder; supplier=Pell",
        ".",  # nothing is known of them
        "",
        "back",  # the oven has a name after all
        "tunnel 2",
        "",
        "Press Temperature, DWELL",
        "?",
        "130-165",
        "8 to 20 s",
        "back",
        "back",
        "130-170",
        "8 to 20 s",
        "90",
        "none",
        "press temp >= 168 and dwell >= 19",
        "",
        "dwell=9",  # it varies
        "pressure=3",
        "",
        "n",
    )
    found = empty_shop.good("study", "new", typed=typed)
    assert "A few words by which you find it again" in found.out
    assert "Usual:" in found.out
    # each range says which temperature it is: when it is asked, and when it is told back
    assert "press temperature on the surface in °C" in found.out
    assert re.search(r"^press_temp .* on the surface", found.out, flags=re.MULTILINE)
    assert not re.search(r"^dwell .* on the surface", found.out, flags=re.MULTILINE)
    assert "a setting that does not vary" in " ".join(found.out.split())
    assert "--" not in found.out.partition("is in the book")[0]
    with empty_shop.open() as book:
        record = book.study("autumn")
    assert (record.stack.name, record.stack.fabric.lot) == ("heavy tee, fine powder", "A12")
    assert (record.line.oven.name, record.line.press.name) == ("tunnel 2", "press")
    assert [(f.name, f.low, f.high) for f in record.study.factors] == [("press_temp", 130, 170), ("dwell", 8, 20)]
    assert (record.study.spec.pass_rate, record.study.held) == (0.9, {"pressure": 3})


def test_new_materials_and_machines_of_a_study_are_stored_with_it_or_not_at_all(empty_shop):
    words = ["study", "new", "x", "--film", "cold film", "--powder", "fine", "--press", "swing press"]
    refused = empty_shop.run(*words, "--json")
    assert refused.code == 2
    assert refused.err.startswith("--fabric: found ''; allowed: the name on the packet.")
    refused = empty_shop.run(*words, "--fabric", "tee", "--hold", "dwell=9", "--json")
    assert refused.code == 2
    with empty_shop.open() as book:
        assert (book.stacks(), book.lines()) == ((), ())
    made = empty_shop.good(*words, "--fabric", "tee", "--json").json
    assert (made["stack"], made["line"]) == ("tee, fine", "oven, swing press")


def test_only_what_is_missing_is_asked(shop_with):
    shop = shop_with(0)
    words = [
        "--stack",
        "heavy tee, fine powder",
        "--factor",
        "dwell=8..16,sd=1",
        "--factor",
        "press_temp",
        "--hand-min",
        "4",
    ]
    shop.good("study", "new", "x", *words, "--hold", "pressure=3bar", typed=lines("1", "", "n"))
    with shop.open() as book:
        study = book.study("x").study
    assert [f.name for f in study.factors] == ["dwell", "press_temp"]
    assert study.spec.hand_min == 4
    assert study.held == {"pressure": 3}


def test_answers_in_the_users_units_are_stored_once_and_exactly(shop_with):
    shop = shop_with(0)
    typed = lines(
        "w",
        "1",
        "1",
        "press_temp, pressure",
        "284..329,sd=9",
        "40..60",
        "",
        "none",
        "",
        "peel_wait=1 min",
        "",
        "y",
        "347@sheet",
        "",
        "",
        "",
        "375",
        "",
        "",
        "70psi",
    )
    shop.good("study", "new", "--temperature", "degF", "--pressure", "psi", typed=typed)
    with shop.open() as book:
        study = book.study("w").study
    assert (study.factors[0].low, study.factors[0].high, study.factors[0].setting_sd) == pytest.approx((140, 165, 5))
    assert study.factors[1].low == pytest.approx(2.758, abs=1e-3)
    assert study.held == {"peel_wait": 60}
    assert study.limits.film_max_degc == pytest.approx(175)
    assert study.limits.max_pressure_bar == pytest.approx(4.826, abs=1e-3)
    assert study.limits.powder_max_degc is None


def test_a_limit_that_the_ranges_break_is_taken_and_said(shop_with):
    shop = shop_with(0)
    typed = lines("w", "1", "1", "press_temp, dwell", "", "", "", "none", "", "", "y", "160", "175", *[""] * 6)
    found = shop.good("study", "new", typed=typed)
    with shop.open() as book:
        study = book.study("w").study
        assert study.limits.film_max_degc == 160
        assert study.beyond_limits
    assert "beyond" in found.out, found.out


def test_fahrenheit_is_taken_when_a_person_says_so(shop_with):
    shop = shop_with(1)
    words = ["record", STUDY, "--coupon", "R1-01", "--actual", "press_temp=302"]
    shop.good(*words, typed="y\n")
    with shop.open() as book:
        assert book.results(STUDY).set_index("coupon").loc["R1-01", "actual_press_temp"] == pytest.approx(150)
    refused = shop.run(*words, "--coupon", "R1-02", typed="n\n")
    assert refused.code == 2
    assert "write 302F" in refused.err


def test_nobody_is_asked_when_json_is_wanted(shop_with):
    found = shop_with(1).run("record", STUDY, "--coupon", "R1-01", "--actual", "press_temp=302", "--json", typed="y\n")
    assert found.code == 2


def test_missing_limits_are_asked_one_by_one(shop_with):
    shop = shop_with(0)
    new = ["study", "new", "x", "--stack", "heavy tee, fine powder", "--line", "back room"]
    shop.good(*new, "--factor", "dwell", "--factor", "press_temp", "--json")
    shop.good("study", "limits", "x", typed=lines("175@film sheet", "180", "x", "170", "190", "190", "60", "5"))
    assert shop.good("study", "show", "x", "--json").json["missing_limits"] == []


def test_a_plan_is_chosen_from_the_comparison(shop_with):
    shop = shop_with(0)
    found = shop.good("plan", STUDY, "--coupons", "12", typed="half\n")
    assert "Which plan" in found.out
    with shop.open() as book:
        assert book.plan_info(STUDY).kind == "half"


def test_no_plan_is_made_when_none_is_chosen(shop_with):
    shop = shop_with(0)
    assert "No plan was made" in shop.good("plan", STUDY, "--coupons", "12", typed="none yet\n").out
    with shop.open() as book:
        assert book.plan_info(STUDY).rounds == ()


@pytest.fixture
def planned(shop_with):
    shop = shop_with(0)
    shop.good("plan", STUDY, "--coupons", "12", "--choose", "half", "--grades")
    return shop


def results(shop):
    with shop.open() as book:
        frame = book.results(STUDY, include_void=True)
    return frame.sort_values("press_order").reset_index(drop=True)


def test_scoring_at_the_press_stores_coupon_by_coupon(planned):
    typed = lines(
        "ana, ben",
        *["", "p", "p", "b", "Only just", "4", "x", "3.5", "fine"],  # Enter alone is no pass; b and x are asked again
        *["f", "", "film lock", "", ""],  # did not transfer: no hand-feel is asked
        *["v", "", "burnt by the lamp"],
        "s",
        "q",
    )
    found = planned.good("record", STUDY, typed=typed)
    frame = results(planned)
    assert frame.loc[0, ["hand_ana", "hand_ben", "note"]].tolist() == [4.0, 3.5, "fine"]
    assert frame.loc[0, "passed"] is True or frame.loc[0, "passed"] == True  # noqa: E712 - a column with None
    assert frame["grade"].tolist()[:3] == ["just", "", ""]
    assert frame.loc[1, ["side", "symptom"]].tolist() == ["over", "film_lock"]
    assert frame.loc[2, "void"] == "burnt by the lamp"
    assert frame["passed"].notna().sum() == 2
    assert "Every coupon before this one is stored" in found.out


def test_a_grade_is_not_asked_for_in_one_round_unless_wanted_and_step_by_step_unless_not(shop_with):
    for options, asked in (((), False), (("--step-by-step",), True), (("--step-by-step", "--no-grades"), False)):
        shop = shop_with(0)
        shop.good("plan", STUDY, "--coupons", "12", "--choose", "half", *options)
        answers = ["p", "p", *([""] if asked else []), "4", "a note", "q"]
        said = shop.good("record", STUDY, "--person", "ana", typed=lines(*answers)).out
        assert ("only just" in said) == asked
        assert results(shop).loc[0, "note"] == "a note"


def test_scoring_goes_on_where_it_stopped_and_washes_come_later(planned):
    planned.good("record", STUDY, "--person", "ana", typed=lines("p", "p", "c", "4", "", "f", "s", "A", "", "q"))
    planned.good("record", STUDY, "--person", "ana", typed=lines("p", "p", "", "4.5", "", "q"))
    frame = results(planned)
    assert frame["hand_ana"].tolist()[:3] == pytest.approx([4, float("nan"), 4.5], nan_ok=True)
    found = planned.good("record", STUDY, "--washes", typed=lines("p", "f", "b", "colour shed", "", "", "q"))
    assert "12 coupons wait" not in found.out
    first = results(planned).loc[0]
    assert f"R1-01: cure_temp {first['cure_temp'] + 3:.0f} °C" in found.out  # as it is dialled in
    assert results(planned).loc[0, ["check_wash_1", "check_wash_5", "side"]].tolist() == [True, False, "under"]
    assert results(planned)["grade"].tolist()[:3] == ["bad", "slight", ""]  # what failed in the wash was asked again


def test_one_question_settles_whether_it_was_the_heat_where_the_symptom_leaves_it_open(planned):
    asked = "was the powder even, and was it peeled at its wait"
    typed = lines(
        "ana",
        *["f", "", "patchy transfer", "perhaps", "n", ""],  # asked again: y or n
        *["f", "", "film lock", "y", ""],
        *["f", "", "glass back", ""],  # heat alone makes it: not asked
        "q",
    )
    found = planned.good("record", STUDY, typed=typed)
    frame = results(planned)
    assert frame["symptom"].tolist()[:3] == ["patchy_transfer", "film_lock", "glass_back"]
    assert frame["side"].tolist()[:3] == ["other", "over", "over"]
    assert found.out.count(asked) == 3
    points = with_points(frame[:3])[["points_under", "points_over", "points_other"]].to_numpy()
    assert points[0].tolist() == [0, 0, 0]  # the side itself says it, not the catalogue
    # with a yes neither powder nor peel is behind the film lock: it points more to heat than if nobody had looked
    assert points[1].tolist() == pytest.approx(points_to(["film_lock"], handled_well=True))
    assert points[1][1] > points_to(["film_lock"])[1]
    assert frame["handled well"].tolist()[:3] == ["no", "yes", ""]


def test_back_at_the_press_puts_the_coupon_before_right(planned):
    typed = lines(
        *["back", "f", "back", "f", "", "film lock", "", ""],  # the first coupon failed, with a symptom
        "back",  # no, it was the next one
        *["?", "p", "p", "c", "4", ""],
        *["v", "torn"],
        "back",  # and that one was not torn
        *["p", "p", "", "3", "", "q"],
    )
    found = planned.good("record", STUDY, "--person", "ana", typed=typed)
    assert "This is the first coupon" in found.out
    assert "lost or spoiled" in found.out
    frame = results(planned)
    assert frame.loc[[0, 1], "passed"].tolist() == [True, True]
    assert frame.loc[[0, 1], ["symptom", "side", "void"]].to_numpy().tolist() == [["", "", ""]] * 2
    assert frame.loc[[0, 1], "hand_ana"].tolist() == [4, 3]
    with planned.open() as book:
        history = book.history(STUDY, frame.loc[0, "coupon"])
    assert {h.why for h in history if h.field == "check:release"} == {"", "typed wrongly, put right at once"}


def test_ending_the_input_keeps_what_was_stored(planned):
    planned.good("record", STUDY, "--person", "ana", typed=lines("p", "p", "", "4", "", "p"))
    assert results(planned)["passed"].notna().sum() == 1


OWN = (
    "Sample,Oven C,Oven sec,Press °F,Dwell,Release,Stretch,Hand Ana,Remark\n"
    "a,120,120,300,10,ok,ok,4,fine\n"
    "b,130,150,320,14,ok,fail,3,\n"
    "c,115,180,310,12,ok,ok,3.5,\n"
)


def test_a_sheet_of_ones_own_is_shown_before_it_is_taken(shop_with):
    shop = shop_with(0)
    (shop.folder / "own.csv").write_text(OWN, encoding="utf-8")
    found = shop.good("record", STUDY, "--own-sheet", "own.csv", typed="y\n")
    assert "Press °F" in found.out
    assert "press_temp (degF)" in found.out
    assert "can (+) and cannot (-) tell" in found.out
    with shop.open() as book:
        frame = book.results(STUDY).set_index("coupon")
    assert frame.loc["b", "press_temp"] == pytest.approx(160)
    assert frame["passed"].tolist() == [True, False, True]
    assert frame["hand_Ana"].tolist() == [4, 3, 3.5]


def test_a_check_is_named_as_it_is_called_and_foreign_words_stay_as_notes(shop_with):
    shop = shop_with(0)
    text = "Sample,Oven C,Oven sec,Press C,Dwell,Result 1,Seen\na,120,120,150,10,ok,\nb,130,150,160,14,fail,zzzz\n"
    (shop.folder / "own.csv").write_text(text, encoding="utf-8")
    uses = {
        "Sample": "coupon",
        "Oven C": "cure_temp",
        "Oven sec": "cure_time",
        "Press C": "press_temp",
        "Dwell": "dwell",
        "Result 1": "wash_1",
        "Seen": "symptom",
    }
    options = [word for heading, use in uses.items() for word in ("--map", f"{heading}={use}")]
    found = shop.good("record", STUDY, "--own-sheet", "own.csv", *options)
    with shop.open() as book:
        frame = book.results(STUDY).set_index("coupon")
    assert frame.loc[["a", "b"], "check_wash_1"].tolist() == [True, False]
    assert frame.loc["b", "note"] == "zzzz"
    assert "'zzzz' is no symptom of the list" in " ".join(found.out.split())


def test_a_wrong_guess_is_corrected_column_by_column(shop_with):
    shop = shop_with(0)
    (shop.folder / "own.csv").write_text(OWN.replace("Remark", "Zzz"), encoding="utf-8")
    headings = OWN.split("\n", 1)[0].replace("Remark", "Zzz").split(",")
    answers = ["n", *("note" if h == "Zzz" else "" for h in headings), "y"]
    shop.good("record", STUDY, "--own-sheet", "own.csv", typed=lines(*answers))
    with shop.open() as book:
        assert book.results(STUDY).set_index("coupon").loc["a", "note"] == "fine"


def test_without_a_terminal_the_guess_is_printed_as_options(shop_with, monkeypatch):
    monkeypatch.setattr("doe.cli.desk.is_terminal", lambda stream: False)
    shop = shop_with(0)
    (shop.folder / "own.csv").write_text(OWN, encoding="utf-8")
    found = shop.run("record", STUDY, "--own-sheet", "own.csv")
    assert (found.code, len(found.errors)) == (2, 1)
    assert '--map "Press °F=press_temp"' in found.err
    import shlex

    words = shlex.split(found.err.partition("check it: ")[2])
    made = shop.good("record", STUDY, "--own-sheet", "own.csv", *words, "--json").json
    assert made["counts"]["scored"] == 3
    assert made["judgement"]
    again = shop.run("record", STUDY, "--own-sheet", "own.csv", *words)
    assert again.code == 2
    assert "names that are not in the study yet" in again.err
