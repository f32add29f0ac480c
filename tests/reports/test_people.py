"""What the page of people says of a hand-feel score: whose share a correlation is, and what its limits are."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from doe.assure.people.agreement import judge_hand_agreement
from reports.people import _icc_table


def scores(apart: float, habit: float) -> pd.DataFrame:
    """Twelve coupons that lie ``apart`` points from each other, by two people with a ``habit`` of one."""
    rng = np.random.default_rng(4)
    coupon = 3 + apart * rng.normal(size=12)
    told = {"ana": coupon + 0.3 * rng.normal(size=12), "ben": coupon + habit + 0.3 * rng.normal(size=12)}
    return pd.DataFrame(told).clip(1, 5)


def shown(apart: float, habit: float = 0.0) -> tuple[dict[tuple[str, str], float], list[list[float]], str]:
    table = _icc_table(judge_hand_agreement(scores(apart, habit)))
    assert table is not None
    limits = [[float(end) for end in row[3].replace("−", "-").split(" to ")] for row in table.rows]
    return {(row[0], row[1]): float(row[2].replace("−", "-")) for row in table.rows}, limits, table.note


def test_a_correlation_is_the_share_of_what_differs_that_is_the_coupons_own() -> None:
    alike, _, note = shown(1.0)
    assert "Share of what differs between scores that is the coupons' own. 1: a score stands for its coupon." in note
    any_such, these = (
        next(kind for kind, _ in alike if kind.startswith(start)) for start in ("any such people", "these people")
    )
    # the share as it was made: coupons 1.0 squared against scatter of 0.3 squared
    assert alike[any_such, "one score"] == pytest.approx(1 / 1.09, abs=0.08)
    # a habit lowers what any such people would say, and nothing once it is taken out
    apart, _, _ = shown(1.0, habit=1.0)
    assert apart[any_such, "one score"] < alike[any_such, "one score"] - 0.1
    assert apart[these, "one score"] == pytest.approx(alike[these, "one score"], abs=0.05)
    assert alike[any_such, "mean of 2"] > alike[any_such, "one score"]


def test_limits_for_any_such_people_never_lie_below_nothing() -> None:
    values, limits, note = shown(0.0)
    assert "generalized limits: they never lie below 0, where textbook limits may" in note
    of_any = [ends for (kind, _), ends in zip(values, limits, strict=True) if kind.startswith("any such people")]
    of_these = [ends for (kind, _), ends in zip(values, limits, strict=True) if kind.startswith("these people")]
    assert min(low for low, _ in of_any) >= 0
    assert min(low for low, _ in of_these) < 0
