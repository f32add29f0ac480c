"""What takes seconds is worked out beside the page: it answers at once, tells how far it is, and looks again."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from typing import Any
from urllib.parse import quote

import pytest

import doe.office.works
from doe.acts.comparison.plan import Wanted, begin_comparison
from doe.acts.confirmation.plan import ClaimWishes, plan_confirmation
from doe.acts.study.drawings import drawings_sum
from doe.acts.study.fits import recommend_study
from doe.acts.study.standing import answer_kept
from doe.bench.beside import OutOfDateError, Rank
from doe.book.book import Book
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from doe.domain.units import METRIC
from doe.office.study import SIZES
from doe.office.works import draw
from tests.acts.recipe.samples import STUDY
from tests.bench.shop import Device, PageUnderTest, hidden_fields

LONGEST = 5.0
"""Seconds that a page may take on a busy machine; what it must not wait for never ends before somebody lets it."""
AGAIN = 'http-equiv="refresh"'
RECIPE = "fine powder on the heavy tee"


class Slow:
    """An act in the place of another one: it tells a share, and goes on only when it is let."""

    def __init__(self, act: Callable[..., Any], *, tells: bool) -> None:
        self._act, self._tells = act, tells
        self.may, self.asked = threading.Event(), 0

    def __call__(self, *given: Any, **more: Any) -> Any:
        self.asked += 1
        if self._tells:
            more["progress"](0.4)
        assert self.may.wait(60)
        return self._act(*given, **more)


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Slow]]:
    made: list[Slow] = []

    def put(name: str, *, tells: bool = False) -> Slow:
        made.append(Slow(getattr(doe.office.works, name), tells=tells))
        monkeypatch.setattr(f"doe.office.works.{name}", made[-1])
        return made[-1]

    yield put
    for each in made:
        each.may.set()


def at_once(device: Device, path: str) -> str:
    """A page that waits for nothing."""
    began = time.monotonic()
    text = str(device.get(path).text)
    assert time.monotonic() - began < LONGEST
    return text


def by_itself(device: Device, path: str, words: str) -> str:
    """The page as it is once it has looked again often enough."""
    for _ in range(600):
        text = str(device.get(path).text)
        if AGAIN not in text:
            assert words in text
            return text
        time.sleep(0.05)
    raise AssertionError(f"{words} never came")


@pytest.fixture
def ready(office_over, shop_with) -> PageUnderTest:
    """Pages over a study that is ready to be confirmed."""
    shop = shop_with(2)
    with shop.open() as book:
        recommend_study(book, STUDY)
    return office_over(shop.book)


def test_claims_of_a_confirmation(ready, slow):
    claims = slow("compare_claims_for", tells=True)
    ana, ben = ready.device("ana"), ready.device("ben", address="192.168.7.21")
    before = ready.bench.shop.last_act()
    text = at_once(ana, "/study/1")
    for words in ("Ready for confirmation", "What to dial in", "Working out what a confirmation costs"):
        assert words in text
    assert f'<meta {AGAIN} content="1;url=/study/1">' in text
    assert 'action="/confirm/1"' not in text
    for _ in range(200):
        if "40 % done" in at_once(ana, "/study/1"):
            break
        time.sleep(0.05)
    else:
        raise AssertionError("nobody is told how far it is")
    assert AGAIN in at_once(ben, "/study/1")
    claims.may.set()
    text = by_itself(ben, "/study/1", 'action="/confirm/1"')
    assert "of prints pass" in text
    assert 'action="/confirm/1"' in at_once(ana, "/study/1")
    assert ready.bench.shop.last_act() == before
    # once for both devices, and not again after an act that changes nothing of what it is made from
    with Book.open(ready.place, who="ana") as book:
        book.save_note("remark", STUDY, {"text": "swept the floor"})
    assert 'action="/confirm/1"' in at_once(ana, "/study/1")
    assert claims.asked == 1


def test_what_plans_cost(office_over, shop_with, slow):
    office, compared = office_over(shop_with(0).book), slow("compare_for")
    ana, ben = office.device("ana"), office.device("ben", address="192.168.7.21")
    text = at_once(ana, "/study/1")
    for words in ("No coupon is planned yet", "Working out what plans cost"):
        assert words in text
    assert f'<meta {AGAIN} content="1;url=/study/1">' in text
    assert 'action="/plan/1"' not in text
    compared.may.set()
    text = by_itself(ben, "/study/1", 'action="/plan/1"')
    assert re.search(r'name="plan" value="\w+\|20" checked', text)
    # once for both devices, and not again after an act that changes nothing of what it is made from
    with Book.open(office.place, who="ana") as book:
        book.save_note("remark", STUDY, {"text": "swept the floor"})
    assert 'action="/plan/1"' in at_once(ana, "/study/1")
    assert compared.asked == len(SIZES)


def test_drawings_of_an_answer_that_stands_no_more_are_dropped(ready, monkeypatch):
    with Book.open(ready.place, who="ana") as book:
        record = book.study(1)
        kept = answer_kept(book, record)
        inputs = drawings_sum(book, record)
        first = str(book.plan_coupons(1)["coupon"].iloc[0])
        book.record(1, [ScoreEntry(first, {}, void_reason="dropped")])
        monkeypatch.setattr("doe.office.works.draw_study", None)  # it is not even begun
        with pytest.raises(OutOfDateError):
            draw(book, record, kept, inputs, METRIC, progress=lambda share: None)
    jobs, work = ready.bench.jobs, partial(draw, record=record, kept=kept, inputs=inputs, shown=METRIC)
    jobs.start("old", "Drawing", "ana", work, lambda made: "/", rank=Rank.ADDED)
    for _ in range(600):
        if jobs.find("old") is None:
            break
        time.sleep(0.05)
    assert jobs.find("old") is None
    assert ready.errors == []


def test_what_is_typed_is_not_lost_while_claims_are_worked_out(ready, slow):
    slow("compare_claims_for", tells=True)
    ana = ready.device("ana")
    data = {**hidden_fields(ana.get("/begin").text, "/begin-materials"), "put_away_why": ""}
    sent = ana.client.post("/put-away/1", data=data, headers={"Origin": ana.origin})
    assert sent.status_code == 422
    assert "Why it is put away: found" in sent.text
    assert AGAIN not in sent.text
    assert "Look now" in sent.text


def test_claims_for_another_confirmation_in_the_place_of_one_under_way(ready, slow):
    with Book.open(ready.place, who="ana") as book:
        plan_confirmation(book, STUDY, ClaimWishes((0.9,), 0.8))
    claims = slow("compare_claims_for", tells=True)
    ana = ready.device("ana")
    text = at_once(ana, "/confirm/1")
    assert "Working out what a confirmation costs" in text
    assert f'<meta {AGAIN} content="1;url=/confirm/1">' in text
    claims.may.set()
    assert "Why the one under way is given up" in by_itself(ana, "/confirm/1", 'action="/confirm/1"')


def test_what_cannot_be_worked_out_is_said_and_the_page_stays(ready, monkeypatch):
    def broken(*given: object, **more: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("doe.office.works.compare_claims_for", broken)
    ana = ready.device("ana")
    text = by_itself(ana, "/study/1", "This could not be worked out")
    assert "What to dial in" in text
    assert [type(error) for error in ready.errors] == [ZeroDivisionError]
    ready.errors.clear()


def test_the_verdict_of_a_comparison(office_over, demo_book, tmp_path, slow):
    place = tmp_path / "shop.sqlite"
    place.write_bytes(demo_book.read_bytes())
    with Book.open(place, who="Ana") as book:
        powder = book.recipe(RECIPE).recipe.stack.powder
        begun = begin_comparison(book, RECIPE, Wanted(parts={"powder": replace(powder, lot="P-09")}))
        number, checks = begun.record.id, [c.name for c in begun.record.study.spec.checks]
        rows = book.plan_coupons(number).to_dict("records")
        hands = [4.0 + 0.5 * (i // 3 % 2) for i in range(len(rows))]
        scores = [
            ScoreEntry(str(row["coupon"]), dict.fromkeys(checks, True), hand={"Ana": hand})
            for row, hand in zip(rows, hands, strict=True)
        ]
        book.record(number, scores)
    office, judged = office_over(place), slow("judged_now")
    ana, before = office.device("Ana"), office.bench.shop.last_act()
    text = at_once(ana, f"/study/{number}")
    for words in ("A comparison of materials", "Working out what the comparison says", "The recipe"):
        assert words in text
    assert f'<meta {AGAIN} content="1;url=/study/{number}">' in text
    judged.may.set()
    by_itself(ana, f"/study/{number}", "Same recipe holds.")
    assert "Keep this verdict" in at_once(ana, f"/study/{number}")
    assert office.bench.shop.last_act() == before
    # kept by what it is made from: the verdict in the book changes the page, and is no other verdict
    with Book.open(place, who="Ana") as book:
        book.save_note("remark", STUDY, {"text": "swept the floor"})
    assert "Same recipe holds." in at_once(ana, f"/study/{number}")
    assert judged.asked == 1


@pytest.mark.parametrize(
    ("act", "path", "words"),
    [
        ("report_page", "/paper/1/report", 'class="to-tool"'),
        ("write_story", f"/recipe/{quote(RECIPE)}/why", 'class="to-tool"'),
    ],
)
def test_a_page_is_written_once_for_what_it_is_made_from(office_over, demo_book, slow, act, path, words):
    office, written = office_over(demo_book), slow(act)
    written.may.set()
    ana = office.device("Ana")
    first = by_itself(ana, path, words)
    assert at_once(ana, path) == first
    with Book.open(demo_book, who="Ana") as book:  # what is scored in another study is nothing to it
        other = max(record.id for record in book.studies())
        assert other != 1
        book.record(other, [ScoreEntry(str(book.plan_coupons(other)["coupon"].iloc[0]), {}, hand={"Zed": 4.0})])
    assert at_once(ana, path) == first
    assert written.asked == 1
    with Book.open(demo_book, who="Ana") as book:
        book.save_note("remark", "floor", {"text": "swept"})
    by_itself(ana, path, words)
    assert written.asked == 2


def test_an_answer_is_worked_out_once_for_what_it_is_made_from(ready, monkeypatch):
    def never(*given: object, **more: object) -> None:
        raise AssertionError("the book holds the answer")

    monkeypatch.setattr("doe.office.works.recommend_study", never)
    ana = ready.device("ana")
    data = hidden_fields(ana.get("/begin").text, "/begin-materials")
    sent = ana.client.post("/answer/1", data=data, headers={"Origin": ana.origin})
    assert str(sent.url).endswith("/study/1")
    assert "What to dial in" in sent.text


def drawn_in(text: str) -> list[str]:
    """Figures of a page, as they are drawn."""
    return re.findall(r'<div class="plot (?:room|map)".*?</svg></div>', text, flags=re.DOTALL)


def test_strips_and_maps_of_an_answer_are_those_of_its_report(ready, slow):
    draws = slow("draw_study", tells=True)
    ana, before = ready.device("ana"), ready.bench.shop.last_act()
    text = at_once(ana, "/study/1")
    # nothing waits for them: forms are there to be filled in, and a tap looks again
    for words in ("What to dial in", "Drawing room and maps", 'data-fill="/study/1"', 'href="/study/1#drawn"'):
        assert words in text
    assert 'action="/confirm/1"' in by_itself(ana, "/study/1", 'data-fill="/study/1"')
    draws.may.set()
    text = until(ana, "Two settings at a time")
    assert "data-fill" not in text
    assert ready.bench.shop.last_act() == before
    here = drawn_in(text)
    assert len(here) == 6
    for _ in range(600):
        report = ana.get("/paper/1/report").text
        if "Study report" in report:
            break
        time.sleep(0.05)
    assert drawn_in(report) == [*here, *drawn_in(report)[6:]]
    # kept by what they are made from: a remark changes nothing of it, another dial does
    with Book.open(ready.place, who="ana") as book:
        book.save_note("remark", STUDY, {"text": "swept the floor"})
    assert drawn_in(at_once(ana, "/study/1")) == here
    assert draws.asked == 1
    with Book.open(ready.place, who="ana") as book:
        line = book.study(1).line.name
        reading = GaugeReading("press", 150.0, None, 140.0, taken_at=datetime.now(UTC))
        book.add_gauge_reading(line, reading)
    at_once(ana, "/study/1")
    assert drawn_in(until(ana, "Two settings at a time")) != here
    assert draws.asked == 2


def until(device: Device, words: str) -> str:
    """The page once something has come in."""
    for _ in range(600):
        text = str(device.get("/study/1").text)
        if words in text and AGAIN not in text:
            return text
        time.sleep(0.05)
    raise AssertionError(f"{words} never came")


def test_drawings_that_fail_leave_the_page_as_it_is(ready, monkeypatch):
    def broken(*given: object, **more: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("doe.office.works.draw_study", broken)
    text = until(ready.device("ana"), "This could not be worked out")
    assert "What to dial in" in text
    assert "data-fill" not in text
    ready.errors.clear()
