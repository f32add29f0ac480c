"""What waits over a book, in order, in words and as a calendar that a reader of the standard takes in."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from doe.acts.diagnosis import CASE, close_case
from doe.acts.waiting import what_waits
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from doe.domain.spec import Check, Spec
from doe.domain.stack import Line, Material, Stack
from doe.domain.standing import Waits, overdue
from doe.words.waiting import what_words, when_words
from reports.waiting import waiting_calendar
from tests.book.samples import make_plan, make_study
from tests.postgres import Place

CHECKS = (
    Check("release", "lets go"),
    Check("look_24h", "no dye", after_hours=24),
    Check("look_72h", "no dye later", after_hours=72),
    Check("wash_1", "sound after 1 wash", 1),
)
ON = date(2031, 3, 5)


def shop(path: Path | str) -> Book:
    book = Book.open(path, who="ana")
    book.save_stack(Stack("s", Material("tee"), Material("film"), Material("powder")))
    book.save_line(Line("room"))
    number = book.add_study(replace(make_study("dyed"), spec=Spec(checks=CHECKS)), stack="s", line="room")
    book.save_round(number, make_plan(3), kind="full", seed=7, notes=[])
    return book


def test_a_coupon_waits_for_the_look_that_comes_first_and_then_for_the_next(place: Place) -> None:
    with shop(place()) as book:
        assert [(w.kind, w.coupons) for w in what_waits(book)] == [("coupons", ("R1-01", "R1-02", "R1-03"))]
        book.record(
            "dyed", [ScoreEntry("R1-01", checks={"release": True}), ScoreEntry("R1-02", checks={"release": False})]
        )
        found = what_waits(book)
        assert [(w.kind, w.check, w.coupons) for w in found] == [
            ("look", "no dye", ("R1-01",)),
            ("coupons", "", ("R1-03",)),
        ]
        at = book.history(1)[0].at
        assert found[0].due == at + timedelta(hours=24)
        book.record("dyed", [ScoreEntry("R1-01", checks={"look_24h": True})])
        assert next((w.kind, w.check) for w in what_waits(book)) == ("wash", "sound after 1 wash")
        book.record("dyed", [ScoreEntry("R1-01", checks={"wash_1": True})])
        (look, _) = what_waits(book)
        assert (look.check, look.due) == ("no dye later", at + timedelta(hours=72))
        book.record("dyed", [ScoreEntry("R1-01", checks={"look_72h": False})])
        assert [w.kind for w in what_waits(book)] == ["coupons"]


def test_an_open_case_waits_under_its_first_number_until_its_coupon_passed(place: Place) -> None:
    with Book.open(place(), who="ana") as book:
        first, other = (book.save_note(CASE, "r", {"symptoms": ["dust"], "cause": "", "note": n}) for n in "ab")
        assert [(w.kind, w.check, w.day) for w in what_waits(book)] == [("case", str(n), None) for n in (first, other)]
        assert close_case(book, first, "failed", "why") == first
        assert close_case(book, first, "passed", "why") == first  # it keeps its number
        assert [w.check for w in what_waits(book)] == [str(other)]
        with pytest.raises(InputError, match=f"allowed: .*{other}"):
            close_case(book, 99, "passed", "why")


def test_machines_that_were_ever_measured_wait_for_the_next_time(place: Place) -> None:
    with shop(place()) as book:
        taken = datetime(2026, 1, 5, 12, tzinfo=UTC)
        book.add_gauge_reading("room", GaugeReading("press", 150, None, 146, taken_at=taken))
        gauge = what_waits(book)[0]
        assert (gauge.kind, gauge.name, gauge.machine, gauge.day) == ("gauge", "room", "press", date(2026, 5, 5))


def test_words_say_what_is_late_and_what_can_be_done_any_time() -> None:
    late = Waits("review", "tee", date(2031, 3, 1))
    assert when_words(late, ON) == "since 1 March 2031"
    assert when_words(Waits("gauge", "room", ON, machine="press"), ON) == "today"
    assert when_words(Waits("coupons", "s", None, coupons=("a",)), ON) == "any time"
    assert what_words(Waits("look", "s", ON, coupons=("a", "b"), check="no dye")) == "2 coupons to look at: no dye"
    assert overdue([late, Waits("gauge", "room", ON)], ON) == 1


def parsed(text: str) -> list[dict[str, str]]:
    """Entries of a calendar, read by the rules of RFC 5545: unfolded, then name, value, escapes taken out."""
    assert text.endswith("\r\n")
    for line in text.split("\r\n"):
        assert len(line.encode()) <= 75
    assert "\n" not in text.replace("\r\n", "")
    found: list[dict[str, str]] = []
    inside = []
    for line in text.replace("\r\n ", "").split("\r\n")[:-1]:
        name, _, value = line.partition(":")
        if name == "BEGIN":
            inside.append(value)
            if value == "VEVENT":
                found.append({})
        elif name == "END":
            assert inside.pop() == value
        elif inside == ["VCALENDAR", "VEVENT"]:
            plain = value.replace("\\\\", "\0").replace("\\n", "\n").replace("\\,", ",").replace("\\;", ";")
            assert name not in found[-1]
            found[-1][name] = plain.replace("\0", "\\")
    assert inside == []
    return found


def test_the_calendar_says_the_same_to_a_reader_of_the_standard() -> None:
    due = datetime(2031, 3, 6, 9, 30, tzinfo=UTC)
    name = "Ünder; a, long \\ name " * 4
    things = [Waits("wash", name, due, 1, ("C1", "C2"), "sound after 1 wash"), Waits("review", "tee", ON, 2)]
    things.append(Waits("coupons", "new", None, 3, ("C9",)))
    text = waiting_calendar(things, made_at=datetime(2031, 3, 5, 8, tzinfo=UTC), on=ON)
    wash, review, coupons = parsed(text)
    assert wash["DTSTART"] == "20310306T093000Z"
    assert wash["SUMMARY"] == f"Wash 2 coupons of {name}"
    assert wash["DESCRIPTION"].splitlines()[:2] == ["2 coupons to wash: sound after 1 wash", "C1, C2"]
    assert review["DTSTART;VALUE=DATE"] == coupons["DTSTART;VALUE=DATE"] == "20310305"
    assert len({entry["UID"] for entry in (wash, review, coupons)}) == 3
    later = waiting_calendar(things, made_at=datetime(2031, 3, 7, tzinfo=UTC), on=date(2031, 3, 7))
    assert [e["UID"] for e in parsed(later)] == [wash["UID"], review["UID"], coupons["UID"]]
