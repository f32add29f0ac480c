"""What did not go as planned: void coupons, corrections, measured settings, late washes, changes of the study."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Literal

from doe.acts.base import RECOMMEND
from doe.book.records import HistoryEntry, StudyRecord
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.score import FieldValue
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show_both
from doe.words.wording import count, listing

if TYPE_CHECKING:
    from doe.book.book import Book

DeviationKind = Literal["void", "correction", "setting", "late", "change", "unplanned"]


@dataclass(frozen=True)
class Deviation:
    """One thing that did not go as planned: when, who, what happened (a sentence), and why (may be empty)."""

    when: datetime
    who: str
    kind: DeviationKind
    what: str
    why: str


def deviations_of(book: Book, record: StudyRecord, *, shown: Shown = METRIC) -> tuple[Deviation, ...]:
    """Everything of a study that did not go as planned, oldest first."""
    history = book.history(record.id)
    found = [
        *_void(history),
        *_corrections(record.study, history, shown),
        *_settings(book, record, history, shown),
        *_late(book, record, history),
        *_changes(book, record),
        *_unplanned(book, record),
    ]
    return tuple(sorted(found, key=lambda d: (d.when, d.kind, d.what)))


def _void(history: tuple[HistoryEntry, ...]) -> list[Deviation]:
    return [
        Deviation(h.at, h.who, "void", f"Coupon {h.coupon} was marked void.", str(h.value))
        for h in history
        if h.field == "void" and h.value
    ]


def _corrections(study: Study, history: tuple[HistoryEntry, ...], shown: Shown) -> list[Deviation]:
    """What was said first and is said now; a first value and a void are no corrections."""
    by_id = {h.id: h for h in history}
    found = []
    for h in history:
        if h.supersedes is None or (h.field == "void" and h.value):
            continue
        old = by_id[h.supersedes]
        before, after = (_value(study, h.field, value, shown) for value in (old.value, h.value))
        what = f"Coupon {h.coupon}, {_field(h.field)}: corrected from {before} to {after}."
        if h.field == "void":
            what = f"Coupon {h.coupon} counts again; it was void ({old.value})."
        found.append(Deviation(h.at, h.who, "correction", what, h.why))
    return found


def _settings(book: Book, record: StudyRecord, history: tuple[HistoryEntry, ...], shown: Shown) -> list[Deviation]:
    """Measured settings that differ from what was asked for, one sentence a factor and entry day."""
    coupons = book.plan_coupons(record.id).set_index("coupon")
    found: dict[tuple[str, datetime, str], list[str]] = defaultdict(list)
    for h in history:
        name = h.field.removeprefix("actual:")
        if not h.current or name == h.field or h.value is None or name not in coupons.columns:
            continue
        wanted, real = float(coupons.loc[h.coupon, name]), float(h.value)  # type: ignore[arg-type] # a measured number
        if abs(real - wanted) > 1e-9:
            unit = record.study.factor(name).unit
            found[(name, h.at, h.who)].append(
                f"{h.coupon} {show_both(real, unit, shown)} for {show_both(wanted, unit, shown)}"
            )
    return [
        Deviation(
            at,
            who,
            "setting",
            f"{_label(record.study, name).capitalize()} was measured to differ from what was set: {listing(each[:6])}"
            + (f" and {len(each) - 6} more" if len(each) > 6 else "")
            + "; the measured values count.",
            "",
        )
        for (name, at, who), each in found.items()
    ]


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
            days[(f"{h.at:%Y-%m-%d}", h.who)].append(h)
    return [
        Deviation(
            each[0].at,
            who,
            "late",
            f"{count(len(each), 'wash result')} came after the first answer of {first:%Y-%m-%d}"
            f" ({count(len({h.coupon for h in each}), 'coupon')}).",
            "",
        )
        for (_, who), each in days.items()
    ]


def _changes(book: Book, record: StudyRecord) -> list[Deviation]:
    words = {
        "amend study": "The study was changed.",
        "archive study": "The study was put away.",
        "restore study": "The study was taken out again.",
    }
    return [
        Deviation(act.at, act.who, "change", words[act.verb], act.why)
        for act in book.audit(None)
        if act.study_id == record.id and act.verb in words
    ]


def _unplanned(book: Book, record: StudyRecord) -> list[Deviation]:
    frame = book.plan_coupons(record.id)
    found = []
    for made in book.plan_info(record.id).rounds:
        mine = frame[frame["round"] == made.round]
        if "cure_batch" not in mine or mine["cure_batch"].isna().all():
            what = f"Round {made.round}: {count(made.coupons, 'coupon')} came in from a sheet, made without a plan."
            found.append(Deviation(made.made_at, made.made_by, "unplanned", what, ""))
    return found


def _field(name: str) -> str:
    kind, colon, what = name.partition(":")
    plain = what.replace("_", " ")
    words = {"check": f"check {plain}", "hand": f"hand-feel of {what}", "actual": f"measured {plain}"}
    return words.get(kind, plain) if colon else name.replace("_", " ")


def _value(study: Study, field: str, value: FieldValue, shown: Shown) -> str:
    if value is None or value in ("", ()):
        return "nothing"
    if isinstance(value, bool):
        return "pass" if value else "fail"
    if isinstance(value, list | tuple):
        return listing([str(v).replace("_", " ") for v in value])
    if isinstance(value, str):
        return value.replace("_", " ") if field == "side" else value
    name = field.removeprefix("actual:")
    return show_both(value, study.factor(name).unit, shown) if name in study.factor_names else f"{value:g}"


def _label(study: Study, name: str) -> str:
    known = KNOWN_FACTORS.get(name)
    return study.factor(name).label if name in study.factor_names else known.label if known else name
