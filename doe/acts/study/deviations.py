"""What did not go as planned: void coupons, corrections, measured settings, late washes, changes of the study."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from doe.acts.base import RECOMMEND
from doe.book.book import Book
from doe.book.records import HistoryEntry, StudyRecord
from doe.domain.finding import Finding, Value
from doe.words.wording import day, local
from reports.study.inputs import HistoryRow

DeviationCode = Literal["void", "counts again", "corrected", "measured", "late wash", "changed", "unplanned"]
"""Codes of `Deviation.what`; `doe.words.study.state.deviation` says them."""


@dataclass(frozen=True)
class Deviation:
    """One thing that did not go as planned: when, who, what happened, and why (may be empty)."""

    when: datetime
    who: str
    what: Finding
    why: str = ""


def deviations_of(book: Book, record: StudyRecord) -> tuple[Deviation, ...]:
    """Everything of a study that did not go as planned, oldest first."""
    history = book.history(record.id)
    found = [
        *_corrections(history),
        *_settings(book, record, history),
        *_late(book, record, history),
        *_changes(book, record),
        *_unplanned(book, record),
    ]
    return tuple(sorted(found, key=lambda d: (d.when, d.what.code, str(d.what.values.get("coupon", "")))))


def history_of(book: Book, record: StudyRecord) -> tuple[HistoryRow, ...]:
    """Every act on a study, oldest first, on the reader's clock."""
    acts = (a for a in reversed(book.audit(None)) if a.study_id == record.id)
    return tuple(HistoryRow(local(a.at), a.who, f"{a.verb}: {a.subject}", a.why) for a in acts)


def _made(when: datetime, who: str, code: DeviationCode, why: str = "", **values: Value) -> Deviation:
    return Deviation(when, who, Finding(code, values), why)


def _corrections(history: tuple[HistoryEntry, ...]) -> Iterator[Deviation]:
    """Coupons made void, and what was said first and is said now; a first value is no correction."""
    by_id = {h.id: h for h in history}
    for h in history:
        if h.field == "void" and h.value:
            yield _made(h.at, h.who, "void", str(h.value), coupon=h.coupon)
        elif h.supersedes is not None and h.field == "void":
            before = by_id[h.supersedes].value
            yield _made(h.at, h.who, "counts again", h.why, coupon=h.coupon, before=before)
        elif h.supersedes is not None and (h.field != "grade" or h.why):  # a failed check explains a new grade
            before = by_id[h.supersedes].value
            values = {"coupon": h.coupon, "field": h.field, "before": before, "after": h.value}
            yield _made(h.at, h.who, "corrected", h.why, **values)


def _settings(book: Book, record: StudyRecord, history: tuple[HistoryEntry, ...]) -> Iterator[Deviation]:
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
    for (name, at, who), each in found.items():
        names, measured, set_to = zip(*each, strict=True)
        yield _made(at, who, "measured", factor=name, coupons=names, measured=measured, wanted=set_to)


def _late(book: Book, record: StudyRecord, history: tuple[HistoryEntry, ...]) -> Iterator[Deviation]:
    """Wash results that came when an answer had been given already, one a day and person."""
    first = min((a.made_at for a in book.analyses(record.id, RECOMMEND)), default=None)
    if first is None:
        return
    washes = {f"check:{c.name}" for c in record.study.spec.checks if c.is_later}
    # a later round has washes of its own; late are those of coupons that were in the answer already
    known = {h.coupon for h in history if h.at <= first}
    days: dict[tuple[str, str], list[HistoryEntry]] = defaultdict(list)
    for h in history:
        if h.field in washes and h.at > first and h.supersedes is None and h.coupon in known:
            days[(day(h.at), h.who)].append(h)
    for (_, who), each in days.items():
        coupons = len({h.coupon for h in each})
        yield _made(each[0].at, who, "late wash", results=len(each), coupons=coupons, answered_at=first.isoformat())


def _changes(book: Book, record: StudyRecord) -> Iterator[Deviation]:
    verbs = ("amend study", "archive study", "restore study")
    for act in book.audit(None):
        if act.study_id == record.id and act.verb in verbs:
            yield _made(act.at, act.who, "changed", act.why, verb=act.verb)


def _unplanned(book: Book, record: StudyRecord) -> Iterator[Deviation]:
    frame = book.plan_coupons(record.id)
    for made in book.plan_info(record.id).rounds:
        mine = frame[frame["round"] == made.round]
        if "cure_batch" not in mine or mine["cure_batch"].isna().all():
            yield _made(made.made_at, made.made_by, "unplanned", round=made.round, coupons=made.coupons)
