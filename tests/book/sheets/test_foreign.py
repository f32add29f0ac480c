"""Sheets of other people: columns guessed, units read, every problem at once, what lies outside said."""

from __future__ import annotations

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from doe.book.sheets.foreign import ColumnUse, guess_mapping, heading_unit, read_foreign
from doe.book.sheets.foreign_results import map_foreign
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import KNOWN_FACTORS, usual_factor
from doe.domain.jsonable import packaged_table
from doe.domain.limits import Limits
from doe.domain.outcome import BATCH_COLUMNS
from doe.domain.said import FAILED, PASSED, squeeze
from doe.domain.score import entry_problems
from doe.domain.space import Forbidden
from doe.domain.spec import Check, Spec
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.symptoms.catalogue import WORDS
from doe.words.study.plans import plan_notes
from reports.sheet.entry import write_entry_xlsx

FACTORS = tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell"))
ONE_CHECK = Spec(checks=(Check("sound", "everything looked at"),))
STUDY = Study("tee", FACTORS, spec=ONE_CHECK)
FOUR_CHECKS = Study("tee", FACTORS)

SHEET = """My press log;;;;;;;
;;;;;;;
Sample;Oven °F;oven time (min);Press °F;dwell sec;OK?;defect;Hand-feel Ana;Remarks
A1;257;2;311;12;yes;;4,5;
A2;257;2,5;284;8;no;film lock;;stuck
A3;230;1.5;320;15;n;peeling;2;
"""


def sheet_of(tmp_path, text: str, name: str = "log.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return read_foreign(path)


def problems_of(call) -> list[str]:
    with pytest.raises(InputError) as caught:
        call()
    error = caught.value
    found = error.problems if isinstance(error, InputErrors) else (error,)
    assert all("\n" not in str(p) for p in found)
    return [str(p) for p in found]


def test_sheet_is_read_with_its_headings_and_row_numbers(tmp_path):
    sheet = sheet_of(tmp_path, SHEET)
    assert sheet.headings[:3] == ("Sample", "Oven °F", "oven time (min)")
    assert list(sheet.rows.index) == [4, 5, 6]
    assert sheet.rows.loc[5, "Remarks"] == "stuck"
    assert "semicolon" in sheet.dialect


def test_columns_are_guessed_with_their_units(tmp_path):
    guess = guess_mapping(sheet_of(tmp_path, SHEET), STUDY)
    assert guess == {
        "Sample": ColumnUse("coupon"),
        "Oven °F": ColumnUse("cure_temp", "degF"),
        "oven time (min)": ColumnUse("cure_time", "min"),
        "Press °F": ColumnUse("press_temp", "degF"),
        "dwell sec": ColumnUse("dwell", "s"),
        "OK?": ColumnUse("pass"),
        "defect": ColumnUse("symptom"),
        "Hand-feel Ana": ColumnUse("hand_Ana"),
        "Remarks": ColumnUse("note"),
    }


def test_guessed_sheet_becomes_coupons_and_entries_in_stored_units(tmp_path):
    sheet = sheet_of(tmp_path, SHEET)
    result = map_foreign(sheet, STUDY, guess_mapping(sheet, STUDY), people=("Ana",), symptoms=WORDS)
    assert list(result.coupons["coupon"]) == ["A1", "A2", "A3"]
    assert result.coupons["cure_temp"].tolist() == pytest.approx([125, 125, 110])
    assert result.coupons["cure_time"].tolist() == pytest.approx([120, 150, 90])
    assert result.coupons["press_temp"].tolist() == pytest.approx([155, 140, 160])
    first, second, third = result.entries
    assert (first.checks, first.hand) == ({"sound": True}, {"Ana": 4.5})
    assert (second.symptoms, second.side, second.note) == (("film_lock",), "over", "stuck")
    assert (third.checks, third.symptoms, third.note) == ({"sound": False}, (), "peeling")
    assert any("'peeling'" in note and "kept as a note" in note for note in result.notes)
    assert all(entry_problems(entry, STUDY) == [] for entry in result.entries)


def test_coupons_have_the_columns_of_a_plan_and_unknown_batches_are_missing(tmp_path):
    sheet = sheet_of(tmp_path, SHEET)
    coupons = map_foreign(sheet, STUDY, guess_mapping(sheet, STUDY), symptoms=WORDS).coupons
    assert list(coupons.columns) == [
        "coupon",
        *STUDY.factor_names,
        "round",
        "cure_batch",
        "press_batch",
        "cure_order",
        "press_order",
        "garment",
        "stroke",
        "role",
    ]
    assert coupons["round"].tolist() == [1, 1, 1]
    assert coupons["press_batch"].isna().all()


@pytest.mark.parametrize(
    ("heading", "role", "unit"),
    [
        ("cure temp", "cure_temp", ""),
        ("Cure Temperature (C)", "cure_temp", "degC"),
        ("oven temp °F", "cure_temp", "degF"),
        ("tunnel [C]", "cure_temp", "degC"),
        ("cure_time", "cure_time", ""),
        ("Cure seconds", "cure_time", "s"),
        ("oven min", "cure_time", "min"),
        ("Platen °C", "press_temp", "degC"),
        ("PRESS TEMP", "press_temp", ""),
        ("press in F", "press_temp", "degF"),
        ("dwel", "dwell", ""),
        ("press time", "dwell", ""),
        ("Press sec", "dwell", "s"),
        ("measured press temp (°C)", "actual_press_temp", "degC"),
        ("actual_cure_temp", "actual_cure_temp", ""),
        ("hand", "hand", ""),
        ("softness Bo", "hand_Bo", ""),
        ("hand_zoe", "hand_zoe", ""),
        ("Defect", "symptom", ""),
        ("comments", "note", ""),
        ("Pass/Fail", "pass", ""),
        ("result", "pass", ""),
        ("sound", "check_sound", ""),
        ("cure batch", "cure_batch", ""),
        ("side", "side", ""),
        ("Grade", "grade", ""),
        ("how clear?", "grade", ""),
        ("date", "ignore", ""),
        ("customer", "ignore", ""),
        ("colour", "ignore", ""),
        ("press psi", "ignore", ""),
        ("cure_temp (bar)", "ignore", ""),
    ],
)
def test_headings_people_write_are_understood(tmp_path, heading, role, unit):
    sheet = sheet_of(tmp_path, f"zzz\t{heading}\n1\t\n2\t\n")
    assert guess_mapping(sheet, STUDY)[heading] == ColumnUse(role, unit)


def test_checks_are_guessed_by_name_and_number(tmp_path):
    sheet = sheet_of(tmp_path, "release,wash1,after wash 5,Stretch,wash 10\np,p,p,p,p\n")
    roles = {h: u.role for h, u in guess_mapping(sheet, FOUR_CHECKS).items()}
    assert roles == {
        "release": "check_release",
        "wash1": "check_wash_1",
        "after wash 5": "check_wash_5",
        "Stretch": "check_stretch",
        "wash 10": "ignore",
    }


def test_temperatures_without_a_unit_that_can_only_be_fahrenheit_are_guessed_so(tmp_path):
    sheet = sheet_of(tmp_path, "press temp,cure temp\n311,125\n320,130\n")
    guess = guess_mapping(sheet, STUDY)
    assert guess["press temp"] == ColumnUse("press_temp", "degF")
    assert guess["cure temp"] == ColumnUse("cure_temp", "")


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(headings=st.lists(st.text("abcdefgh presdwlcut°F()0159_-", min_size=1, max_size=16), min_size=2, max_size=8))
@example(["_", "0", "F", "F", "F"])
@example(["x", "p", "F"])
def test_no_use_is_guessed_twice_and_every_heading_gets_one(tmp_path, headings):
    path = tmp_path / "log.csv"
    path.write_text("\t".join(h.strip() or "x" for h in headings) + "\nA" + "\t1" * (len(headings) - 1) + "\n")
    try:
        sheet = read_foreign(path)
    except InputError:
        return  # headings of digits only are no headings
    guess = guess_mapping(sheet, STUDY)
    roles = [use.role for use in guess.values()]
    used = [role for role in roles if role not in ("ignore", "ticked")]
    assert len(set(used)) == len(used)
    assert len(roles) == len(sheet.headings)
    # columns of passes and of fails may stand side by side; a number at the top of one says neither
    ticked = [heading.casefold() for heading, use in guess.items() if use.role == "ticked"]
    assert set(ticked) <= PASSED | FAILED
    assert not any(heading.isdigit() for heading in ticked)


# --- mapping ---------------------------------------------------------------------------------------

PLAIN = "id,ct,t,pt,d,ok\n1,125,120,155,12,pass\n2,130,120,160,12,fail\n"
USES = {"id": "coupon", "ct": "cure_temp", "t": "cure_time", "pt": "press_temp", "d": "dwell", "ok": "pass"}


def test_words_are_enough_for_a_mapping(tmp_path):
    result = map_foreign(sheet_of(tmp_path, PLAIN), STUDY, USES)
    assert [e.checks for e in result.entries] == [{"sound": True}, {"sound": False}]
    assert result.notes == ()


def test_units_of_a_mapping_are_used(tmp_path):
    text = PLAIN.replace("155", "311").replace("160", "320").replace(",120,", ",2,")
    uses = USES | {"pt": ColumnUse("press_temp", "degF"), "t": ColumnUse("cure_time", "min")}
    coupons = map_foreign(sheet_of(tmp_path, text), STUDY, uses).coupons
    assert coupons["press_temp"].tolist() == pytest.approx([155, 160])
    assert coupons["cure_time"].tolist() == [120, 120]


def test_one_pass_column_is_not_spread_over_several_checks(tmp_path):
    sheet = sheet_of(tmp_path, PLAIN)
    (problem,) = problems_of(lambda: map_foreign(sheet, FOUR_CHECKS, USES))
    assert "check_release, check_stretch, check_wash_1, check_wash_5" in problem
    entries = map_foreign(sheet, FOUR_CHECKS, USES | {"ok": "check_release"}).entries
    assert [e.checks for e in entries] == [{"release": True}, {"release": False}]


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"ct": "ignore"}, "cure temperature: found no column"),
        ({"d": "cure_time"}, "cure_time, as t already"),
        ({"ok": "check_shine"}, "allowed: sound"),
        ({"ok": "hand_Bo"}, "allowed: Ana"),
        ({"ok": "magic"}, "found magic"),
        ({"ok": "hand_"}, "allowed: Ana"),
        ({"okk": "note"}, "no such heading; allowed: ok"),
        ({"ok": "actual_film"}, "found actual_film"),
    ],
)
def test_mapping_that_cannot_be_used_is_refused(tmp_path, changed, says):
    problems = problems_of(lambda: map_foreign(sheet_of(tmp_path, PLAIN), STUDY, USES | changed, people=("Ana",)))
    assert any(says in p for p in problems)


def test_every_bad_cell_is_listed_at_once(tmp_path):
    text = (
        "id,ct,t,pt,d,ok,h\n1,125,120,155,,x,3\n1,250,120,hot,12,pass,9\n,125,-5,155,12,-,\n"
        "4,125,120,155 bar,12,fail,2\n"
    )
    problems = problems_of(lambda: map_foreign(sheet_of(tmp_path, text), STUDY, USES | {"h": "hand"}, people=("Ana",)))
    for part in (
        "row 2, d: found nothing",
        "row 2, ok: found 'x'",
        "row 3, id: found 1 again (first in row 2)",
        "row 3, ct: found 250 °C",
        "row 3, pt: found 'hot'",
        "row 3, h: found 9",
        "row 4, id: found nothing",
        "row 4, t: found -5",
        "row 4, ok: found '-'",
        "row 5, pt: found '155 bar'",
    ):
        assert any(part in p for p in problems), part
    assert len(problems) == 10


def test_plain_hand_column_belongs_to_the_only_person(tmp_path):
    text = "id,ct,t,pt,d,ok,feel\n1,125,120,155,12,pass,4\n"
    sheet = sheet_of(tmp_path, text)
    uses = guess_mapping(sheet, STUDY) | USES
    assert map_foreign(sheet, STUDY, uses, people=("Ana",)).entries[0].hand == {"Ana": 4.0}
    result = map_foreign(sheet, STUDY, uses)
    assert result.entries[0].hand == {"someone": 4.0}
    assert any("'someone'" in note for note in result.notes)


@pytest.mark.parametrize("name", ["", "=1+1", "x" * 41])
def test_names_that_cannot_head_a_column_are_refused(tmp_path, name):
    problems = problems_of(lambda: map_foreign(sheet_of(tmp_path, PLAIN), STUDY, USES | {"ok": f"hand_{name}"}))
    assert "column ok" in problems[0]


def test_our_own_entry_file_can_be_brought_in_like_any_other(tmp_path):
    plan = pd.DataFrame(
        {
            "coupon": ["R1-01", "R1-02"],
            "cure_temp": [120.0, 125],
            "cure_time": [100.0, 150],
            "press_temp": [151.0, 160],
            "dwell": [9.0, 15],
        }
    )
    sheet = read_foreign(write_entry_xlsx(tmp_path / "entry.xlsx", STUDY, plan, ("Ana",), shown=Shown("degF")))
    coupons = map_foreign(sheet, STUDY, guess_mapping(sheet, STUDY), people=("Ana",)).coupons
    for name in plan.columns[1:]:
        assert coupons[name].tolist() == pytest.approx(plan[name].tolist(), abs=0.01)


def test_coupons_without_names_are_numbered(tmp_path):
    uses = {k: v for k, v in USES.items() if k != "id"}
    result = map_foreign(sheet_of(tmp_path, PLAIN), STUDY, uses)
    assert list(result.coupons["coupon"]) == ["own-01", "own-02"]
    assert "numbered own-01" in result.notes[0]


def test_batches_void_side_and_measured_values_are_taken(tmp_path):
    text = (
        "id,ct,t,pt,d,ok,batch,lost,way,gun\n1,125,120,155,12,no,mon,,Over,150.5\n2,125,120,155,12,,tue,dropped,,\n"
        "3,125,120,155,12,yes,mon,,,\n"
    )
    uses = USES | {"batch": "press_batch", "lost": "void", "way": "side", "gun": "actual_press_temp"}
    result = map_foreign(sheet_of(tmp_path, text), STUDY, uses, symptoms=WORDS)
    assert result.coupons["press_batch"].tolist() == [1, 2, 1]
    first, second, third = result.entries
    assert (first.side, first.actual) == ("over", {"press_temp": 150.5})
    assert (second.void_reason, second.checks) == ("dropped", {})
    assert third.void_reason is None


def test_grades_of_a_sheet_are_taken_and_other_words_refused_where_they_stand(tmp_path):
    text = "id,ct,t,pt,d,ok,seen as\n1,125,120,155,12,no,Badly\n2,125,120,155,12,yes,only just\n3,125,120,155,12,yes,\n"
    uses = USES | {"seen as": "grade"}
    result = map_foreign(sheet_of(tmp_path, text), STUDY, uses, symptoms=WORDS)
    assert [e.grade for e in result.entries] == ["bad", "just", ""]
    assert not any(entry_problems(e, STUDY) for e in result.entries)
    bad = sheet_of(tmp_path, text.replace("Badly", "great"))
    (problem,) = problems_of(lambda: map_foreign(bad, STUDY, uses, symptoms=WORDS))
    assert "row 2, seen as" in problem
    assert "allowed: clean, only just, slightly, badly" in problem


def test_settings_outside_ranges_limits_and_forbidden_combinations_are_taken_and_said(tmp_path):
    limits = Limits(
        film_max_degc=172,
        powder_max_degc=180,
        fabric_max_degc=180,
        oven_max_degc=180,
        press_max_degc=190,
        min_cure_time_s=60,
        min_dwell_s=8,
    )
    study = Study(
        "tee",
        FACTORS,
        spec=ONE_CHECK,
        limits=limits,
        forbidden=(Forbidden.parse("cure_temp >= 135 and cure_time >= 180", FACTORS),),
    )
    text = "id,ct,t,pt,d,ok\n1,138,200,155,12,pass\n2,125,120,176,5,fail\n3,125,120,205C,12,fail\n"
    result = map_foreign(sheet_of(tmp_path, text), study, USES)
    assert len(result.coupons) == 3
    notes = "\n".join(plan_notes(result.notes, study))
    assert "press temperature: 2 coupons outside the range of the study, 140 °C to 170 °C" in notes
    assert "press temperature: 2 coupons beyond the limit of 172 °C (342 °F" in notes.replace("341.6", "342")
    assert "press dwell: 1 coupon beyond the limit of 8 s" in notes
    assert "press temperature: 1 coupon at or above 200 °C (392 °F). Never set that again: fumes." in notes
    assert "1 coupon in the forbidden combination cure_temp >= 135 °C and cure_time >= 180 s;" in notes
    # the same on a line that works in Fahrenheit
    notes = "\n".join(plan_notes(result.notes, study, Shown("degF")))
    assert "press temperature: 2 coupons outside the range of the study, 284 °F to 338 °F" in notes
    assert "beyond the limit of 341.6 °F (172 °C)" in notes
    assert "at or above 392 °F (200 °C)" in notes
    assert "cure_temp >= 275 °F and" in notes


def test_times_that_look_like_minutes_are_said(tmp_path):
    result = map_foreign(sheet_of(tmp_path, PLAIN.replace(",120,", ",2,")), STUDY, USES)
    assert any("cure time: these look like minutes" in note for note in plan_notes(result.notes, STUDY))


def test_levels_are_matched_in_any_case_and_unknown_ones_refused(tmp_path):
    study = Study(
        "film", (usual_factor("press_temp"), usual_factor("dwell"), usual_factor("film_type")), spec=ONE_CHECK
    )
    text = "id,press °C,dwell,Film Type,ok\n1,150,10,HOT,p\n2,150,10,Cold,p\n"
    sheet = sheet_of(tmp_path, text)
    result = map_foreign(sheet, study, guess_mapping(sheet, study))
    assert result.coupons["film_type"].tolist() == ["hot", "cold"]
    bad = sheet_of(tmp_path, text.replace("Cold", "warm"))
    (problem,) = problems_of(lambda: map_foreign(bad, study, guess_mapping(bad, study)))
    assert "row 3, Film Type: found 'warm'; allowed: hot, cold" in problem


# --- files -----------------------------------------------------------------------------------------


def test_workbook_takes_the_first_sheet_with_headings_or_the_one_named(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["hello"])
    for title, first in (("log", 311), ("older", 302)):
        log = book.create_sheet(title)
        for row in ([], ["press °F", "dwell"], [first, 12], [320, 15.5]):
            log.append(row)
    book.save(tmp_path / "log.xlsx")
    sheet = read_foreign(tmp_path / "log.xlsx")
    assert sheet.rows["dwell"].tolist() == ["12", "15.5"]
    assert list(sheet.rows.index) == [3, 4]
    assert sheet.notes == ("Only 'log' was read, not Sheet, older.",)
    assert read_foreign(tmp_path / "log.xlsx", sheet_title="older").rows["press °F"].tolist() == ["302", "320"]
    for title, says in (("Sheet", "no row of headings"), ("Log", "allowed: Sheet, log, older")):
        (problem,) = problems_of(lambda title=title: read_foreign(tmp_path / "log.xlsx", sheet_title=title))
        assert says in problem


def test_dates_in_a_workbook_are_refused_where_they_are_used(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["when", "ct", "t", "pt", "d", "ok"])
    book.active.append([pd.Timestamp("2031-05-03"), 125, 120, 155, pd.Timestamp("2031-05-12"), "p"])
    book.save(tmp_path / "log.xlsx")
    sheet = read_foreign(tmp_path / "log.xlsx")
    uses = {k: v for k, v in USES.items() if k != "id"}
    (problem,) = problems_of(lambda: map_foreign(sheet, STUDY, uses))
    assert "row 2, d: found the date 2031-05-12" in problem


def test_missing_and_repeated_headings_get_names(tmp_path):
    sheet = sheet_of(tmp_path, "ok,,ok,dwell\np,x,f,12\n")
    assert sheet.headings == ("ok", "column 2", "ok (2)", "dwell")


def test_row_longer_than_the_headings_keeps_its_cells(tmp_path):
    sheet = sheet_of(tmp_path, "a\tb\n1\t2\t3\n1\t2\n")
    assert sheet.headings == ("a", "b", "column 3")
    assert sheet.rows["column 3"].tolist() == ["3", ""]


@pytest.mark.parametrize("text", ["1,2,3\n4,5,6\n", "hello\n", "a,b,c\n", "", "\n\n"])
def test_sheet_without_headings_or_rows_is_answered_in_one_line(tmp_path, text):
    (problem,) = problems_of(lambda: sheet_of(tmp_path, text))
    assert problem.startswith("log.csv")


@pytest.mark.parametrize(
    ("heading", "parts"),
    [
        ("Press °F", ("Press", "degF")),
        ("dwell (s)", ("dwell", "s")),
        ("time in min", ("time", "min")),
        ("F", ("F", "degF")),
        ("press_temp_c", ("press temp", "degC")),
        ("wash 5", ("wash 5", "")),
        ("hand", ("hand", "")),
    ],
)
def test_units_in_headings(heading, parts):
    assert heading_unit(heading) == parts


def test_words_of_headings_are_about_what_there_is():
    known = packaged_table("heading_words")
    assert set(known["telling"]) <= set(KNOWN_FACTORS)
    assert set(known["measure"]) <= {f.unit for f in KNOWN_FACTORS.values()}
    assert set(known["exact"]) <= {"coupon", "symptom", "side", "grade", "note", "void", *BATCH_COLUMNS}
    lists = [part for group in known.values() for part in (group.values() if isinstance(group, dict) else (group,))]
    assert all(words and [squeeze(word) for word in words] == words for words in lists)
