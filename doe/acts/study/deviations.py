"""What did not go as planned: void coupons, corrections, measured settings, late washes, changes of the study."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

from doe.acts.base import RECOMMEND
from doe.book.records import HistoryEntry, StudyRecord
from doe.domain.finding import Finding
from doe.words.dates import day

if TYPE_CHECKING:
    from doe.book.book import Book

DeviationKind = Literal["void", "correction", "setting", "late", "change", "unplanned"]
DeviationCode = Literal["void", "counts again", "corrected", "measured", "late wash", "changed", "unplanned"]
"""Codes of `Deviation.what`; `doe.words.study.state.deviation` says them."""


@dataclass(frozen=True)
class Deviation:
    """One thing that did not go as planned: when, who, what happened, and why (may be empty)."""

    when: datetime
    who: str
    kind: DeviationKind
    what: Finding
    why: str


def _fact(code: DeviationCode, **values: Any) -> Finding:
    return Finding(code, values)


def deviations_of(book: Book, record: StudyRecord) -> tuple[Deviation, ...]:
    """Everything of a study that did not go as planned, oldest first."""
    history = book.history(record.id)
    found = [
        *_void(history),
        *_corrections(history),
        *_settings(book, record, history),
        *_late(book, record, history),
        *_changes(book, record),
        *_unplanned(book, record),
    ]
    return tuple(sorted(found, key=lambda d: (d.when, d.kind, str(d.what.values.get("coupon", "")))))


def _void(history: tuple[HistoryEntry, ...]) -> list[Deviation]:
    return [
        Deviation(h.at, h.who, "void", _fact("void", coupon=h.coupon), str(h.value))
        for h in history
        if h.field == "void" and h.value
    ]


def _corrections(history: tuple[HistoryEntry, ...]) -> list[Deviation]:
    """What was said first and is said now; a first value and a void are no corrections."""
    by_id = {h.id: h for h in history}
    found = []
    for h in history:
        if h.supersedes is None or (h.field == "void" and h.value):
            continue
        before = by_id[h.supersedes].value
        what = _fact("corrected", coupon=h.coupon, field=h.field, before=before, after=h.value)
        if h.field == "void":
            what = _fact("counts again", coupon=h.coupon, before=before)
        found.append(Deviation(h.at, h.who, "correction", what, h.why))
    return found


def _settings(book: Book, record: StudyRecord, history: tuple[HistoryEntry, ...]) -> list[Deviation]:
    """Measured settings that differ from what was asked for, one a factor and entry day."""
    coupons = book.plan_coupons(record.id).set_index("coupon")
    found: dict[tuple[str, datetime, str], list[tuple[str, float, float]]] = defaultdict(list)
    for h in history:
        name = h.field.removeprefix("actual:")
        if not h.current or name == h.field or h.value is None or name not in coupons.columns:
            continue
        wanted, real = float(coupons.loc[h.coupon, name]), float(h.value)  # type: ignore[arg-type] # a measured number
        if abs(real - wanted) > 1e-9:
            found[(name, h.at, h.who)].append((h.coupon, real, wanted))
    made = []
    for (name, at, who), each in found.items():
        names, measured, set_to = zip(*each, strict=True)
        made.append(
            Deviation(
                at, who, "setting", _fact("measured", factor=name, coupons=names, measured=measured, wanted=set_to), ""
            )
        )
    return made


def _late(book: Book, record: StudyRecord, history: tuple[HistoryEntry, ...]) -> list[Deviation]:
    """Wash results that came when an answer had been given already."""
    answers = [a for a in book.analyses(record.id) if a.kind == RECOMMEND]
    if not answers:
        return []
    first = min(a.made_at for a in answers)
    washes = {f"check:{c.name}" for c in record.study.spec.checks if c.after_washes}
    # a later round has washes of its own; late are those of coupons that were in the answer already
    known = {h.coupon for h in history if h.at <= first}
    days: dict[tuple[str, str], list[HistoryEntry]] = defaultdict(list)
    for h in history:
        if h.field in washes and h.at > first and h.supersedes is None and h.coupon in known:
            days[(day(h.at), h.who)].append(h)
    return [
        Deviation(
            each[0].at,
            who,
            "late",
            _fact(
                "late wash",
                results=len(each),
                coupons=len({h.coupon for h in each}),
                answered_on=day(first),
            ),
            "",
        )
        for (_, who), each in days.items()
    ]


def _changes(book: Book, record: StudyRecord) -> list[Deviation]:
    verbs = ("amend study", "archive study", "restore study")
    return [
        Deviation(act.at, act.who, "change", _fact("changed", verb=act.verb), act.why)
        for act in book.audit(None)
        if act.study_id == record.id and act.verb in verbs
    ]


def _unplanned(book: Book, record: StudyRecord) -> list[Deviation]:
    frame = book.plan_coupons(record.id)
    found = []
    for made in book.plan_info(record.id).rounds:
        mine = frame[frame["round"] == made.round]
        if "cure_batch" not in mine or mine["cure_batch"].isna().all():
            what = _fact("unplanned", round=made.round, coupons=made.coupons)
            found.append(Deviation(made.made_at, made.made_by, "unplanned", what, ""))
    return found
