"""What is to be known about how a plan was chosen and about the order of a round."""

from __future__ import annotations

from typing import Literal

import pandas as pd

from doe.domain.factors import Stage
from doe.domain.finding import Finding, Value
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.order import STAGES, cheapest_minutes
from doe.plans.plan import REPEAT_CENTRE
from doe.plans.timing import hard_factors, queue_minutes, random_settling

NoteCode = Literal[
    "chosen as composite",
    "chosen as optimal",
    "chosen as a first look",
    "chosen as spread out",
    "chosen as one setting",
    "chosen as tried",
    "chosen by the shop",
    "fewer coupons than terms",
    "other fraction",
    "moved out of forbidden",
    "machine in random order",
    "machine in batches",
    "temperature not hard to change",
    "shared strokes",
    "near a limit",
]
"""Codes of `Plan.notes`. Each may carry ``round``, the number of a round that was added."""


def note(code: NoteCode, **values: Value) -> Finding:
    """A fact that goes with a plan."""
    return Finding(code, values)


def order_notes(study: Study, frame: pd.DataFrame, line: Line, order: str) -> tuple[Finding, ...]:
    """What a person should know about the order of this round: batches, minutes, strokes."""
    # a machine with nothing to dial in runs one batch: there is nothing to say about its order
    notes = [_machine_note(study, frame, line, stage, order) for stage in STAGES if hard_factors(study, stage)]
    easy = [f for f in study.numeric if f.is_temperature and not f.hard_to_change]
    notes += [note("temperature not hard to change", factor=f.name) for f in easy]
    if line.coupons_per_stroke > 1:
        shared = int(frame["stroke"].duplicated(keep=False).sum())
        if shared:
            notes.append(note("shared strokes", coupons=shared))
    return tuple(notes)


def _machine_note(study: Study, frame: pd.DataFrame, line: Line, stage: Stage, order: str) -> Finding:
    """Batches and minutes of settling at one machine.

    ``once`` is what each setting made once would take, where that is less; ``twice`` what every setting in two
    batches would take, where that is more.
    """
    taken = queue_minutes(study, frame, line, stage)
    if order == "random":
        ends = bool((frame["role"] == REPEAT_CENTRE).any())
        return note(
            "machine in random order",
            stage=stage,
            changes=int(taken.changes),
            minutes=taken.minutes,
            centre_at_the_ends=ends,
        )
    names = [f.name for f in hard_factors(study, stage)]
    first = frame.drop_duplicates(f"{stage}_batch")
    once = cheapest_minutes(study, frame, line, stage, times=1)
    twice = cheapest_minutes(study, frame, line, stage, times=2)
    return note(
        "machine in batches",
        stage=stage,
        batches=int(frame[f"{stage}_batch"].nunique()),
        minutes=taken.minutes,
        minutes_at_random=random_settling(study, frame, line, stage).minutes,
        repeats=len(first) - len(first.drop_duplicates(names)),
        once=once if taken.minutes > once else None,
        twice=twice if twice > taken.minutes else None,
    )
