"""The least a record must hold to stand up a year later: what is there, what is missing, and what can only be said.

The list is our synthesis of what quality systems ask of a first article and of a validated process (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Literal

from doe.book.records import RoundInfo, StudyRecord
from doe.domain.finding import Finding, Value
from doe.domain.gauge import GaugeReading
from doe.domain.jsonable import named
from doe.domain.limits import LIMIT_NAMES
from doe.domain.outcome import HAND_PREFIX
from doe.domain.plan_kinds import learning_rounds
from doe.domain.recipe import PARTS, RecordItem
from doe.domain.stack import Line, Stack
from doe.domain.study import Study
from doe.setpoint.answer import Answer

if TYPE_CHECKING:
    import pandas as pd

    from doe.book.book import Book


@dataclass(frozen=True)
class RecordFacts:
    """What the items are looked up in.

    ``stack`` is that of the recipe, with the lots given at release; ``first_scored`` when the first score was stored;
    ``confirmed`` says what the confirmation came to, and ``is_confirmed`` whether it was accepted; ``waived`` is the
    reason to release without one.
    """

    study: Study
    stack: Stack
    line: Line
    made_by: str
    readings: tuple[GaugeReading, ...]
    rounds: tuple[RoundInfo, ...]
    results: pd.DataFrame
    first_scored: datetime | None
    answer: Answer | None
    inputs_hash: str = ""
    seed: int | None = None
    version: str = ""
    care_label: str = ""
    room: str = ""
    handling: tuple[str, ...] = ()
    confirmed: tuple[Finding | str, ...] = ()
    is_confirmed: bool = False
    waived: str = ""


def facts_of_study(book: Book, record: StudyRecord, answer: Answer | None) -> RecordFacts:
    """Facts of a study as far as the book knows them, before a recipe adds its own."""
    return RecordFacts(
        study=record.study,
        stack=record.stack,
        line=book.line(record.line.name),  # with the machines that stand there now
        made_by=record.made_by,
        readings=book.gauge_readings(record.line.name),
        rounds=book.plan_info(record.id).rounds,
        results=book.results(record.id, include_void=True),
        first_scored=min((h.at for h in book.history(record.id)), default=None),
        answer=answer,
    )


def record_items(facts: RecordFacts) -> tuple[RecordItem, ...]:
    """Every item of the least record, in the order in which it is asked for."""
    return (
        _there("who", "entries", made_by=facts.made_by),
        _machine(facts, "oven", facts.line.oven.name),
        _machine(facts, "press", facts.line.press.name),
        *_lots(facts.stack),
        _typed("care_label", facts.care_label),
        _typed("room", facts.room),
        _limits(facts),
        _plan(facts),
        _there("deviations", "deviations"),
        _coupons(facts),
        _measured(facts),
        _raters(facts),
        _point(facts.study, facts.answer),
        _typed("handling", *facts.handling),
        _confirmation(facts),
        _there("voids", "voids"),
        _source(facts),
    )


def _item(state: Literal["there", "missing", "said"], what: str, code: str, /, **values: Value) -> RecordItem:
    return RecordItem(what, state, (Finding(code, values),))


_there, _missing, _said = (partial(_item, "there"), partial(_item, "missing"), partial(_item, "said"))


def _machine(facts: RecordFacts, machine: str, name: str) -> RecordItem:
    mine = [r.taken_at for r in facts.readings if r.machine == machine]
    if not mine:
        return _missing(machine, "never_measured", named=name, line=facts.line.name)
    last = max((at.isoformat() for at in mine if at is not None), default="")
    return _there(machine, "machine" if last else "machine_undated", named=name, readings=len(mine), last=last)


def _lots(stack: Stack) -> Iterator[RecordItem]:
    for part in PARTS:
        material = getattr(stack, part)
        if material is not None and material.lot.strip():
            yield RecordItem(part, "there", (str(material),))
        elif material is not None:
            yield _missing(part, "no_lot", material=str(material))


def _typed(what: str, *texts: str) -> RecordItem:
    given = tuple(text.strip() for text in texts if text.strip())
    return RecordItem(what, "there", given) if given else _missing(what, "nothing")


def _limits(facts: RecordFacts) -> RecordItem:
    limits = facts.study.limits
    if limits is None:
        return _missing("limits", "no_limits", limits=())
    known = [f.name for f in fields(limits) if f.name != "sources" and getattr(limits, f.name) is not None]
    bare = [
        option for option, name in LIMIT_NAMES.items() if name in known and not limits.sources.get(name, "").strip()
    ]
    if bare:
        return _missing("limits", "no_source", limits=tuple(bare))
    return _there("limits", "limits", known=len(known))


def _plan(facts: RecordFacts) -> RecordItem:
    if not facts.rounds and facts.study.known is not None:
        return _said("plan", "not_searched")
    if not facts.rounds:
        return _missing("plan", "no_plan")
    first = facts.rounds[0]
    if "cure_batch" not in facts.results or facts.results.loc[facts.results["round"] == 1, "cure_batch"].isna().all():
        return _said("plan", "not_planned")
    if facts.first_scored is not None and facts.first_scored < first.made_at:
        return _said("plan", "scored_before")
    return _there("plan", "planned", kind=first.kind, seed=first.seed, stored=first.made_at.isoformat())


def _coupons(facts: RecordFacts) -> RecordItem:
    frame = facts.results
    void = frame["void"].fillna("").astype(str) != ""
    # confirmation coupons that a certain verdict made needless were never made: nothing is missing of them
    mine = frame["round"].isin(learning_rounds(facts.rounds)) if "round" in frame else frame["coupon"].notna()
    waiting = tuple(frame.loc[frame["passed"].isna() & ~void & mine, "coupon"].astype(str))
    if waiting:
        return _missing("coupons", "without_result", coupons=waiting, number=len(waiting), first=waiting[0])
    failed = int((frame["passed"].eq(False) & ~void).sum())
    return _there("coupons", "coupons", coupons=len(frame), failed=failed, void=int(void.sum()))


def _named(facts: RecordFacts, prefix: str) -> tuple[str, ...]:
    """What the columns of a kind that hold anything are about."""
    columns = facts.results.columns[facts.results.notna().any()]
    return tuple(str(c).removeprefix(prefix) for c in columns if str(c).startswith(prefix))


def _measured(facts: RecordFacts) -> RecordItem:
    factors, with_display = _named(facts, "actual_"), sum(r.shown_degc is not None for r in facts.readings)
    counted = {"readings": len(facts.readings), "with_display": with_display}
    return _there("measured", "measured" if factors else "set_values", factors=factors, **counted)


def _raters(facts: RecordFacts) -> RecordItem:
    people = _named(facts, HAND_PREFIX)
    if len(people) > 1:
        return _there("raters", "raters", people=people)
    return _said("raters", "one_rater" if people else "no_rater", people=people)


def _point(study: Study, answer: Answer | None) -> RecordItem:
    if study.known is not None:
        return _said("point", "not_searched")
    if answer is None:
        return _missing("point", "no_answer")
    if answer.window is None:
        return _said("point", "no_room")
    return _there("point", "window" if answer.cliffs else "window_without_cliff", cliffs=len(answer.cliffs))


def _confirmation(facts: RecordFacts) -> RecordItem:
    if facts.is_confirmed:
        return RecordItem("confirmation", "there", facts.confirmed)
    if facts.waived:
        return _said("confirmation", "waived", reason=facts.waived)
    return RecordItem("confirmation", "missing", facts.confirmed or (Finding("none"),))


def _source(facts: RecordFacts) -> RecordItem:
    if not facts.inputs_hash:
        return _missing("source", "nothing_kept")
    return _there("source", "source", **named(facts, "inputs_hash", "seed", "version"))
