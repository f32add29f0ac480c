"""Coupons made elsewhere become a study with its answer and report, without a terminal."""

from __future__ import annotations

import io
import re
import time
import zipfile
from html import unescape
from pathlib import Path

import openpyxl
import pytest

from doe.bench.guard import SHEET_BYTES
from doe.book.book import Book
from tests.cli.test_own_sheet import LIMITS, german_sheet, odd_sheet
from tests.office.walk import Walk, compares, everything_in, field_of

MATERIALS = {"fabric": "heavy tee", "film": "cold film", "powder": "fine powder", "stack_name": "tee"}
MACHINES = {"line_name": "back room", "oven": "tunnel", "press": "swing press"}
SOURCE = "its data sheet"


def a_file(data: str | bytes, name: str = "old tries.csv") -> dict[str, tuple[str, bytes]]:
    """What a browser sends of a chosen file."""
    return {"file": (name, data.encode() if isinstance(data, str) else data)}


def limits_typed() -> dict[str, str]:
    """The limits as the page asks for them, each with its source."""
    pairs = [text.partition("@")[0].split("=") for text in LIMITS]
    return {**dict(pairs), **{f"{name}_source": SOURCE for name, _ in pairs}}


def at_the_columns(walk: Walk, data: str | bytes, name: str = "old tries.csv") -> None:
    walk.tap("Coupons you already have")
    walk.send("/own-sheet", files=a_file(data, name))


def words_said(walk: Walk) -> dict[str, str]:
    """What the two unclear words of the odd sheet mean."""
    return {field_of(walk.page.text, "“peeled”"): "edge_lift_dry", field_of(walk.page.text, "“stuck”"): "film_lock"}


@compares("/own-sheet", "/own-columns", "/own-question", "/answer/{study:int}")
def test_25_coupons_under_odd_headings_become_a_report(office_over, empty_shop, capsys):
    office = office_over()
    began = time.monotonic()
    walk = Walk(office.device("ana"))
    at_the_columns(walk, odd_sheet())
    assert "25 rows under 9 headings" in walk.page.text
    assert re.search(r'<option value="press_temp" selected>', walk.page.text)
    assert "such as 142, 150, 155; read as °C" in walk.page.text
    # what a word means is never guessed, and a row without a temperature is named; both at once, nothing typed is lost
    walk.send("/own-columns", expect=422, people="Ana")
    assert "found 1 row with something missing or odd" in walk.page.text
    assert "row 15, Press °C: found nothing" in walk.page.text
    assert walk.page.text.count("Choose what it means.") == 2
    assert 'value="Ana"' in walk.page.text
    walk.send("/own-columns", **words_said(walk), leave_15="yes")
    assert "Screen 2 of 4" in walk.page.text
    walk.send("/begin-materials", **MATERIALS)
    walk.send("/begin-machines", **MACHINES)
    assert "Screen 4 of 4" in walk.page.text
    assert "24 coupons of the sheet count" in walk.page.text
    assert "press temperature 142 to 168" in walk.page.text.casefold()
    # the ranges rest on the sheet; limits are asked with where they stand, and all that is missing is said at once
    walk.send("/own-question", expect=422, film_max="185", pass_rate="90")
    assert "Say on which sheet it stands" in walk.page.text
    assert walk.page.text.count("Ask the maker where the sheet does not say") == 6
    assert 'value="185"' in walk.page.text
    walk.send("/own-question", **limits_typed())
    taps = walk.taps
    walk.send("/answer/1")
    assert "What to dial in" in walk.page.text
    walk.go("/paper/1/report")
    assert "Rows left out: 15." in walk.page.text
    with capsys.disabled():
        print(f"\nown sheet: {walk.taps} taps and forms, {taps} to the study, {time.monotonic() - began:.0f} s")

    # the same by commands: the same rows in the book
    (empty_shop.folder / "old tries.csv").write_text(odd_sheet(), encoding="utf-8")
    parts = {"fabric": "heavy tee", "film": "cold film", "powder": "fine powder"}
    empty_shop.good("stack", "add", "tee", *(word for part, name in parts.items() for word in (f"--{part}", name)))
    empty_shop.good("line", "add", "back room", "--oven", "tunnel", "--press", "swing press")
    limits = [part for text in LIMITS for part in ("--limit", f"{text.partition('@')[0]}@{SOURCE}")]
    target = ["--pass-rate", "90", "--hand-min", "3.5", "--assurance", "90%"]
    columns = ["Probe=coupon", "Press °C=press_temp", "dwell s=dwell", "Oven C=cure_temp", "cure secs=cure_time"]
    columns += ["oven=ignore", "Result=pass", "feel 1-5=hand", "Remarks=note"]
    maps = [part for text in columns for part in ("--map", text)]
    words = ["--word", "peeled=edge lift before wash", "--word", "stuck=film lock", "--leave-out", "15"]
    place = ["--stack", "tee", "--line", "back room", "--own-sheet", "old tries.csv", "--person", "Ana"]
    empty_shop.good("study", "new", "old tries", *place, *maps, *words, *limits, *target)
    empty_shop.good("recommend", "old tries")
    with empty_shop.open() as book:
        by_command, by_page = everything_in(book), everything_in(office.book)
    for table, rows in by_command.items():
        assert in_any_order(by_page[table]) == in_any_order(rows), table


def in_any_order(thing):
    """Pairs that say how a sheet is read, in one order: options come as they are typed, columns as they stand."""
    if isinstance(thing, list):
        found = [in_any_order(each) for each in thing]
        return sorted(found, key=str) if found and all(isinstance(each, list) for each in found) else found
    if isinstance(thing, dict):
        return {key: in_any_order(value) for key, value in thing.items()}
    return thing


def test_a_sheet_goes_on_on_another_device_and_can_be_thrown_away(office_over):
    office = office_over()
    walk = Walk(office.device("ana"))
    at_the_columns(walk, odd_sheet(bad_row=False))
    other = Walk(office.device("ben", address="192.168.7.21"))
    other.tap("old tries")
    assert "What the columns are" in other.page.text
    other.send("/own-columns", **words_said(other))
    other.go("/")
    other.tap("old tries")
    assert "Screen 2 of 4" in other.page.text
    other.send(re.search(r'action="(/forget/[^"]*)"', other.page.text)[1])
    assert "old tries" not in other.page.text
    assert office.book.page_state().all("sheet") == {}
    assert office.book.studies() == ()


def test_a_corrected_sheet_takes_the_place_of_the_first_and_what_was_said_stays(office_over):
    walk = Walk(office_over().device("ana"))
    at_the_columns(walk, odd_sheet())
    walk.send("/own-columns", expect=422, **words_said(walk), use_2="cure_time", use_5="dwell")
    assert "row 15" in walk.page.text
    walk.send("/own-sheet", files=a_file(odd_sheet(bad_row=False), "old tries 2.csv"))
    assert "row 15" not in walk.page.text
    chosen = re.findall(r'<option value="([^"]*)" selected', walk.page.text)
    assert chosen[:6] == ["coupon", "press_temp", "cure_time", "ignore", "cure_temp", "dwell"]
    walk.send("/own-sheet", files=a_file(odd_sheet(bad_row=False).replace("Remarks", "Notes")))
    assert re.findall(r'<option value="([^"]*)" selected', walk.page.text)[2] == "dwell"


def test_a_row_that_is_ticked_is_left_out_also_where_a_coupon_has_its_number(office_over):
    office = office_over()
    walk = Walk(office.device("ana"))
    at_the_columns(walk, german_sheet(), "versuche.csv")
    walk.send("/own-columns", **{field_of(walk.page.text, "“stuck”"): "film_lock"}, leave_21="yes")
    walk.send("/begin-materials", **MATERIALS)
    walk.send("/begin-machines", **MACHINES)
    walk.send("/own-question", **limits_typed())
    names = {c.coupon for c in office.book.coupon_states(1)}
    assert "21" in names
    assert "20" not in names


def test_a_workbook_is_read_as_text_is(office_over):
    made = openpyxl.Workbook()
    sheet = made.active
    for line in odd_sheet(bad_row=False).splitlines():
        sheet.append([cell.replace(",", ".") for cell in line.split(";")])
    kept = io.BytesIO()
    made.save(kept)
    walk = Walk(office_over().device("ana"))
    at_the_columns(walk, kept.getvalue(), "old tries.xlsx")
    walk.send("/own-columns", **words_said(walk))
    assert "Screen 2 of 4" in walk.page.text


def bomb() -> bytes:
    """A workbook of a few KB that unpacks to more than is taken."""
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b" " * 30_000_000)
    return kept.getvalue()


@pytest.mark.parametrize(
    ("data", "name", "words"),
    [
        ("", "empty.csv", "found nothing"),
        ("a;b\n", "only.csv", "no row of headings"),
        ("x;y\n1;2\n", "picture.png", "allowed: .xlsx or .csv"),
        ("x;y\n1;2\n", "tries", "allowed: .xlsx or .csv"),
        (b"PK\x03\x04 no workbook", "odd.xlsx", "a damaged workbook"),
        (bomb(), "bomb.xlsx", "30 MB unpacked"),
        (";".join(f"h{n}" for n in range(80)) + "\n" + ";".join("1" * 80) + "\n", "wide.csv", "80 columns"),
        ("x;y\n1;2\n", "../../../etc/passwd", "allowed: .xlsx or .csv"),
    ],
)
def test_what_is_no_sheet_is_refused_beside_the_field(office_over, data, name, words):
    walk = Walk(office_over().device("ana"))
    walk.tap("Coupons you already have")
    walk.send("/own-sheet", expect=422, files=a_file(data, name))
    assert words in unescape(walk.page.text)
    assert 'role="alert"' in walk.page.text
    walk.go("/")
    assert "Begun, not finished" not in walk.page.text


def test_uploads_are_limited_in_size(office_over):
    office = office_over()
    walk = Walk(office.device("ana"))
    walk.tap("Coupons you already have")
    walk.send("/own-sheet", expect=413, files=a_file(b"x" * (SHEET_BYTES + 1)))
    assert office.book.page_state().all("sheet") == {}


def test_markup_in_headings_cells_and_names_is_shown_as_it_was_typed(office_over, tmp_path: Path):
    odd = "<img src=x onerror=alert(1)>"
    rows = f"Press C;dwell s;{odd};Result\n" + "".join(f"{140 + n};{8 + n};{odd};{odd}\n" for n in range(8))
    office = office_over()
    walk = Walk(office.device("ana"))
    at_the_columns(walk, rows, f"{odd}.csv")
    assert odd not in walk.page.text
    assert "&lt;img src=x" in walk.page.text
    walk.send("/own-columns", expect=422, use_0="<script>", use_1="nothing known", people=odd)
    assert odd not in walk.page.text
    assert "<script>alert" not in walk.page.text
    with Book.open(office.place, who="test") as book:
        assert book.studies() == ()
