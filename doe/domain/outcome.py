"""What can be said of a coupon, and the columns of a results frame that hold it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from doe.domain.errors import InputError, plain
from doe.domain.spec import HAND_HIGH, HAND_LOW, HAND_STEP

if TYPE_CHECKING:
    import pandas as pd

Side = Literal["", "under", "over", "other", "unknown"]
SIDES: tuple[str, ...] = get_args(Side)

Grade = Literal["", "clean", "just", "slight", "bad"]
GRADES: tuple[str, ...] = get_args(Grade)
"""How far a coupon lies from the line between pass and fail: clean or only just passed, failed slightly or badly."""
CLEAN, JUST, SLIGHT, BAD = GRADES[1:]
PASSED_GRADES = (CLEAN, JUST)


def grade_fits(grade: str, passed: bool | None) -> bool:
    """Whether a grade goes with the result: one that a later wash contradicts does not.

    >>> grade_fits("just", True), grade_fits("clean", False), grade_fits("bad", None), grade_fits("", True)
    (True, False, True, True)
    """
    return not grade or passed is None or (grade in PASSED_GRADES) == passed


HANDLED_WELL, HANDLED_BADLY = "yes", "no"
HANDLED: tuple[str, ...] = ("", HANDLED_WELL, HANDLED_BADLY)
"""Whether a coupon was powdered evenly and peeled at its wait; empty where nobody looked."""
HANDLED_COLUMN = "handled well"
"""Its column: with a space, so that no setting of any study has its name."""

POINTED: tuple[Side, ...] = ("under", "over", "other")
"""What a symptom may point to."""
POINTS_PREFIX = "points_"

WAITING, HELD, LATE = "waiting", "held", "failed"
"""What is known of a coupon's checks after washing: one is still to come, all passed, or only they showed a failure."""

CHECK_PREFIX = "check_"
HAND_PREFIX = "hand_"
ACTUAL_PREFIX = "actual_"
BATCH_COLUMNS = ("round", "cure_batch", "press_batch", "garment")


def hand_columns(frame: pd.DataFrame) -> list[str]:
    """Columns of a results frame with the hand-feel of a person each."""
    return [c for c in map(str, frame.columns) if c.startswith(HAND_PREFIX)]


@dataclass(frozen=True)
class ScoreCounts:
    """How far the scoring of a study has come. ``unfinished`` coupons have some but not all of their checks.

    ``passed`` is None while somebody still scores blind: what came out so far is kept back from whoever scores.
    """

    coupons: int
    scored: int
    passed: int | None
    unfinished: int
    void: int

    @property
    def waiting(self) -> int:
        """Coupons without any pass/fail result that are not void."""
        return self.coupons - self.scored - self.void


def washed(values: Sequence[bool | None], late: Sequence[bool]) -> str:
    """What is known of a coupon's checks after washing, from each check's result and whether it is one of them.

    >>> washed((True, None), (False, True)), washed((True, True), (False, True)), washed((True, False), (False, True))
    ('waiting', 'held', 'failed')
    >>> washed((False, None), (False, True)), washed((None, None), (False, True)), washed((True,), (False,))
    ('', '', '')
    """
    after = [value for value, is_late in zip(values, late, strict=True) if is_late]
    before = [value for value, is_late in zip(values, late, strict=True) if not is_late]
    if not after or False in before or all(value is None for value in values):
        return ""
    if False in after:
        return LATE
    return WAITING if None in after else HELD


def is_unfinished(values: Sequence[bool | None]) -> bool:
    """Whether a coupon passes so far and some of its checks is still to come.

    >>> is_unfinished((True, None)), is_unfinished((False, None)), is_unfinished((None, None)), is_unfinished((True,))
    (True, False, False, False)
    """
    return None in values and True in values and False not in values


def is_open_at_press(values: Sequence[bool | None], late: Sequence[bool]) -> bool:
    """Whether a coupon passes so far and a check before the wash is still to come, from what `washed` takes.

    >>> late = (False, False, True)
    >>> is_open_at_press((True, None, None), late), is_open_at_press((True, True, None), late)
    (True, False)
    """
    return is_unfinished(values) and any(
        value is None and not is_late for value, is_late in zip(values, late, strict=True)
    )


def grade_at_odds(grade: str, *, passed: bool, where: str) -> InputError:
    """The refusal of a grade that does not go with the result."""
    return InputError(
        where,
        f"{grade} on a coupon that {'passed' if passed else 'failed'}",
        "clean or just when it passed, slight or bad when it failed",
        "Correct the grade or the checks.",
    )


def check_hand(value: float, where: str) -> None:
    """Refuse a hand-feel score off the scale.

    Raises
    ------
    InputError
        Unless it is 1 to 5 in half steps.
    """
    if not (HAND_LOW <= value <= HAND_HIGH and float(value / HAND_STEP).is_integer()):
        raise InputError(
            where,
            plain(value),
            "1 to 5 in half steps",
            "Correct the score, or leave it empty if the coupon did not transfer.",
        )
