"""A gauge is one thing, whichever lines name it: how sure it is, and its certificates, are known on each of them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from doe.acts.conditions import certificate_cautions, certified_gauges, gauge_meant, gauge_of, keep_certificate
from doe.acts.gauges.line import gauged_line
from doe.acts.waiting import what_waits
from doe.book.book import Book
from doe.book.gauges import OF_LINE
from doe.domain.gauge import Certificate, Gauge
from doe.domain.stack import Line, Machine
from tests.book.samples import read_machine
from tests.postgres import Place

ON = date(2030, 6, 1)
TAKEN = datetime(2030, 5, 20, tzinfo=UTC)
VALID, OVER = (Certificate(number, "a laboratory", until) for number, until in (("C 8", date(2031, 1, 1)), ("C 7", ON)))
BACK, FRONT, THIRD = (
    Line(name, Machine(f"{name} oven", 10, 15), Machine(f"{name} press", 4, 12), gauge)
    for name, gauge in (("back", "strip 3"), ("front", "Strip 3"), ("third", "probe"))
)


@pytest.fixture
def shop(place: Place) -> Iterator[Book]:
    with Book.open(place(), who="ana") as book:
        for line in (BACK, FRONT, THIRD):
            book.save_line(line)
            read_machine(book, line.name, -3, TAKEN)
        yield book
        assert book.check() == []


def certify(book: Book, name: str, found: Certificate = VALID) -> None:
    keep_certificate(book, gauge_meant(book, name), found)


def sure(book: Book, line: str) -> object:
    table = gauged_line(book, line, on=ON).machine("oven").budget.table
    return table.set_index("source").loc["probe", "value"]


def test_two_lines_see_the_certificate_of_their_gauge_and_the_same_last_day(shop):
    certify(shop, "front")
    assert [gauge_of(shop, name).certificate for name in ("back", "front", "third")] == [VALID, VALID, None]
    assert [g.certificate for g in certified_gauges(shop, "back", ON)] == [VALID]
    assert [(w.name, w.day) for w in what_waits(shop) if w.kind == "certificate"] == [("strip 3", VALID.valid_until)]


def test_a_gauge_out_of_date_is_said_on_every_line_that_relies_on_it_and_no_other(shop):
    certify(shop, "back", OVER)
    shop.save_line(Line("fourth", press=Machine("hand press", 1, 1), gauge="probe").sharing("oven", BACK))
    day = date(2030, 6, 2)
    told = {
        line.name: [c.values["number"] for c in certificate_cautions(shop, line.name, day)] for line in shop.lines()
    }
    assert told == {"back": ["C 7"], "front": ["C 7"], "third": [], "fourth": ["C 7"]}
    certify(shop, "strip 3", VALID)
    assert not any(certificate_cautions(shop, line.name, day) for line in shop.lines())
    assert gauge_of(shop, "front").certificates == (OVER, VALID)


def test_another_gauge_on_a_line_leaves_the_certificate_with_the_one_before(shop):
    certify(shop, "third", OVER)
    shop.save_line(replace(shop.line("third"), gauge="new probe", gauge_u_degc=None), "the old one broke")
    assert gauge_of(shop, "third").certificate is None
    assert Gauge("probe", (), None, (OVER,)) in shop.gauges()
    assert [w for w in what_waits(shop) if w.kind == "certificate"] == []  # nothing is measured with it
    certify(shop, "probe", VALID)
    assert gauge_meant(shop, "Probe").certificates == (OVER, VALID)


def test_how_sure_a_gauge_is_is_said_once_and_put_right_on_any_line(shop):
    shop.save_line(replace(shop.line("back"), gauge_u_degc=1.5), "read on its sheet")
    assert (sure(shop, "back"), sure(shop, "front"), sure(shop, "third")) == (1.5, 1.5, 2.2)
    shop.save_line(replace(shop.line("front"), gauge_u_degc=1.0), "misread")
    assert [line.gauge_u_degc for line in shop.lines()] == [1.0, 1.0, None]
    shop.save_line(replace(shop.line("back"), coupons_per_sheet=6), "counted again")
    assert [line.gauge_u_degc for line in shop.lines()] == [1.0, 1.0, None]
    before = shop.audit()
    for line in shop.lines():
        shop.save_line(line)  # nothing new is said
    shop.save_line(replace(shop.line("front"), gauge_u_degc=None))
    assert shop.audit() == before
    for name in ("back", "front"):
        shop.save_line(replace(shop.line(name), gauge="probe", gauge_u_degc=None), "it is away")
    shop.save_line(Line("fifth", gauge="STRIP 3"))
    assert shop.line("fifth").gauge_u_degc == 1.0


def test_a_certificate_of_an_older_book_is_that_of_the_gauge_its_line_named_then(shop):
    data = {"number": "C 7", "issuer": "a laboratory", "valid_until": ON.isoformat()}
    shop.save_note(OF_LINE, "back", data)
    assert gauge_of(shop, "front").certificate == OVER
    shop.save_line(replace(BACK, gauge="probe"), "the other one is away")
    assert gauge_of(shop, "back").certificate is None
    assert gauge_of(shop, "front").certificate == OVER
    shop.save_line(Line("bare"))
    shop.save_note(OF_LINE, "bare", {**data, "number": "C 9"})
    assert [(g.name, g.lines) for g in shop.gauges()][-1] == ("", ("bare",))
    shop.save_line(Line("bare", gauge="strip 9"), "it has a name")
    assert gauge_meant(shop, "strip 9").certificate.number == "C 9"


def test_gauges_and_certificates_are_carried_with_a_book(shop, place, tmp_path):
    certify(shop, "back", OVER)
    shop.save_line(replace(shop.line("third"), gauge_u_degc=0.8), "its sheet")
    shop.save_note(OF_LINE, "third", {"number": "C 9", "issuer": "a laboratory", "valid_until": ON.isoformat()})
    shop.save_line(replace(shop.line("third"), gauge="strip 9", gauge_u_degc=None), "the probe is away")
    shop.export(tmp_path / "shop.zip")
    with Book.open(place("other"), who="ben") as other:
        other.import_(tmp_path / "shop.zip")
        assert other.gauges() == shop.gauges()
        assert other.check() == []


@pytest.mark.in_file("a stored file of an older program")
@pytest.mark.parametrize("schema", ["0001", "0002", "0003", "0004", "0005"])
def test_the_gauge_of_an_older_book_is_certified_as_any(tmp_path, schema):
    script = Path(__file__).parents[2] / "book" / f"book_of_schema_{schema}.sql"
    with closing(sqlite3.connect(tmp_path / "old.sqlite")) as raw:
        raw.executescript(script.read_text(encoding="utf-8"))
    with Book.open(tmp_path / "old.sqlite", who="ana") as book:
        (line,) = book.lines()
        certify(book, line.name)
        book.save_line(Line("new", gauge=line.gauge))
        assert (gauge_of(book, "new").certificate == VALID) == bool(line.gauge)
        assert gauge_of(book, line.name).certificate == VALID
        assert book.check() == []
