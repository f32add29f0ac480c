"""The least a record must hold to stand up a year later: what is there, what is missing, and how to add it.

The list is our synthesis of what quality systems ask of a first article and of a validated process (common practice).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import TYPE_CHECKING, Literal

from doe.book.records import RoundInfo, StudyRecord
from doe.domain.gauge import GaugeReading
from doe.domain.limits import LIMIT_NAMES
from doe.domain.outcome import HAND_PREFIX
from doe.domain.plan_kinds import learning_rounds
from doe.domain.recipe import PARTS
from doe.domain.stack import Line, Stack
from doe.domain.study import Study
from doe.domain.texts import quoted
from doe.setpoint.answer import Answer
from doe.words.dates import local
from doe.words.recipe import record as words

if TYPE_CHECKING:
    import pandas as pd

    from doe.book.book import Book

ItemState = Literal["there", "missing", "said"]

CARE_LABEL, ROOM = "care label", "room climate"
"""Names under which a recipe keeps these two."""
HANDLED, CONFIRMED = "waits, peel and second press", "confirmation: count, result, limit"
"""Items whose absence a release words itself."""


@dataclass(frozen=True)
class RecordItem:
    """One thing a record must hold.

    ``state``: ``there``; ``missing``, where ``add`` says how to add it; ``said``, where it can no longer be added and
    the record says so instead. ``found`` is what there is, words for people.
    """

    what: str
    state: ItemState
    found: str
    add: str = ""


@dataclass(frozen=True)
class RecordFacts:
    """What the items are looked up in.

    ``stack`` is that of the recipe, with the lots given at release; ``first_scored`` when the first score was stored;
    ``record`` holds the care label and the room; ``confirmed`` says what the confirmation came to, in words, with
    ``is_confirmed`` whether it was accepted; ``waived`` is the reason to release without one.
    """

    name: str
    study: Study
    stack: Stack
    line: Line
    made_by: str
    readings: tuple[GaugeReading, ...]
    rounds: tuple[RoundInfo, ...]
    results: pd.DataFrame
    first_scored: datetime | None
    answer: Answer | None
    inputs_hash: str
    seed: int | None
    version: str
    record: Mapping[str, str] = field(default_factory=dict)
    handling: tuple[str, ...] = ()
    confirmed: str = ""
    is_confirmed: bool = False
    waived: str = ""
    approved_by: str = ""


def facts_of_study(book: Book, record: StudyRecord, answer: Answer | None) -> RecordFacts:
    """Facts of a study as far as the book knows them, before a recipe adds its own."""
    scores = [h.at for h in book.history(record.id)]
    return RecordFacts(
        name=record.name,
        study=record.study,
        stack=record.stack,
        line=record.line,
        made_by=record.made_by,
        readings=book.gauge_readings(record.line.name),
        rounds=book.plan_info(record.id).rounds,
        results=book.results(record.id, include_void=True),
        first_scored=min(scores) if scores else None,
        answer=answer,
        inputs_hash="",
        seed=None,
        version="",
    )


def record_items(facts: RecordFacts) -> tuple[RecordItem, ...]:
    """Every item of the least record, in the order in which it is asked for."""
    return (
        RecordItem("who and when", "there", words.entries(facts.made_by)),
        *_machines(facts),
        *_lots(facts),
        _typed(facts, CARE_LABEL, "--care-label", words.CARE_LABEL_MEANS),
        _typed(facts, ROOM, "--room", words.ROOM_MEANS),
        _limits(facts),
        _plan(facts),
        RecordItem("deviations", "there", words.DEVIATIONS),
        _coupons(facts),
        _measured(facts),
        _raters(facts),
        _point(facts),
        _handling(facts),
        _confirmation(facts),
        RecordItem("what would void it", "there", words.VOIDS),
        _source(facts),
    )


def _release(facts: RecordFacts) -> str:
    return f"doe release {quoted(facts.name)}"


def _machines(facts: RecordFacts) -> tuple[RecordItem, ...]:
    items = []
    for machine, named in (("oven", facts.line.oven.name), ("press", facts.line.press.name)):
        what = f"{machine}: which one, and when it was measured"
        mine = [r for r in facts.readings if r.machine == machine]
        if mine:
            days = [r.taken_at for r in mine if r.taken_at is not None]
            last = local(max(days)) if days else None
            items.append(RecordItem(what, "there", words.machine(named, len(mine), last)))
        else:
            add = (
                f"doe gauge add {quoted(facts.line.name)} --machine {machine} --set VALUE --shown VALUE "
                "--measured VALUE"
            )
            items.append(RecordItem(what, "missing", words.machine(named, 0, None), add))
    return tuple(items)


def _lots(facts: RecordFacts) -> tuple[RecordItem, ...]:
    items = []
    for part in PARTS:
        material = getattr(facts.stack, part)
        if material is None:
            continue
        if material.lot.strip():
            items.append(RecordItem(f"lot of the {part}", "there", str(material)))
        else:
            add = f'{_release(facts)} --lot "{part}=LOT"'
            items.append(RecordItem(f"lot of the {part}", "missing", words.no_lot(material), add))
    return tuple(items)


def _typed(facts: RecordFacts, what: str, option: str, meaning: str) -> RecordItem:
    text = facts.record.get(what, "").strip()
    if text:
        return RecordItem(what, "there", text)
    return RecordItem(what, "missing", words.NOTHING, f'{_release(facts)} {option} "{meaning}"')


def _limits(facts: RecordFacts) -> RecordItem:
    what = "limits and where they come from"
    limits = facts.study.limits
    if limits is None:
        return RecordItem(what, "missing", words.NO_LIMITS, f"doe study limits {quoted(facts.name)}")
    known = [f.name for f in fields(limits) if f.name != "sources" and getattr(limits, f.name) is not None]
    bare = [
        option for option, name in LIMIT_NAMES.items() if name in known and not limits.sources.get(name, "").strip()
    ]
    if not bare:
        return RecordItem(what, "there", words.limits(len(known)))
    options = " ".join(f'--limit "{option}=VALUE@SOURCE"' for option in bare)
    again = "" if facts.answer is None else f", then doe recommend {quoted(facts.name)}"
    return RecordItem(what, "missing", words.no_source(bare), f"doe study limits {quoted(facts.name)} {options}{again}")


def _plan(facts: RecordFacts) -> RecordItem:
    what = "plan and seed before the data"
    if not facts.rounds:
        return RecordItem(what, "missing", words.NO_PLAN, f"doe plan {quoted(facts.name)}")
    first = facts.rounds[0]
    if "cure_batch" not in facts.results or facts.results.loc[facts.results["round"] == 1, "cure_batch"].isna().all():
        return RecordItem(what, "said", words.NOT_PLANNED)
    if facts.first_scored is not None and facts.first_scored < first.made_at:
        return RecordItem(what, "said", words.SCORED_BEFORE)
    return RecordItem(what, "there", words.plan(first.kind, first.seed, local(first.made_at)))


def _coupons(facts: RecordFacts) -> RecordItem:
    what = "every coupon, failures included"
    frame = facts.results
    void = frame["void"].fillna("").astype(str) != ""
    # confirmation coupons that a certain verdict made needless were never made: nothing is missing of them
    mine = frame["round"].isin(learning_rounds(facts.rounds)) if "round" in frame else frame["coupon"].notna()
    waiting = frame.loc[frame["passed"].isna() & ~void & mine, "coupon"].astype(str).tolist()
    if waiting:
        return RecordItem(
            what,
            "missing",
            words.waiting(waiting),
            f"doe record {quoted(facts.name)}, or void each with its reason: "
            f'doe record {quoted(facts.name)} --coupon {waiting[0]} --void "REASON"',
        )
    failed = int((frame["passed"].eq(False) & ~void).sum())
    return RecordItem(what, "there", words.coupons(len(frame), failed, int(void.sum())))


def _measured(facts: RecordFacts) -> RecordItem:
    what = "set, shown and measured values"
    shown = [r for r in facts.readings if r.shown_degc is not None]
    actual = [c for c in facts.results.columns if str(c).startswith("actual_") and facts.results[c].notna().any()]
    measured = [str(c).removeprefix("actual_") for c in actual]
    return RecordItem(what, "there", words.measured(len(facts.readings), len(shown), measured))


def _raters(facts: RecordFacts) -> RecordItem:
    what = "who judged, and how well they agree"
    people = [
        str(c).removeprefix(HAND_PREFIX)
        for c in facts.results.columns
        if str(c).startswith(HAND_PREFIX) and facts.results[c].notna().any()
    ]
    return RecordItem(what, "there" if len(people) > 1 else "said", words.raters(people))


def _point(facts: RecordFacts) -> RecordItem:
    what = "setpoint, room each way, nearest failing point"
    if facts.answer is None:
        return RecordItem(what, "missing", words.NO_ANSWER, f"doe recommend {quoted(facts.name)}")
    if facts.answer.window is None:
        return RecordItem(what, "said", words.NO_WINDOW)
    return RecordItem(what, "there", words.window(len(facts.answer.cliffs)))


def _handling(facts: RecordFacts) -> RecordItem:
    what = HANDLED
    given = " ".join(facts.handling) if facts.handling else words.NOTHING
    return RecordItem(what, "there" if facts.handling else "missing", given, "" if facts.handling else _release(facts))


def _confirmation(facts: RecordFacts) -> RecordItem:
    what = CONFIRMED
    if facts.is_confirmed:
        return RecordItem(what, "there", facts.confirmed)
    if facts.waived:
        return RecordItem(what, "said", words.waived(facts.waived))
    return RecordItem(what, "missing", facts.confirmed or "none", f"doe confirm {quoted(facts.name)}")


def _source(facts: RecordFacts) -> RecordItem:
    what = "sum of the data, version of the program"
    if not facts.inputs_hash:
        return RecordItem(what, "missing", words.NOTHING_KEPT, f"doe recommend {quoted(facts.name)}")
    return RecordItem(what, "there", words.source(facts.inputs_hash, facts.seed, facts.version))
