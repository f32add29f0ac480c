"""Entry files offer choices, lock what belongs to the plan, and carry the cautions."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, date, datetime

import openpyxl
import pandas as pd
import pytest

from doe.assure.gauges.line import gauge_line
from doe.book.sheets.entry import read_entry
from doe.domain.entry import check_people, entry_columns, sheet_mark
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import Factor, usual_factor
from doe.domain.gauge import GaugeReading
from doe.domain.stack import Line, Machine
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.symptoms.catalogue import CATALOGUE, WORDS
from doe.words.cautions import CAUTIONS, FIXED_WORDING
from reports.sheet.entry import write_entry_csv, write_entry_xlsx

STUDY = Study(
    "Tee & hoodie", (usual_factor("press_temp"), usual_factor("dwell"), usual_factor("peel_mode")), grades=True
)
PLAN = pd.DataFrame(
    {
        "coupon": ["R1-01", "1-2", "=3"],
        "press_temp": [140.0, 155.5, 170.0],
        "dwell": [8.0, 13.0, 20.0],
        "peel_mode": ["hot", "cold", "hot"],
    }
)


@pytest.fixture
def book(tmp_path):
    return openpyxl.load_workbook(write_entry_xlsx(tmp_path / "entry.xlsx", STUDY, PLAN, ("ana",)))


def columns_of(sheet) -> dict[str, int]:
    return {c.value: c.column for c in sheet[1]}


def rule_of(sheet, heading: str):
    cell = sheet.cell(3, columns_of(sheet)[heading]).coordinate
    return next(r for r in sheet.data_validations.dataValidation if cell in r.sqref)


def test_columns_stand_in_the_order_of_the_work():
    keys = [c.key for c in entry_columns(STUDY, ("ana", "Bo"))]
    assert keys == [
        "coupon",
        "press_temp",
        "press_temp",
        "dwell",
        "peel_mode",
        "actual_press_temp",
        "check_release",
        "check_stretch",
        "check_wash_1",
        "check_wash_5",
        "grade",
        "symptom",
        "handled well",
        "hand_ana",
        "hand_Bo",
        "void",
        "note",
        "mark",
    ]


@pytest.mark.parametrize(
    ("shown", "first", "second"),
    [
        (Shown(), "press temperature (°C)", "press temperature (°F)"),
        (Shown("degF", "psi"), "press temperature (°F)", "press temperature (°C)"),
    ],
)
def test_temperatures_stand_in_both_units_the_users_first(shown, first, second):
    headings = [c.heading for c in entry_columns(STUDY, (), shown=shown)]
    assert headings.index(first) + 1 == headings.index(second)
    assert len(set(headings)) == len(headings)


def test_white_cells_are_open_and_grey_ones_locked(book):
    sheet = book["entries"]
    assert sheet.protection.sheet
    at = columns_of(sheet)
    locked = {heading for heading, j in at.items() if sheet.cell(2, j).protection.locked}
    assert locked == {
        "coupon",
        "press temperature (°C)",
        "press temperature (°F)",
        "press dwell (s)",
        "peel",
        "sheet of",
    }
    assert all(sheet.cell(1, j).protection.locked for j in at.values())


def test_checks_and_symptoms_are_chosen_from_lists(book):
    sheet = book["entries"]
    assert rule_of(sheet, "release").formula1 == '"pass,fail"'
    where = rule_of(sheet, "symptom").formula1
    assert where == "'choices'!$A$2:$A$35"
    listed = [c.value for (c,) in book["choices"]["A2:A35"]]
    assert listed == [s.label for s in CATALOGUE]


def test_hand_feel_is_chosen_from_numbers_in_half_steps(book):
    assert rule_of(book["entries"], "hand: ana").formula1 == "'choices'!$E$2:$E$10"
    assert [c.value for (c,) in book["choices"]["E2:E10"]] == [1, 1.5, 2, 2.5, 3, 3.5, 4, 4.5, 5]


@pytest.mark.parametrize(
    ("shown", "heading", "low", "high"),
    [
        (Shown(), "measured press temperature (°C)", 20, 199.9),
        (Shown("degF"), "measured press temperature (°F)", 68, 391.8),
    ],
)
def test_measured_temperatures_take_numbers_of_the_shown_unit(tmp_path, shown, heading, low, high):
    path = write_entry_xlsx(tmp_path / "entry.xlsx", STUDY, PLAN, shown=shown)
    rule = rule_of(openpyxl.load_workbook(path)["entries"], heading)
    assert (rule.type, rule.operator) == ("decimal", "between")
    assert (float(rule.formula1), float(rule.formula2)) == (low, high)
    assert "not what the display shows" in rule.prompt


@pytest.mark.parametrize(("change", "asked"), [({}, False), ({"most_coupons": 40}, True), ({"grades": True}, True)])
def test_grades_are_asked_for_step_by_step_or_where_they_are_wanted(tmp_path, change, asked):
    study = replace(STUDY, **{"grades": None, **change})
    assert study.asks_grades == asked
    book = openpyxl.load_workbook(write_entry_xlsx(tmp_path / "entry.xlsx", study, PLAN, ("ana",)))
    assert ("grade" in columns_of(book["entries"])) == asked
    assert any(str(cell.value).startswith("Grade:") for cell in book["how to fill"]["A"]) == asked


def test_a_grade_is_chosen_from_its_four_words(book):
    assert rule_of(book["entries"], "grade").formula1 == '"clean,only just,slightly,badly"'
    assert any(str(cell.value).startswith("Grade: may stay empty") for cell in book["how to fill"]["A"])


def test_every_rule_stays_inside_what_a_spreadsheet_takes(book):
    # longer texts make a spreadsheet "repair" the file on opening
    for rule in book["entries"].data_validations.dataValidation:
        assert len(rule.formula1) <= 255
        assert len(rule.promptTitle) <= 32
        assert len(rule.prompt) <= 255
        assert len(rule.error) <= 225
        assert len(rule.errorTitle) <= 32


def test_sheet_is_ready_to_print_and_to_scroll(book):
    sheet = book["entries"]
    assert sheet.freeze_panes == "B2"
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.print_title_rows == "$1:$1"
    assert sheet.oddHeader.left.text == "Tee && hoodie"
    assert "Data sheets" in sheet.oddFooter.left.text
    assert sheet.column_dimensions[openpyxl.utils.get_column_letter(columns_of(sheet)["sheet of"])].hidden


def test_how_to_fill_carries_every_caution(book):
    text = "\n".join(str(c.value) for (c,) in book["how to fill"].iter_rows())
    for caution in (*CAUTIONS, FIXED_WORDING):
        assert caution in text
    assert "200 °C (392 °F)" in text
    for check in STUDY.spec.checks:
        assert check.label in text


def test_names_that_look_like_formulas_or_dates_stay_text(book):
    sheet = book["entries"]
    assert [sheet.cell(i, 1).value for i in (2, 3, 4)] == ["R1-01", "1-2", "=3"]
    assert all(sheet.cell(i, 1).data_type == "s" for i in (2, 3, 4))
    assert sheet.cell(2, 1).number_format == "@"


def test_csv_is_utf8_with_a_mark_and_plain_numbers(tmp_path):
    path = write_entry_csv(tmp_path / "entry.csv", STUDY, PLAN, ("ana",))
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    assert rows[1][:5] == ["R1-01", "140", "284", "8", "hot"]
    assert rows[2][:3] == ["1-2", "155.5", "311.9"]
    assert rows[1][-1] == sheet_mark(STUDY)
    assert not rows[0][-1].startswith(("=", "+", "-", "@"))


@pytest.mark.parametrize("write", [write_entry_csv, write_entry_xlsx])
def test_plan_of_another_study_is_refused_and_nothing_is_written(tmp_path, write):
    with pytest.raises(InputError, match="columns dwell"):
        write(tmp_path / "entry.xlsx", STUDY, PLAN.drop(columns="dwell"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("write", [write_entry_csv, write_entry_xlsx])
def test_place_that_cannot_be_written_gives_one_line(tmp_path, write):
    with pytest.raises(InputError) as caught:
        write(tmp_path, STUDY, PLAN)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["", " ", "=1+1", "+x", "-y", "@z", " ana", "a\nb", "x" * 41])
def test_names_that_cannot_head_a_column_are_refused(name):
    with pytest.raises(InputErrors, match="people"):
        check_people([name])


def test_same_name_twice_is_refused_in_any_case():
    with pytest.raises(InputErrors, match="each person once"):
        entry_columns(STUDY, ("Ana", "ana"))


def test_mark_follows_name_and_factors():
    other_name = Study("Tee", STUDY.factors)
    other_levels = Study(STUDY.name, (*STUDY.factors[:2], Factor("peel_mode", levels=("hot", "warm"))))
    assert len({sheet_mark(s) for s in (STUDY, other_name, other_levels)}) == 3
    wider = Study(STUDY.name, (usual_factor("press_temp", low=120), *STUDY.factors[1:]))
    assert sheet_mark(wider) == sheet_mark(STUDY)  # an amended range does not make printed sheets useless


def test_rows_stand_in_the_order_of_the_queue_at_the_press(tmp_path):
    from doe.acts.study.plans import commit_plan
    from doe.acts.study.sheets import write_sheets
    from doe.book.book import Book
    from tests.reports.study.samples import LINE, STACK, make_study

    with Book.open(tmp_path / "book.sqlite", who="Ana") as shop:
        shop.save_stack(STACK)
        shop.save_line(LINE)
        key = shop.add_study(make_study(), stack=STACK.name, line=LINE.name)
        commit_plan(shop, key, kind="auto", coupons=12)
        queue = shop.plan_coupons(key).sort_values("press_order")["coupon"].tolist()
        written = write_sheets(shop, key, tmp_path / "entry.csv", people=("Ana",), shown=METRIC, made_by="Ana")
    rows = written.files[0].read_text(encoding="utf-8-sig").splitlines()[1:]
    assert [row.partition(",")[0] for row in rows] == queue != sorted(queue)


LINE = Line("back", press=Machine("swing press", 4, 12))
READ = [GaugeReading("press", at, at, at - 4, taken_at=datetime(2031, 3, 5, tzinfo=UTC)) for at in (140, 155, 170)]


def gauged(*, readings=(), as_dialled=False):
    return gauge_line(LINE, readings, on=date(2031, 3, 6), as_dialled=as_dialled)


def columns_in(path):
    rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    return {heading: [row[j] for row in rows[1:]] for j, heading in enumerate(rows[0])}


def test_a_temperature_says_that_it_is_of_the_surface_and_the_dial_stands_beside_it(tmp_path):
    found = columns_in(write_entry_csv(tmp_path / "e.csv", STUDY, PLAN, ("ana",), gauged=gauged(readings=READ)))
    assert found["press temperature on the surface (°C)"] == ["140", "155.5", "170"]
    assert found["press temperature to dial in (°C)"] == ["144", "160", "174"]
    assert found["press temperature to dial in (°F)"][0] == "291"
    assert "press temperature (°C)" not in found
    told = openpyxl.load_workbook(write_entry_xlsx(tmp_path / "e.xlsx", STUDY, PLAN, gauged=gauged(readings=READ)))
    text = " ".join(str(cell.value) for cell in told["how to fill"]["A"])
    assert "'on the surface' is the one the surface should have" in text
    assert "'to dial in', stands what the machine is set to" in text
    sheet = told["entries"]
    assert sheet.cell(2, columns_of(sheet)["press temperature to dial in (°C)"]).protection.locked


def test_without_readings_there_is_no_dial_to_tell_and_dialled_numbers_say_so(tmp_path):
    found = columns_in(write_entry_csv(tmp_path / "e.csv", STUDY, PLAN, gauged=gauged()))
    assert "press temperature on the surface (°C)" in found
    assert not any("dial" in heading for heading in found)
    dialled = gauged(readings=READ, as_dialled=True)
    found = columns_in(write_entry_csv(tmp_path / "d.csv", STUDY, PLAN, gauged=dialled))
    assert found["press temperature as dialled (°C)"] == ["140", "155.5", "170"]
    assert not any("surface" in heading for heading in found)


@pytest.mark.parametrize("as_dialled", [True, False])
@pytest.mark.parametrize("write", [write_entry_csv, write_entry_xlsx])
def test_files_with_surface_and_dial_are_read_back_without_a_word(tmp_path, write, as_dialled):
    line = gauged(readings=READ, as_dialled=as_dialled)
    path = write(tmp_path / f"e.{'csv' if write is write_entry_csv else 'xlsx'}", STUDY, PLAN, ("ana",), gauged=line)
    read = read_entry(path, STUDY, PLAN, ("ana",), symptoms=WORDS)
    assert read.notes == ("No coupon has anything filled in.",)
