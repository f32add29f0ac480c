"""Sentences about the order of a round."""

from __future__ import annotations

import pandas as pd

from doe.domain.factors import Stage
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.order import STAGES, cheapest_minutes
from doe.plans.plan import REPEAT_CENTRE
from doe.plans.settle import hard_factors
from doe.plans.timing import queue_minutes, random_minutes

_MACHINE = {"cure": "oven", "press": "press"}


def order_notes(study: Study, frame: pd.DataFrame, line: Line, order: str) -> tuple[str, ...]:
    """What a person should know about the order of this round: batches, minutes, strokes."""
    # a machine with nothing to dial in runs one batch: there is nothing to say about its order
    notes = [_machine_note(study, frame, line, stage, order) for stage in STAGES if hard_factors(study, stage)]
    easy = [f for f in study.numeric if f.is_temperature and not f.hard_to_change]
    notes += [
        f"{f.label} is a temperature but not marked as hard to change: it is changed from coupon to coupon, "
        "and no settling time is counted for it."
        for f in easy
    ]
    if line.coupons_per_stroke > 1:
        shared = int(frame["stroke"].duplicated(keep=False).sum())
        if shared:
            notes.append(
                f"{shared} coupons share a press stroke with another. They are sub-samples of that stroke: "
                "it counts once where press settings are judged."
            )
    return tuple(notes)


def _machine_note(study: Study, frame: pd.DataFrame, line: Line, stage: Stage, order: str) -> str:
    machine = _MACHINE[stage]
    taken = queue_minutes(study, frame, line, stage)
    if order == "random":
        text = (
            f"{machine.capitalize()}: fully random order with {taken.changes} changes of setting, "
            f"{taken.minutes:.0f} minutes of settling."
        )
        if (frame["role"] == REPEAT_CENTRE).any():
            text += " The first and the last coupon are centre coupons all the same."
        return text
    batches = int(frame[f"{stage}_batch"].nunique())
    names = [f.name for f in hard_factors(study, stage)]
    at_random = random_minutes(study, frame, line, stage)
    text = (
        f"{machine.capitalize()}: {batches} {'batch' if batches == 1 else 'batches'}, "
        f"{taken.minutes:.0f} minutes of settling, where a fully random order would take about {at_random:.0f}."
    )
    first = frame.drop_duplicates(f"{stage}_batch")
    repeats = int(len(first) - len(first.drop_duplicates(names)))
    if repeats:
        text += (
            f" {repeats} {'batch repeats' if repeats == 1 else 'batches repeat'} an earlier setting, "
            "from which the batch-to-batch error is estimated."
        )
    else:
        text += " No setting is repeated, so this round alone cannot tell a batch from its setting."
    return text + _price_of_repeats(study, frame, line, stage, taken.minutes)


def _price_of_repeats(study: Study, frame: pd.DataFrame, line: Line, stage: Stage, taken: float) -> str:
    """What repeated batches cost, and what more of them would."""
    once = cheapest_minutes(study, frame, line, stage, times=1)
    twice = cheapest_minutes(study, frame, line, stage, times=2)
    text = ""
    if taken > once:
        text += f" Each setting once, without a centre coupon at the start and the end, would take {once:.0f}."
    if twice > taken:
        text += (
            f" Every setting in two batches (order: repeated) would take {twice:.0f} or more and tell more about it."
        )
    return text
