"""Which coupons of a study its fit learns from, which only judge an answer given, and how far all are scored."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from doe.acts.base import Key
from doe.book.book import Book
from doe.book.records import CouponState, PlanInfo, StudyRecord
from doe.domain.entry import OWN_PREFIX
from doe.domain.finding import Finding
from doe.domain.outcome import ACTUAL_PREFIX, HAND_PREFIX, ScoreCounts
from doe.domain.plan_kinds import (
    COMPARE,
    COMPARISON,
    COMPARISON_PLAN,
    CONFIRM,
    JUDGING,
    OPEN_VERDICTS,
    Scale,
    is_as_dialled,
    learning_rounds,
)

if TYPE_CHECKING:
    import pandas as pd

PEEL_WAIT = "peel_wait"
_PREFIXES = {ACTUAL_PREFIX: "actual:", HAND_PREFIX: "hand:"}


def results_to_learn_from(book: Book, key: Key, *, include_void: bool = False) -> pd.DataFrame:
    """Results of the rounds that search for the window, exactly as they would be if no other round had been made.

    Exactly, because an answer is recognised by a sum over these columns: a person who only felt confirmation coupons
    must not add a column to it, or the answer kept would no longer be the answer to "the same results".
    """
    whole = book.results(key, include_void=True)
    frame = whole if include_void else whole[whole["void"] == ""].reset_index(drop=True)
    info = book.plan_info(key)
    mine = learning_rounds(info.rounds)
    if len(mine) == len(info.rounds):
        return frame
    kept = frame[frame["round"].isin(mine)].reset_index(drop=True)
    belongs = _belonging(book, key, whole.loc[whole["round"].isin(mine), "coupon"])
    return kept.drop(columns=[c for c in kept.columns if not belongs(str(c), bool(kept[c].notna().any()))])


def columns_to_learn_from(book: Book, key: Key) -> dict[str, list[Any]]:
    """The same for those who need not wait for a frame, as `Book.result_columns` gives them, void coupons too."""
    columns = {name: _as_in_a_frame(values) for name, values in book.result_columns(key).items()}
    info = book.plan_info(key)
    mine = learning_rounds(info.rounds)
    if len(mine) == len(info.rounds):
        return columns
    rows = [i for i, number in enumerate(columns["round"]) if number in mine]
    kept = {name: [values[i] for i in rows] for name, values in columns.items()}
    belongs = _belonging(book, key, [columns["coupon"][i] for i in rows])
    return {n: values for n, values in kept.items() if belongs(n, any(v is not None for v in values))}


def _as_in_a_frame(values: list[Any]) -> list[Any]:
    """Numbers of a column as a frame keeps them: all of them are decimal where one is, or where one is missing."""
    kinds = {type(value) for value in values}
    decimal = kinds <= {int, float, type(None)} and kinds != {int} and kinds != {type(None)}
    return [None if value is None else float(value) for value in values] if decimal else values


def coupons_to_learn_from(book: Book, key: Key) -> pd.DataFrame:
    """Coupons of the rounds that search for the window."""
    return _of_rounds(book.plan_coupons(key), learning_rounds(book.plan_info(key).rounds))


def is_comparison(book: Book, key: Key) -> bool:
    """Whether a study is a comparison of materials."""
    return any(made.kind == COMPARE for made in book.plan_info(key).rounds)


def is_blind(book: Book, key: Key) -> bool:
    """Whether a study is a comparison that is scored by codes, its key kept apart."""
    planned = book.latest_analysis(key, COMPARISON_PLAN)
    return planned is not None and bool(planned.payload.get("blind"))


def by_code(book: Book, key: Key, coupons: pd.DataFrame) -> pd.DataFrame:
    """Coupons as whoever scores may see them: of a comparison scored blind without their material."""
    return coupons.drop(columns=["material"]) if is_blind(book, key) else coupons


def peel_waits(book: Book, key: Key) -> Mapping[str, float]:
    """Wait before the peel of each material of a comparison, in s, where its films do not share one; else empty."""
    planned = book.latest_analysis(key, COMPARISON_PLAN)
    return {} if planned is None else planned.payload.get("waits") or {}


def with_own_waits(book: Book, key: Key, coupons: pd.DataFrame) -> pd.DataFrame:
    """Coupons with the wait before the peel that each has, where the wait is a setting and two films have their own.

    Of coupons without their material it is left empty: it would tell which film they are.
    """
    waits = peel_waits(book, key)
    if not waits or PEEL_WAIT not in coupons:
        return coupons
    own = coupons["material"].map(waits) if "material" in coupons else float("nan")
    return coupons.assign(**{OWN_PREFIX + PEEL_WAIT: own})


def scale_of(book: Book, record: StudyRecord) -> Scale:
    """What the temperatures of a study's coupons are."""
    return "dial" if is_as_dialled(book.plan_info(record.id).rounds) else "surface"


def notes_to_learn_from(info: PlanInfo) -> tuple[Finding | str, ...]:
    """Notes of the rounds that search for the window, each once."""
    mine = learning_rounds(info.rounds)
    return tuple(dict.fromkeys(note for made in info.rounds if made.round in mine for note in made.notes))


def _of_rounds(coupons: pd.DataFrame, rounds: tuple[int, ...]) -> pd.DataFrame:
    return coupons[coupons["round"].isin(rounds)].reset_index(drop=True)


def _belonging(book: Book, key: Key, coupons: Iterable[str]) -> Callable[[str, bool], bool]:
    """Whether a column, filled somewhere or not, would be there if only these coupons had been made."""
    said = book.fields_said(key, coupons)

    def belongs(column: str, is_filled: bool) -> bool:
        for prefix, field in _PREFIXES.items():
            if column.startswith(prefix):
                return field + column.removeprefix(prefix) in said
        # where and how coupons are made: a column is there as soon as one coupon has a value in it
        always = column.startswith("check_") or column in ("passed", "side", "grade", "symptom", "note", "void")
        return always or is_filled

    return belongs


def score_counts(book: Book, key: Key) -> ScoreCounts:
    """Counts of the coupons that a study learns from, confirmation coupons apart; of all coupons of a comparison.

    Of one that is scored blind, what came out is left out while a check waits that could still change its verdict.
    """
    states = book.coupon_states(key)
    compares = any(coupon.kind == COMPARE for coupon in states)
    found = _count(coupon for coupon in states if compares or coupon.kind not in JUDGING)
    if not compares or not (found.waiting or found.unfinished) or not is_blind(book, key):
        return found
    last = book.latest_analysis(key, COMPARISON)
    if last is not None and last.verdict not in OPEN_VERDICTS:
        return found
    # of those that failed some, too: the number of unfinished ones alone would tell how many passed so far
    open_checks = sum(c.unfinished for c in states if c.passed is not None and not c.void)
    return replace(found, passed=None, unfinished=open_checks)


def confirmation_counts(book: Book, key: Key) -> ScoreCounts | None:
    """Counts of the confirmation coupons of a study, of every attempt; None when none is planned."""
    counts = _count(coupon for coupon in book.coupon_states(key) if coupon.kind == CONFIRM)
    return counts if counts.coupons else None


def grades_at_odds(book: Book, key: Key, coupons: Collection[str]) -> tuple[Finding, ...]:
    """Which of these coupons have a grade that does not go with their checks and counts as not given."""
    found = tuple(name for name in book.grades_at_odds(key) if name in coupons)
    return (Finding("grades at odds", {"coupons": found}),) if found else ()


def _count(coupons: Iterable[CouponState]) -> ScoreCounts:
    states = tuple(coupons)
    scored = [coupon for coupon in states if coupon.passed is not None and not coupon.void]
    good = [coupon for coupon in scored if coupon.passed]
    unfinished = sum(coupon.unfinished for coupon in good)
    return ScoreCounts(len(states), len(scored), len(good), unfinished, sum(coupon.void for coupon in states))
