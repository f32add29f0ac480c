"""Bad input: one clear line (or one a problem), exit code 2, nothing lost, nothing half-written."""

from __future__ import annotations

import csv
import json
import sqlite3
import stat
import sys

import pytest

STUDY = "new powder on the heavy tee"
NEW = ["study", "new", "x", "--stack", "heavy tee, fine powder", "--line", "back room"]

GAUGE = ["gauge", "add", "back room", "--machine", "press"]

BAD_COMMANDS = [
    (["nonsense"], "nonsense"),
    (["study", "nonsense"], "nonsense"),
    (["plan"], "STUDY"),
    (["plan", STUDY, "--coupons", "many"], "--coupons"),
    (["plan", STUDY, "--wrong"], "--wrong"),
    (["plan", "no such study"], "no such study"),
    (["plan", STUDY, "--choose", "half"], "a study without a plan"),
    (["stack", "show", "no such stack"], "no such stack"),
    (["stack", "add", "s", "--fabric", ";", "--film", "f", "--powder", "p"], "--fabric"),
    (["line", "add", "l", "--per-stroke", "0"], "coupons per stroke"),
    (["line", "add", "l", "--oven-heat", "-1"], "0 to 600"),
    (["gauge", "add", "back room", "--machine", "kettle", "--set", "150", "--measured", "140"], "oven or press"),
    ([*GAUGE, "--set", "320", "--measured", "140"], "write 320F (that is 160 degC)"),
    ([*GAUGE, "--set", "nan", "--measured", "140"], "--set"),
    (["gauge", "add", "nowhere", "--machine", "press", "--set", "150", "--measured", "140"], "nowhere"),
    (["gauge", "withdraw", "99", "--why", "x"], "99"),
    ([*NEW[:3], "--stack", "none", "--line", "back room"], "none"),
    ([*NEW[:3]], "--stack"),
    ([*NEW, "--factor", "press_temp=284..338", "--factor", "dwell"], "write 284F (that is 140 degC)"),
    ([*NEW, "--factor", "press_temp=140..210", "--factor", "dwell"], "210"),
    ([*NEW, "--factor", "press_temp=140..170 psi", "--factor", "dwell"], "psi"),
    ([*NEW, "--factor", "film_type=hot/cold"], "at least one with a range"),
    ([*NEW, "--factor", "belt_speed=0.4..0.8,heated=40 m"], "at most 20 m"),
    ([*NEW, "--factor", "dwell=8..20,heated=1.2m"], "of a speed in m/min"),
    ([*NEW, "--factor", "dwell", "--factor", "dwell"], "each factor once"),
    ([*NEW, "--factor", "dwell=20..8", "--factor", "cure_time"], "a low below a high"),
    ([*NEW, "--pass-rate", "1.5"], "Write 90 % as 90 % or as 0.9"),
    ([*NEW, "--pass-rate", "0.9%"], "read in one way"),
    ([*NEW, "--pass-rate", "20"], "0.5"),
    ([*NEW, "--hand-min", "9"], "1 to 5"),
    ([*NEW, "--forbid", "cure_temp is high"], "cure_temp >= 135"),
    ([*NEW, "--limit", "film=175"], "film_max"),
    ([*NEW, "--hold", "pressure"], "name=value"),
    (["study", "archive", STUDY, "--why", ""], "why"),
    (["study", "limits", STUDY, "--limit", "film_max=-3"], "film_max"),
    (["sheet", STUDY, "--round", "7"], "1 to 1"),
    (["sheet", STUDY, "-o", "sheet.pdf"], ".html, .xlsx or .csv"),
    (["sheet", STUDY, "--person", "=ana"], "people"),
    (["record", STUDY], "--file, --coupon or --own-sheet"),
    (["record", STUDY, "--coupon", "R1-01"], "nothing said"),
    (["record", STUDY, "--pass", "release"], "--coupon"),
    (["record", STUDY, "--coupon", "R9-99", "--pass", "release"], "R9-99"),
    (["record", STUDY, "--coupon", "R1-01", "--pass", "shine"], "shine"),
    (["record", STUDY, "--coupon", "R1-01", "--pass", "release", "--fail", "release"], "pass or fail, not both"),
    (["record", STUDY, "--coupon", "R1-01", "--hand", "ana=6"], "1 to 5 in half steps"),
    (["record", STUDY, "--coupon", "R1-01", "--hand", "ana=nan"], "1 to 5 in half steps"),
    (["record", STUDY, "--coupon", "R1-01", "--hand", "3.5"], "ana=3.5"),
    (["record", STUDY, "--coupon", "R1-01", "--symptom", "sparkles"], "sparkles"),
    (["record", STUDY, "--coupon", "R1-01", "--actual", "press_temp=320"], "that is 160 degC"),
    (["record", STUDY, "--coupon", "R1-01", "--actual", "glow=3"], "glow"),
    (["record", STUDY, "--coupon", "R1-01", "--side", "left"], "under, over, other"),
    (["record", STUDY, "--coupon", "R1-01", "--grade", "great"], "clean, only just, slightly, badly"),
    (["record", STUDY, "--coupon", "R1-01", "--pass", "release", "--grade", "badly"], "bad on a coupon that passed"),
    (["record", STUDY, "--coupon", "R1-01", "--void", "void"], "reason"),
    (["record", STUDY, "--file", "a.csv", "--coupon", "R1-01", "--pass", "release"], "one of them"),
    (["record", STUDY, "--file", "absent.csv"], "absent.csv"),
    (["record", STUDY, "--file", "notes.docx"], ".xlsx or .csv"),
    (["extend", STUDY, "--coupons", "0"], "coupons"),
    (["fit", STUDY, "--temperature", "K"], "degC or degF"),
    (["report", STUDY, "-o", "."], "the name of a file"),
    pytest.param(
        ["book", "backup", "missing-folder/b.sqlite"],
        "missing-folder",
        marks=pytest.mark.in_file("about a file and its copies"),
    ),
    (["book", "import", "absent.zip"], "absent.zip"),
    (["study", "list", "--who", " "], "--who"),
]


@pytest.mark.parametrize(("words", "said"), BAD_COMMANDS, ids=lambda v: " ".join(v)[:60] if isinstance(v, list) else "")
def test_bad_input_is_one_line_with_exit_2_and_changes_nothing(shop_with, words, said):
    shop = shop_with(1)
    before = state(shop)
    found = shop.run(*words)
    assert found.code == 2, found.out
    assert len(found.errors) == 1, found.err
    assert said in found.err
    assert "Traceback" not in found.err + found.out
    assert state(shop) == before


@pytest.mark.parametrize(
    "words",
    [
        ["--choose", "best"],
        ["--choose", "half", "--order", "sideways"],
        ["--coupons", "4"],
        ["--choose", "box-behnken", "--coupons", "12"],
    ],
)
def test_a_plan_that_does_not_exist_is_refused_in_one_line(shop_with, words):
    shop = shop_with(0)
    found = shop.run("plan", STUDY, *words)
    assert (found.code, len(found.errors)) == (2, 1)
    assert "allowed: " in found.err
    assert shop.good("study", "show", STUDY, "--json").json["rounds"] == []


def state(shop) -> tuple[object, ...]:
    """Everything in the book and every file of the folder."""
    with shop.open() as book:
        acts = [a.id for a in book.audit(None)]
    return acts, sorted(p.name for p in shop.folder.rglob("*") if not p.name.startswith("shop.sqlite"))


def test_units_that_do_not_exist_are_refused_by_their_variable(shop_with):
    found = shop_with(0).run("study", "show", STUDY, env={"DOE_UNITS": "kelvin"})
    assert (found.code, found.errors) == (
        2,
        ["DOE_UNITS: found 'kelvin'; allowed: degC or degF, bar or psi. Set it like: degF psi."],
    )


def test_an_error_with_json_is_one_object_with_the_facts(shop_with):
    found = shop_with(1).run("record", STUDY, "--coupon", "R1-01", "--hand", "ana=6", "--json")
    assert found.code == 2
    said = json.loads(found.out)
    assert said["ok"] is False
    assert said["problems"][0]["found"] == "6"
    assert said["problems"][0]["allowed"] == "1 to 5 in half steps"
    usage = shop_with(1).run("plan", STUDY, "--coupons", "many", "--json")
    assert json.loads(usage.out)["error"] == "usage"


# filled files


def entry_rows(shop) -> list[list[str]]:
    shop.good("sheet", STUDY, "-o", "sheet.csv", "--person", "ana")
    with (shop.folder / "sheet.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.reader(file))


def save(shop, rows, encoding="utf-8-sig", delimiter=",") -> None:
    with (shop.folder / "sheet.csv").open("w", encoding=encoding, newline="") as file:
        csv.writer(file, delimiter=delimiter).writerows(rows)


@pytest.fixture
def planned(shop_with):
    shop = shop_with(0)
    assert "coupons: found 3" in shop.run("plan", STUDY, "--coupons", "3").err
    shop.good("plan", STUDY, "--coupons", "12", "--choose", "half")
    return shop, entry_rows(shop)


def at(rows, row, heading, value):
    rows[row][rows[0].index(heading)] = value


def refused(shop, *said: str, lines: int = 1):
    found = shop.run("record", STUDY, "--file", "sheet.csv")
    assert found.code == 2, found.out
    assert len(found.errors) == lines, found.err
    for text in said:
        assert text in found.err
    assert shop.good("study", "show", STUDY, "--json").json["counts"]["scored"] == 0


def test_a_file_with_one_bad_cell_is_refused_whole(planned):
    shop, rows = planned
    for row in range(1, 12):
        at(rows, row, "release", "pass")
    at(rows, 4, "hand: ana", "6")
    save(shop, rows)
    refused(shop, "row 5", "1 to 5 in half steps")


def test_every_bad_cell_is_named_at_once_and_the_rest_counted(planned):
    shop, rows = planned
    for row in range(1, 13):
        at(rows, row, "release", "perhaps")
    save(shop, rows)
    refused(shop, "row 2", "... and 2 more", lines=11)


@pytest.mark.parametrize(
    ("heading", "value", "said"),
    [
        ("coupon", "R1-99", "R1-99"),
        ("coupon", "R1-03", "again"),
        ("release", "5", "pass or fail"),
        ("hand: ana", "soft", "1 to 5"),
        ("hand: ana", "3.3", "half steps"),
        ("symptom", "sparkle", "sparkle"),
        ("press temperature on the surface (°C)", "199", "the plan"),
        ("measured press temperature (°C)", "320", "°C"),
    ],
)
def test_a_bad_cell_is_named_with_row_and_column(planned, heading, value, said):
    shop, rows = planned
    for row in range(1, 13):
        at(rows, row, "release", "pass")
    at(rows, 12, heading, value)
    save(shop, rows)
    refused(shop, said, "row 13")


def test_moved_columns_other_encodings_and_semicolons_are_read(planned):
    shop, rows = planned
    for row in range(1, 13):
        at(rows, row, "release", "pass")
    at(rows, 1, "note", "grün")
    save(shop, [list(reversed(row)) for row in rows], encoding="cp1252", delimiter=";")
    assert shop.good("record", STUDY, "--file", "sheet.csv", "--json").json["counts"]["scored"] == 12
    with shop.open() as book:
        assert "grün" in set(book.results(STUDY)["note"])


def test_an_empty_file_and_an_unfilled_one_are_told_apart(planned):
    shop, rows = planned
    save(shop, rows)
    found = shop.good("record", STUDY, "--file", "sheet.csv")
    assert "No coupon has anything filled in" in found.out
    (shop.folder / "sheet.csv").write_text("")
    refused(shop, "nothing in it")


def test_the_sheet_of_another_study_is_refused(planned):
    shop, rows = planned
    at(rows, 1, "release", "pass")
    at(rows, 1, "sheet of", "study other [0123456789]")
    save(shop, rows)
    refused(shop, "another study")


def test_the_same_file_twice_adds_nothing(planned):
    shop, rows = planned
    at(rows, 1, "release", "pass")
    save(shop, rows)
    assert shop.good("record", STUDY, "--file", "sheet.csv", "--json").json["new_fields"] == 1
    assert shop.good("record", STUDY, "--file", "sheet.csv", "--json").json["new_fields"] == 0


# books


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of folders work otherwise there")
def test_a_read_only_folder_is_named(shop_with, monkeypatch):
    import os

    if os.geteuid() == 0:
        monkeypatch.setattr("doe.files.tempfile.mkstemp", _denied)
    shop = shop_with(1)
    closed = shop.folder / "closed"
    closed.mkdir()
    closed.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        found = shop.run("sheet", STUDY, "-o", "closed/sheet.html")
    finally:
        closed.chmod(stat.S_IRWXU)
    assert found.code == 2
    assert len(found.errors) == 1
    assert "a place that can be written" in found.err
    assert not list(closed.iterdir())


def _denied(**_):
    raise PermissionError(13, "Permission denied")


@pytest.mark.in_file("a stored file of an newer program")
def test_a_newer_book_is_refused_and_left_alone(shop_with):
    shop = shop_with(1)
    connection = sqlite3.connect(shop.book)
    connection.execute("update book_version set version_num = '9999'")
    connection.commit()
    connection.close()
    before = shop.book.read_bytes()
    found = shop.run("study", "list")
    assert (found.code, len(found.errors)) == (2, 1)
    assert "newer" in found.err
    assert shop.book.read_bytes() == before


def test_a_file_that_is_no_book_is_refused_and_left_alone(shop_with):
    shop = shop_with(0)
    (shop.folder / "letter.sqlite").write_text("Dear book")
    found = shop.run("stack", "list", "--book", "letter.sqlite")
    assert (found.code, len(found.errors)) == (2, 1)
    assert (shop.folder / "letter.sqlite").read_text() == "Dear book"
    found = shop.run("stack", "list", "--book", str(shop.folder))
    assert (found.code, len(found.errors)) == (2, 1)
