"""A whole book leaves as one file and comes back identical."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pandas.testing import assert_frame_equal

from doe.book.book import Book
from doe.domain.errors import InputError, InputErrors
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from doe.domain.stack import Line, Material
from tests.book.samples import STACK, fill, make_plan, make_study, ticking

S = "first article"


def live(book: Book) -> None:
    """A bit of everything: corrections, voids, rounds, readings, analyses, an archived study."""
    book.record(S, [ScoreEntry("R1-01", checks={"release": False}, symptoms=("dull",), side="under", note="ü–½")])
    book.record(S, [ScoreEntry("R1-01", checks={"release": True}, cleared=("side",))], why="looked again")
    book.record(S, [ScoreEntry("R1-01", grade="just"), ScoreEntry("R1-04", checks={"release": False}, grade="bad")])
    book.record(S, [ScoreEntry("R1-04", symptoms=("film_lock",), side="over", handled="yes")])
    book.record(S, [ScoreEntry("R1-02", void_reason="lost", hand={"ana": 3.5}, actual={"dwell": 0.1 + 0.2})])
    book.save_round(S, make_plan(2, number=2), kind="follow-up", seed=2**40, notes=["closer"])
    book.save_stack(replace(STACK, film=Material("film", lot="F-2")), why="lot misread")
    book.save_line(Line("unused"))
    reading = book.add_gauge_reading("line 1", GaugeReading("press", 150, None, 146.5))
    book.withdraw_gauge_reading(reading, "slipped")
    book.add_gauge_reading("line 1", GaugeReading("oven", 120, 121, 118))
    book.save_analysis(S, kind="fit", inputs_hash="h", seed=3, version="1", payload={"x": [1, 2.5, None, {"y": "z"}]})
    other = fill_other(book, "put away")
    book.archive_study(other, "never run")


def fill_other(book: Book, name: str) -> int:
    return book.add_study(make_study(name), stack="blank A", line="line 1")


def content(path: Path) -> dict[str, Any]:
    with zipfile.ZipFile(path) as archive:
        assert archive.namelist()[0] == "book.json"
        loaded: dict[str, Any] = json.loads(archive.read("book.json"))
        return loaded


def test_a_book_comes_back_identical(book: Book, tmp_path: Path) -> None:
    live(book)
    first = book.export(tmp_path / "first.zip")
    with Book.open(tmp_path / "copy.sqlite", who="Bo", now=ticking()) as copy:
        assert copy.import_(first) == 2
        assert copy.check() == []
        again = content(copy.export(tmp_path / "again.zip"))
        act = again["tables"]["acts"].pop()
        assert (act["verb"], act["who"], act["subject"]) == ("import", "Bo", "first.zip: 2 studies")
        assert again == content(first)
        assert copy.history(S) == book.history(S)
        assert copy.studies(include_archived=True) == book.studies(include_archived=True)
        assert copy.gauge_history("line 1") == book.gauge_history("line 1")
        assert_frame_equal(copy.results(S, include_void=True), book.results(S, include_void=True))
        assert_frame_equal(copy.plan_coupons(S), book.plan_coupons(S))


def test_the_same_book_gives_the_same_bytes(book: Book, tmp_path: Path) -> None:
    live(book)
    assert book.export(tmp_path / "a.zip").read_bytes() == book.export(tmp_path / "b.zip").read_bytes()


def test_the_format_is_the_documented_one(book: Book, tmp_path: Path) -> None:
    book.record(S, [ScoreEntry("R1-01", symptoms=("dull",))])
    exported = content(book.export(tmp_path / "a.zip"))
    assert (exported["format"], exported["format_version"]) == ("first-article book", 1)
    assert exported["tables"]["entries"] == [
        {
            "id": 1,
            "coupon_id": 1,
            "field": "symptoms",
            "value": ["dull"],
            "scored_at": None,
            "supersedes": None,
            "act_id": 5,
        }
    ]
    assert exported["tables"]["study_entries"][0]["data"]["factors"][0]["name"] == "cure_temp"


def test_an_export_is_added_to_a_book_that_has_its_own_studies(book: Book, tmp_path: Path) -> None:
    live(book)
    exported = book.export(tmp_path / "a.zip")
    with Book.open(tmp_path / "own.sqlite", who="Bo") as own:
        mine = fill(own, "own article", coupons=3)
        own.save_stack(replace(STACK, film=Material("film", lot="F-2")), why="lot misread here too")
        own.record(mine, [ScoreEntry("R1-01", checks={"release": True})])
        for reading in book.gauge_readings("line 1"):
            own.add_gauge_reading("line 1", reading)
        before = own.history(mine)
        assert own.import_(exported) == 2
        assert own.check() == []
        assert own.history(mine) == before
        assert [s.name for s in own.studies(include_archived=True)] == ["put away", S, "own article"]
        assert_frame_equal(own.results(S, include_void=True), book.results(S, include_void=True))
        assert [e.value for e in own.history(S)] == [e.value for e in book.history(S)]
        assert own.gauge_readings("line 1") == book.gauge_readings("line 1")  # not twice
        assert len(own.stacks()) == 1
        assert {line.name for line in own.lines()} == {"line 1", "unused"}
        own.record(S, [ScoreEntry("R1-03", checks={"release": True})])
        assert own.check() == []


def test_names_that_clash_are_all_listed_and_nothing_comes_in(book: Book, tmp_path: Path) -> None:
    exported = book.export(tmp_path / "a.zip")
    with Book.open(tmp_path / "own.sqlite", who="Bo") as own:
        own.save_stack(replace(STACK, film=Material("another film")))
        own.save_line(Line("line 1", gauge="probe"))
        own.add_study(make_study(), stack="blank A", line="line 1")
        acts = own.audit(None)
        with pytest.raises(InputErrors) as caught:
            own.import_(exported)
        assert [p.where.split(", ")[1] for p in caught.value.problems] == [
            "study first article",
            "stack blank A",
            "line line 1",
        ]
        assert own.audit(None) == acts
    with pytest.raises(InputError, match="study first article: found a study that is here already"):
        book.import_(exported)


def _changed(path: Path, change: Callable[[dict[str, Any]], object]) -> Path:
    loaded = content(path)
    change(loaded)
    out = path.with_name("changed.zip")
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("book.json", json.dumps(loaded))
    return out


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda c: c.update(format="other"), "found another kind of file"),
        (lambda c: c.update(format_version=2), "found format version 2; allowed: 1. Update this program"),
        (lambda c: c["tables"].pop("entries"), "found other tables"),
        (lambda c: c.update(tables=[]), "found other tables"),
        (lambda c: c["tables"].update(entries={}), "other columns in entries, row 1"),
        (lambda c: c["tables"]["coupons"][1].pop("name"), "other columns in coupons, row 2"),
        (lambda c: c["tables"]["coupons"][1].update(name=7), "found 7 in coupons, row 2, name"),
        (lambda c: c["tables"]["coupons"][1].update(id=1), "found row 1 twice in coupons"),
        (lambda c: c["tables"]["coupons"].pop(), "found 4 rows of act 4 (add round), which added 5"),
        (lambda c: c["tables"]["study_entries"][0].update(data={}), "Row 1 of study_entries cannot be read"),
        (lambda c: c["tables"]["coupons"][0].update(round_id=9), "rows in coupons that cannot all be there"),
        (lambda c: c["tables"]["rounds"][0].update(seed=2**70), "rows in rounds that cannot all be there"),
        (lambda c: c["tables"]["coupons"][0].update(name="R1-02"), "rows in coupons that cannot all be there"),
    ],
)
def test_a_damaged_export_is_refused_and_nothing_comes_in(
    book: Book, tmp_path: Path, change: Callable[[dict[str, Any]], object], said: str
) -> None:
    changed = _changed(book.export(tmp_path / "a.zip"), change)
    with Book.open(tmp_path / "own.sqlite", who="Bo") as own:
        with pytest.raises(InputError) as caught:
            own.import_(changed)
        assert said in str(caught.value)
        assert own.audit(None) == ()
        assert own.check() == []


def test_files_that_are_no_exports_are_refused(book: Book, tmp_path: Path) -> None:
    text = tmp_path / "notes.zip"
    text.write_text("not a zip")
    empty = tmp_path / "empty.zip"
    zipfile.ZipFile(empty, "w").close()
    for path in (text, empty):
        with pytest.raises(InputError, match="found another kind of file; allowed: an export of a book"):
            book.import_(path)
    with pytest.raises(InputError, match="a file that can be read"):
        book.import_(tmp_path / "missing.zip")
    with pytest.raises(InputError, match="exports are not overwritten"):
        book.export(text)
    with pytest.raises(InputError, match="a folder that can be written to"):
        book.export(tmp_path / "missing" / "a.zip")


@pytest.mark.parametrize("table", ["stacks", "lines", "study_entries"])
def test_a_row_called_other_than_its_details_say_is_refused(book: Book, tmp_path: Path, table: str) -> None:
    tables = content(book.export(tmp_path / "good.zip"))
    tables["tables"][table][-1]["name"] = "\x1b[31mother"
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        archive.writestr("book.json", json.dumps(tables))
    with Book.open(tmp_path / "copy.sqlite", who="Bo") as copy:
        with pytest.raises(InputErrors, match="in its details"):
            copy.import_(tmp_path / "bad.zip")
        assert copy.check() == []
        assert copy.studies() == ()


@pytest.mark.parametrize(
    ("table", "change", "says"),
    [
        ("acts", {"at": "yesterday"}, "which is none"),
        ("studies", {"made_at": "2026-01-01T00:00:00"}, "which is none"),
        ("rounds", {"number": -3}, "has the number -3"),
        ("coupons", {"settings": {}}, "not those of its study"),
        ("coupons", {"settings": {"cure_temp": "hot"}}, "not those of its study"),
        ("gauge_readings", {"line_name": "nowhere"}, "on a line that is not there"),
    ],
)
def test_what_later_commands_would_stumble_over_is_refused(
    book: Book, tmp_path: Path, table: str, change: dict[str, Any], says: str
) -> None:
    book.add_gauge_reading("line 1", GaugeReading("press", 150, None, 146.5))
    tables = content(book.export(tmp_path / "good.zip"))
    tables["tables"][table][0].update(change)
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        archive.writestr("book.json", json.dumps(tables))
    with Book.open(tmp_path / "copy.sqlite", who="Bo") as copy:
        with pytest.raises(InputErrors, match=says):
            copy.import_(tmp_path / "bad.zip")
        assert copy.check() == []


def test_a_locked_a_strangely_packed_and_a_broken_zip_are_no_exports(book: Book, tmp_path: Path) -> None:
    good = book.export(tmp_path / "good.zip").read_bytes()
    entry = good.rfind(b"PK\x01\x02")  # the member in the list at the end; its fields are those of the first header
    for name, changes in {
        "locked": {6: 1, entry + 8: 1},
        "packed": {8: 99, entry + 10: 99},
        "broken": {200: good[200] ^ 255},
    }.items():
        data = bytearray(good)
        for at, value in changes.items():
            data[at] = value
        path = tmp_path / f"{name}.zip"
        path.write_bytes(data)
        with pytest.raises(InputError, match=r"(?s)an export of a book"):
            book.import_(path)
    assert book.check() == []


def test_an_export_that_unpacks_to_more_than_a_shop_writes_is_refused_unread(book: Book, tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("book.json", "w") as member:
        for _ in range(301):
            member.write(b" " * 1_000_000)
    with pytest.raises(InputError, match="more than 300 MB"):
        book.import_(path)
