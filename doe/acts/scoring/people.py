"""How far the people who score agree, with each other and with themselves, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from doe.acts.base import Key, usual_seed
from doe.assure.people.agreement import (
    AGAIN,
    HandAgreement,
    PassAgreement,
    Repeat,
    judge_hand_agreement,
    judge_pass_agreement,
    judge_repeats,
)
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.outcome import HAND_PREFIX
from doe.domain.score import ScoreEntry, SecondLook, again_field
from doe.words.wording import local
from reports.files import write_whole
from reports.names import given_names
from reports.pages import render
from reports.people import people_page

WANTED_LOOKS, WANTED_BAD = 30, 10
"""Coupons worth a second look, and how many of them should have failed (about a third; common practice, no source)."""

LEAST_COMMON = 3
"""Coupons that people must have in common before their agreement is worked out."""


MissingCode = Literal["passes unknown", "hand open", "repeats unknown", "look blind", "left out"]


@dataclass(frozen=True)
class PeopleAgreement:
    """How far people agree in a study.

    Attributes
    ----------
    record : StudyRecord
    judged : DataFrame
        One row a coupon, one column a person or a person's further look: passed, failed or missing.
    passes : PassAgreement or None
        On pass/fail; None before anybody looked again.
    hand : HandAgreement or None
        On hand-feel, first looks; None while fewer than two people scored three coupons in common.
    repeats : tuple of Repeat
        Every person who looked at coupons again, with herself.
    again : tuple of str
        Coupons to look at again, in this order; empty when enough were.
    missing : tuple of Finding
        What cannot be told yet, by `MissingCode`.
    """

    record: StudyRecord
    judged: pd.DataFrame
    passes: PassAgreement | None
    hand: HandAgreement | None
    repeats: tuple[Repeat, ...]
    again: tuple[str, ...]
    missing: tuple[Finding, ...]


def people_of_study(book: Book, key: Key) -> PeopleAgreement:
    """Agreement of the people who scored a study; nothing is stored.

    Raises
    ------
    InputError
        If the study has no coupon.
    """
    record = book.study(key)
    results = book.results(record.id)
    if results.empty:
        raise InputError(f"study {record.name}", "no coupon", "scored coupons", "Plan and score some first.")
    judged, hand_again = looks_of(book, record.id)
    hand = _first_hand(results)
    common = judged.columns[judged.notna().sum() >= LEAST_COMMON]
    pairs = judged[[c for c in common if not str(c).endswith(AGAIN)]]  # a person with herself is told on her own
    passes = judge_pass_agreement(pairs) if _comparable(pairs) else None
    whole = hand.dropna()
    hands = judge_hand_agreement(hand) if hand.shape[1] > 1 and len(whole) >= LEAST_COMMON else None
    repeats = judge_repeats(judged, hand, hand_again)
    again = _to_look_at(results, judged, record.name)
    return PeopleAgreement(
        record,
        judged,
        passes,
        hands,
        repeats,
        again,
        _missing(record, hand, whole, passes, repeats, again),
    )


def looks_of(book: Book, key: Key) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What every look at a coupon said: pass/fail, and hand-feel of further looks.

    Returns
    -------
    (DataFrame, DataFrame)
        Indexed by coupon. Pass/fail: a column for whoever recorded the first look (``ana``) and for each further one
        (``ana again``, or ``ben`` where ben had not looked yet), only coupons somebody looked at again, over the checks
        that were looked at again there. Hand-feel: the first further score of each person.
    """
    first: dict[str, dict[str, tuple[str, bool]]] = {}
    further: dict[str, dict[tuple[str, int], dict[str, bool]]] = {}
    hand: dict[str, dict[str, float]] = {}
    void = set(book.results(key, include_void=True).query("void != ''")["coupon"])
    for entry in book.history(key):
        if entry.coupon in void:
            continue
        if entry.field.startswith("check:") and entry.current and entry.value is not None:
            first.setdefault(entry.coupon, {})[entry.field.removeprefix("check:")] = (entry.who, bool(entry.value))
        found = again_field(entry.field)
        if found is None:
            continue
        if found.check:
            looks = further.setdefault(entry.coupon, {})
            looks.setdefault((found.person, found.number), {})[found.check] = bool(entry.value)
        else:
            hand.setdefault(entry.coupon, {}).setdefault(found.person, float(str(entry.value)))
    rows: dict[str, dict[str, bool]] = {}
    for coupon, looks in further.items():
        said = first.get(coupon, {})
        checks = {c for look in looks.values() for c in look}
        mine = {c: said[c] for c in checks if c in said}
        row: dict[str, bool] = {}
        owner = ""
        if len(mine) == len(checks) and len({who for who, _ in mine.values()}) == 1:
            owner = next(iter(mine.values()))[0]
            row[owner] = all(value for _, value in mine.values())
        for (person, number), look in looks.items():
            if set(look) == checks:
                name = person if number == 1 and person != owner else f"{person} again"
                row.setdefault(name, all(look.values()))
        rows[coupon] = row
    judged = pd.DataFrame.from_dict(rows, orient="index", dtype=object)
    scored = pd.DataFrame.from_dict(hand, orient="index", dtype=float)
    return judged[sorted(judged.columns)], scored[sorted(scored.columns)]


def record_looks(
    book: Book, key: Key, entries: Sequence[ScoreEntry], person: str
) -> tuple[StudyRecord, int, int, tuple[Finding, ...]]:
    """Store entries as further looks: checks by ``person``, hand-feel by whoever felt.

    Returns
    -------
    (StudyRecord, int, int, tuple of Finding)
        The study, coupons, new fields, and what of the entries was left out.
    """
    record = book.study(key)
    looks: list[SecondLook] = []
    others = False
    for entry in entries:
        others = others or bool(
            entry.symptoms
            or entry.handled
            or entry.grade
            or entry.actual
            or entry.note
            or entry.void_reason is not None
        )
        if entry.checks or person in entry.hand:
            looks.append(SecondLook(entry.coupon, person, entry.checks, entry.hand.get(person)))
        looks += [SecondLook(entry.coupon, who, {}, v) for who, v in entry.hand.items() if who != person]
    if not looks:
        raise InputError(
            "looking again",
            "no check and no hand-feel",
            "a check or a hand-feel",
            "A further look is about those; notes and symptoms go with the first one.",
        )
    fields = book.record_again(record.id, looks)
    return record, len({look.coupon for look in looks}), fields, (_missed("left out"),) if others else ()


def write_people(found: PeopleAgreement, output: Path, *, made_by: str) -> Path:
    """Write the agreement of people as one HTML file.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    page = people_page(
        found.record.study,
        found.judged,
        found.passes,
        found.hand,
        found.repeats,
        again=found.again,
        missing=found.missing,
        made_at=local(datetime.now(UTC)),
        made_by=made_by,
    )
    return write_whole(output, render("people.html", page, names=given_names(found, made_by)))


def _first_hand(results: pd.DataFrame) -> pd.DataFrame:
    """First hand-feel scores, a column a person, indexed by coupon."""
    columns = [str(c) for c in results.columns if str(c).startswith(HAND_PREFIX)]
    frame: pd.DataFrame = results.set_index("coupon")[columns].astype(float)
    return frame.rename(columns=lambda c: str(c).removeprefix(HAND_PREFIX)).dropna(how="all")


def _comparable(judged: pd.DataFrame) -> bool:
    """Whether every two of the columns have two coupons in common."""
    names = list(judged.columns)
    if len(names) < 2:
        return False
    there = judged.notna().to_numpy(dtype=int)
    return bool((there.T @ there >= 2).all())


def _to_look_at(results: pd.DataFrame, judged: pd.DataFrame, name: str) -> tuple[str, ...]:
    """Coupons worth a second look, about a third of them bad, in a random order that is always the same."""
    left = WANTED_LOOKS - len(judged)
    if left <= 0:
        return ()
    fresh = results[results["passed"].notna() & ~results["coupon"].isin(judged.index)]
    rng = np.random.default_rng(usual_seed(name))
    order = fresh["coupon"].to_numpy()[rng.permutation(len(fresh))]
    failed = set(fresh.loc[fresh["passed"].eq(False), "coupon"])
    bad = [c for c in order if c in failed][: max(round(left * WANTED_BAD / WANTED_LOOKS), 1)]
    good = [c for c in order if c not in failed][: left - len(bad)]
    return tuple(str(c) for c in rng.permutation(np.array([*bad, *good], dtype=object)))


def _missing(
    record: StudyRecord,
    hand: pd.DataFrame,
    whole: pd.DataFrame,
    passes: PassAgreement | None,
    repeats: Sequence[Repeat],
    again: Sequence[str],
) -> tuple[Finding, ...]:
    found = [] if passes is not None else [_missed("passes unknown")]
    people, common = hand.shape[1], len(whole)
    if record.study.spec.hand_min is not None and (people < 2 or common < LEAST_COMMON):
        found.append(_missed("hand open", people=people, common=common))
    if not any(r.hand_coupons or r.coupons for r in repeats):
        found.append(_missed("repeats unknown"))
    return (*found, _missed("look blind")) if again and found else tuple(found)


def _missed(code: MissingCode, **values: int) -> Finding:
    return Finding(code, values)
