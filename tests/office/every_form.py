"""The demo's shop with a study in every state that offers forms of its own; no fit is made for it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from doe.acts.base import RECOMMEND, version
from doe.acts.comparison.plan import Wanted, begin_comparison
from doe.acts.confirmation.plan import ClaimWishes, plan_confirmation
from doe.acts.demo.story import read_rounds, read_story
from doe.acts.recipe.days import keep_day
from doe.acts.study.change import copy_study
from doe.acts.study.inputs import hash_now
from doe.acts.study.rounds import is_comparison
from doe.assure.days import Given
from doe.book.book import Book
from doe.domain.plan_kinds import JUDGING
from doe.domain.score import ScoreEntry


def fill(place: Path, recipe: str) -> list[str]:
    """Fill the demo's book; pages of studies whose forms nothing else offers."""
    made, pages = read_rounds(read_story())[0], []
    with Book.open(place, who="ana") as book:

        def copy(name: str, *, planned: bool = True, scored: bool = True) -> int:
            number = copy_study(book, 1, name).record.id
            if planned:
                book.save_round(number, made.coupons, kind=made.kind, seed=made.seed, notes=("Invented coupons.",))
            if planned and scored:
                book.record(number, made.entries)
            pages.append(f"/study/{number}")
            return number

        copy("to be planned", planned=False)
        making = copy("being made", scored=False)
        pages.append(f"/s/{making}")
        copy("planned", scored=False)
        copy("to be answered")

        def answered(name: str, **more: str) -> int:
            record = book.study(copy(name))
            payload = {**book.latest_analysis(1, RECOMMEND).payload, **more}
            total = hash_now(book, record)
            book.save_analysis(record.id, kind=RECOMMEND, inputs_hash=total, seed=1, version=version(), payload=payload)
            return record.id

        answered("to go on", verdict="more coupons")
        for name, is_done in (("being confirmed", False), ("to be released", True)):
            number = answered(name)
            plan_confirmation(book, number, ClaimWishes((0.9,), 0.8))
            _score(book, number, is_done=is_done)
        pages.append(f"/confirm/{number - 1}")
        book.archive_study(copy("put away"), "another order")
        for _ in range(3):  # so that the recipe is in doubt
            keep_day(book, recipe, Given(prints=3, failed=3))
        powder = book.recipe(recipe).recipe.stack.powder
        for lot, staged in (("P-08", False), ("P-09", True)):
            wanted = Wanted(parts={"powder": replace(powder, lot=lot)}, staged=staged)
            number = begin_comparison(book, recipe, wanted).record.id
            _score(book, number, failing=1 if staged else 30)
            pages.append(f"/study/{number}")
    return pages


def _score(book: Book, study: int, *, failing: int = 0, is_done: bool = True) -> None:
    """Score judging rounds that have no score yet: so many of a new material fail; else one is void."""
    record, scored = book.study(study), book.results(study, include_void=True)
    rounds = [r.round for r in book.plan_info(study).rounds if r.kind in JUDGING or is_comparison(book, study)]
    waiting = scored[scored["passed"].isna() & scored["round"].isin(rounds)]
    checks = [c.name for c in record.study.spec.checks]
    coupons = book.plan_coupons(study).set_index("coupon")
    new = [c for c in waiting["coupon"] if failing and coupons.loc[c, "material"] == "new"]
    entries = []
    for name in waiting["coupon"] if is_done else waiting["coupon"][:1]:
        bad = name in new[:failing]
        scored_now = ScoreEntry(name, dict.fromkeys(checks, not bad), hand={} if bad else {"ana": 4.5, "ben": 4.5})
        entries.append(scored_now if is_done else ScoreEntry(name, {}, void_reason="dropped"))
    book.record(study, entries)
