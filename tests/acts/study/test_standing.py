"""One study walked through everything that may be known of it: each command and page says the same."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Any, get_args

import pytest

from doe.acts.base import RECOMMEND, today, version
from doe.acts.confirmation.plan import ClaimWishes, plan_confirmation
from doe.acts.demo.story import read_rounds, read_story
from doe.acts.study.known import keep_known
from doe.acts.study.standing import standing_of
from doe.domain.plan_kinds import CONFIRM
from doe.domain.score import ScoreEntry
from doe.domain.standing import State
from doe.domain.units import METRIC
from doe.office.pages import pages
from doe.words.facts import texts_of
from doe.words.study.standing import FRAMES, headline
from doe.words.study.typed import KnownOptions
from doe.words.typography import NO_BREAK
from doe.words.wording import day as date_words
from tests.acts.recipe.samples import NAME, STUDY, TYPED
from tests.bench.shop import Device, make_desk
from tests.shop import Shop

WIDE = {"COLUMNS": "400"}
PLANNED = {"making", "washing", "unanswered", "more", "distrusted", "unreachable", "ready", "confirming", "confirmed"}
ANSWERED = {"more", "distrusted", "unreachable", "ready", "confirming", "confirmed"}
RELEASED = {"released", "doubtful", "retired"}


def words(text: str) -> str:
    """What a person reads of a page."""
    body = re.sub(r"<(style|script).*?</\1>", "", text, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", body)).replace(NO_BREAK, " ").split())


NEXT = re.compile(r"^Next:\n(.*)", re.MULTILINE)
"""What to do first."""


def style(page: str) -> str:
    """The style in which a page shows the standing: its colour."""
    found = re.search(r'class="(?:stands|verdict|standing) (\w*)"', page)
    return found[1] if found else "none"


@pytest.fixture
def light_report(monkeypatch: pytest.MonkeyPatch) -> None:
    """A report without its pictures, reasons and classical tables: they are slow and say nothing of the standing."""
    for pictures in ("map", "strip", "run", "effect"):
        monkeypatch.setattr(f"reports.study.page.{pictures}_pictures", lambda *_: ())
    monkeypatch.setattr("reports.study.page.why_reasons", lambda _: ((), ()))
    monkeypatch.setattr("reports.study.page.maps_of", lambda *_: [])
    monkeypatch.setattr("reports.study.page.effect_tables", lambda _: ())


@dataclass
class Walk:
    """A study on its way, with a tablet at the press beside it."""

    shop: Shop
    tablet: Device
    seed: int = 100

    study: str = STUDY
    styles: dict[str, str] = field(default_factory=dict)

    def commands(self, state: str) -> Iterator[tuple[str, str]]:
        """What every command tells of the study in this state, as it is printed."""
        asked = [("study", "show", self.study)]
        if state in ANSWERED and self.study == STUDY:
            asked.append(("recommend", self.study))
        if state in ("confirming", "refused", "confirmed"):
            asked.append(("confirm", self.study))
        if state in RELEASED:
            asked.append(("recipe", "show", NAME))
        for command in asked:
            yield (
                command[0] if command[0] in ("recommend", "confirm") else " ".join(command[:2]),
                self.shop.good(*command, env=WIDE).out,
            )

    def screens(self, state: str) -> Iterator[tuple[str, str]]:
        """Every command and page that tells of a study in this state: its name and what it says."""
        is_known = self.study != STUDY
        yield "study show", words(self.shop.good("study", "show", self.study, env=WIDE).out)
        listed = self.shop.good("study", "list", "--json").json["studies"]
        yield "study list", next(each["standing"] for each in listed if each["name"] == self.study)
        number = 2 if is_known else 1
        for name, address in (("page at the press", f"/s/{number}"), ("page of the study", f"/study/{number}")):
            self.styles[name] = style(self.tablet.get(address).text)
            yield name, words(self.tablet.get(address).text)
        if state in PLANNED:
            yield "sheet", self.page("sheet", self.study)
        if is_known:
            yield "report", self.page("report", self.study)
        elif state in ANSWERED:
            yield "recommend", words(self.shop.good("recommend", STUDY, env=WIDE).out)
            yield "report", self.page("report", STUDY)
        if state in ("confirming", "refused", "confirmed"):
            yield "confirm", words(self.shop.good("confirm", self.study, env=WIDE).out)
            yield "confirmation page", self.page("confirm", self.study)
        if state in RELEASED:
            yield "recipe show", words(self.shop.good("recipe", "show", NAME, env=WIDE).out)
            yield "card", self.page("recipe", "card", NAME)

    def page(self, *command: str) -> str:
        """A page that a command writes."""
        path = self.shop.folder / "page.html"
        self.shop.good(*command, "-o", str(path))
        text = path.read_text(encoding="utf-8")
        self.styles[" ".join(command[:2])] = style(text)
        return words(text)

    def stands(self, state: str, said: str) -> None:
        """Every screen says the same of the study as it stands."""
        with self.shop.open() as book:
            known = standing_of(book, self.study)
        assert (known.state, headline(known)) == (state, said)
        self.styles.clear()
        silent = [name for name, text in self.screens(state) if said not in text]
        assert silent == []
        assert {name: seen for name, seen in self.styles.items() if seen != FRAMES[state]} == {}  # type: ignore[index]
        told = {name: found[1].strip() for name, out in self.commands(state) if (found := NEXT.search(out))}
        if told.get("study show", "").startswith("doe confirm"):
            told.pop("confirm", None)  # the command that is itself the next step says what comes after it
        assert len(set(told.values())) <= 1, told
        others = {"Ready for confirmation coupons", "More coupons first", "Do not trust this yet"} - {
            said.split(":", maxsplit=1)[0]
        }
        loud = [(name, other) for name, text in self.screens(state) for other in others if other in text]
        assert loud == []

    def do(self, act: Callable[[Any], object]) -> None:
        """Do something with the book."""
        with self.shop.open() as book:
            act(book)

    def answer(self, **changes: Any) -> None:
        """Keep the newest answer once more, with parts of it as another study would have had them."""
        self.seed += 1
        with self.shop.open() as book:
            kept = book.analyses(STUDY, RECOMMEND)[-1]
            payload = {**kept.payload, **changes, "seed": kept.seed}
            book.save_analysis(
                STUDY,
                kind=RECOMMEND,
                inputs_hash=kept.inputs_hash,
                seed=self.seed,
                version=version(),
                payload=payload,
            )


@pytest.mark.usefixtures("few_draws")
def test_every_screen_says_the_same_of_a_study_from_its_plan_to_its_retirement(shop_with, monkeypatch, light_report):
    shop = shop_with(0)
    desk = make_desk(shop.book, is_local=True, more_pages=pages)
    walk = Walk(shop, desk.device("ana"))
    walk.stands("unplanned", "No coupon is planned yet")

    made = read_rounds(read_story())[0]
    entries = [entry for entry in made.entries if not entry.void_reason]
    void = [entry for entry in made.entries if entry.void_reason]
    coupons = len(entries)
    walk.do(lambda book: book.save_round(STUDY, made.coupons, kind=made.kind, seed=1, scale="surface"))
    walk.do(lambda book: book.record(STUDY, void))
    walk.stands("making", f"Waiting for coupons: 0 of {coupons} scored")

    at_press = [replace(e, checks={n: v for n, v in e.checks.items() if not n.startswith("wash")}) for e in entries]
    passed = sum(all(e.checks.values()) for e in at_press)
    walk.do(lambda book: book.record(STUDY, at_press))
    walk.stands("washing", f"Waiting for the wash: {passed} passed coupons")
    shop.good("recommend", STUDY)
    walk.answer(verdict="ready")
    walk.stands("washing", f"Waiting for the wash: {passed} passed coupons")
    told = walk.shop.good("recommend", STUDY, env=WIDE).out
    assert "counting in what the checks to come may show" in " ".join(told.split())
    assert "the one before the wash" not in told
    assert f'doe record "{STUDY}" --washes' in told

    walk.do(lambda book: book.record(STUDY, [ScoreEntry(e.coupon, e.checks) for e in entries]))
    with shop.open() as book:
        rows = [c for c in book.coupon_states(STUDY) if c.passed and c.unfinished]
        assert not rows
    shop.good("recommend", STUDY)
    walk.answer(verdict="more coupons", limits_on_certainty=[])
    walk.stands("more", "More coupons first")
    doubted = {"code": "contradicted", "values": {"names": ["R1-03"]}}
    walk.answer(verdict="more coupons", limits_on_certainty=[doubted])
    walk.stands("distrusted", "Do not trust this yet: the results contradict the map")
    assert "look at R1-03 again" in shop.good("study", "show", STUDY, env=WIDE).out
    walk.answer(verdict="not reachable", limits_on_certainty=[])
    walk.stands("unreachable", "Probably no tested setting reaches the target")
    walk.answer(verdict="ready", limits_on_certainty=[])
    walk.stands("ready", "Ready for confirmation coupons")

    walk.do(lambda book: plan_confirmation(book, STUDY, ClaimWishes((0.8,), 0.8, corners=0)))
    with shop.open() as book:
        checks = [c.name for c in book.study(STUDY).study.spec.checks]
        mine = [c.coupon for c in book.coupon_states(STUDY) if c.kind == CONFIRM]
    good = [ScoreEntry(c, dict.fromkeys(checks, True), hand={"ana": 4.5, "ben": 4.5}) for c in mine]
    walk.stands("confirming", f"Confirming: 0 of {len(mine)} coupons")
    walk.do(lambda book: book.record(STUDY, good[:3]))
    walk.stands("confirming", f"Confirming: 3 of {len(mine)} coupons")
    walk.do(lambda book: book.record(STUDY, good))
    walk.stands("confirmed", "Confirmed: 80 % of prints; wanted were 95 %")

    shop.good("release", STUDY, *TYPED)
    walk.stands("released", "Released as revision 1")
    assert "Released as revision 1" in walk.page("report", "--recipe", NAME)
    assert "Released as revision 1" in walk.page("report", STUDY)

    day = date_words(today())
    with shop.open() as book:
        before = book.study(STUDY).study
        hot = book.recipe(NAME).recipe.setting("press_temp").surface - 1
    factors = tuple(replace(f, high=hot) if f.name == "press_temp" else f for f in before.factors)
    strict = replace(before, factors=factors, limits=replace(before.limits, film_max_degc=max(hot, 150.0)))
    walk.do(
        lambda book: book.amend_study(
            STUDY, replace(strict, limits=replace(strict.limits, press_max_degc=hot)), "new sheet"
        )
    )
    walk.stands("doubtful", f"In doubt since {day}: beyond a limit")
    walk.do(lambda book: book.amend_study(STUDY, before, "the sheet was of another press"))
    walk.stands("released", "Released as revision 1")

    with monkeypatch.context() as later:
        later.setattr("doe.acts.study.standing.today", lambda: today() + timedelta(days=121))
        due = date_words(today() + timedelta(days=120))
        desk.bench.shop._found.clear()  # a day has passed, and nothing was stored
        walk.stands("doubtful", f"In doubt since {due}: readings out of date")
    desk.bench.shop._found.clear()
    walk.stands("released", "Released as revision 1")

    walk.do(lambda book: book.record(STUDY, [ScoreEntry(mine[0], {checks[-1]: False})], why="shed in the fifth wash"))
    walk.stands("doubtful", f"In doubt since {day}: a check failed")
    assert "In doubt since" in walk.page("report", "--recipe", NAME)

    shop.good("recipe", "retire", NAME, "--why", "another powder")
    walk.stands("retired", f"Retired on {day}")
    desk.bench.shop.close()


def test_every_screen_says_the_same_of_known_settings_that_nobody_searched_for(shop_with):
    shop, name = shop_with(0), "sheet of the film"
    with shop.open() as book:
        limits = replace(book.study(STUDY).study.limits, press_max_degc=149.0)
        stack, line = book.study(STUDY).stack.name, book.study(STUDY).line.name
        settings = ["cure_temp=120", "cure_time=120", "press_temp=150", "dwell=12"]
        target: dict[str, Any] = {"pass_rate": "80%", "hand_min": "none", "assurance": "80%"}
        keep_known(book, KnownOptions(name, stack, line, settings, "the maker's sheet", **target), METRIC)
    desk = make_desk(shop.book, is_local=True, more_pages=pages)
    walk = Walk(shop, desk.device("ana"), study=name)
    walk.stands("limits", "Limits of the data sheets are missing")
    walk.do(lambda book: book.amend_study(name, book.study(name).study.with_limits(limits), "sheets"))
    walk.stands("limits", "A known setting lies beyond a limit")
    limits = replace(limits, press_max_degc=190.0)
    walk.do(lambda book: book.amend_study(name, book.study(name).study.with_limits(limits), "mistyped"))
    walk.stands("known", "Settings known, not confirmed yet")

    for attempt, is_good in ((1, False), (2, True)):
        walk.do(lambda book: plan_confirmation(book, name, ClaimWishes((0.8,), 0.8)))
        with shop.open() as book:
            checks = [c.name for c in book.study(name).study.spec.checks]
            mine = [c.coupon for c in book.coupon_states(name) if c.round == attempt]
        scored = [ScoreEntry(c, dict.fromkeys(checks, is_good)) for c in mine]
        walk.stands("confirming", f"Confirming: 0 of {len(mine)} coupons")
        walk.do(lambda book, scored=scored: book.record(name, scored))
        walk.stands(*(("confirmed", "Confirmed: 80 % of prints") if is_good else ("refused", "Not confirmed")))
    shop.good("release", name, *TYPED)
    walk.stands("released", "Released as revision 1: confirmed, not searched")
    assert "confirmed, not searched" in walk.page("report", "--recipe", NAME)
    shop.good("recipe", "retire", NAME, "--why", "the maker took the sheet back")
    walk.stands("retired", f"Retired on {date_words(today())}")
    desk.bench.shop.close()


def test_every_state_has_its_frame_its_headline_and_its_meaning():
    heads, leads = texts_of("standing", "headlines"), texts_of("standing", "leads")
    assert set(FRAMES) == set(get_args(State))
    assert set(heads) - {"given up"} == set(leads)
    assert {code.partition(" ")[0] for code in leads} == set(get_args(State))
    assert set(texts_of("standing", "steps")) <= set(leads)
