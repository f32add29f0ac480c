"""Invented stacks, studies and plans for the tests of storage."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pandas as pd

from doe.book.book import Book
from doe.domain.factors import usual_factor
from doe.domain.gauge import GaugeReading, MachineKind
from doe.domain.recipe import ConfirmationRecord, Recipe, RecipeSetting
from doe.domain.stack import DEFAULT_LINE, Line, Material, Stack
from doe.domain.study import Study

STACK = Stack("blank A", Material("cotton", "Invented Mill", "M-1"), Material("film", lot="F-1"), Material("powder"))
WHEN = datetime(2030, 1, 1, 9, 30, tzinfo=UTC)
PROOF = ConfirmationRecord(0.9, 0.9, 0, 22, "coupon", 22, 0, 0.9006, 1.0, WHEN)
RECIPE = Recipe(
    "tee white",
    1,
    STACK,
    DEFAULT_LINE,
    (
        RecipeSetting("cure_temp", "cure temperature", "degC", 120, 124, 1.5, 116, 125),
        RecipeSetting("peel_mode", "peel", "", "hot"),
    ),
    0.96,
    0.9,
    "first article",
    "Kim",
    WHEN,
    date(2031, 1, 1),
    PROOF,
    held={"pressure": 3.0, "peel_mode": "hot"},
    handling=("Wait 20 s before the peel.",),
)


def make_study(name: str = "first article") -> Study:
    return Study(name, (usual_factor("cure_temp", low=110, high=140), usual_factor("dwell", low=8, high=20)))


def make_plan(coupons: int = 4, *, number: int = 1) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "coupon": [f"R{number}-{i + 1:02d}" for i in range(coupons)],
            "cure_temp": [110.0 + i % 31 for i in range(coupons)],
            "dwell": [8.0 + i % 13 for i in range(coupons)],
            "round": number,
            "cure_batch": [10 * number + i // 2 for i in range(coupons)],
            "press_batch": [10 * number + i // 2 for i in range(coupons)],
            "cure_order": range(1, coupons + 1),
            "press_order": range(1, coupons + 1),
            "garment": [1 + i // 4 for i in range(coupons)],
            "stroke": range(1, coupons + 1),
            "role": ["corner", "centre"] * (coupons // 2) + ["corner"] * (coupons % 2),
        }
    )


def fill(book: Book, name: str = "first article", coupons: int = 4) -> int:
    """Stack, line, study and plan in one go; returns the study's id."""
    book.save_stack(STACK)
    book.save_line(Line("line 1"))
    study_id = book.add_study(make_study(name), stack="blank A", line="line 1")
    book.save_round(study_id, make_plan(coupons), kind="full", seed=7, notes=["invented"])
    return study_id


def ticking(start: datetime = datetime(2030, 1, 1, tzinfo=UTC)) -> Callable[[], datetime]:
    """A clock that moves on a minute every time it is read."""
    minutes = iter(range(10**9))
    return lambda: start + timedelta(minutes=next(minutes))


def read_machine(book: Book, line: str, off: float, when: datetime, kind: MachineKind = "oven") -> None:
    """Keep three readings of a machine that is as far off at each setting."""
    for at in (110, 125, 140):
        book.add_gauge_reading(line, GaugeReading(kind, at, at, at + off, taken_at=when))
