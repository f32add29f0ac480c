"""Rounds too small for centre coupons, and seeds that are none."""

from __future__ import annotations

import pytest

import doe
from doe.plans.build import augment_plan, make_plan

STUDY = doe.Study("s", (doe.usual_factor("cure_temp"), doe.usual_factor("press_temp")))


@pytest.mark.parametrize("coupons", [1, 4, 5])
def test_a_small_round_is_added_without_results(coupons: int) -> None:
    plan = make_plan(STUDY, coupons=12, kind="optimal", seed=1)
    longer = augment_plan(plan, coupons=coupons, seed=1)
    assert (longer.coupons["round"] == 2).sum() == coupons


def test_a_negative_seed_is_refused() -> None:
    with pytest.raises(doe.InputError, match="seed: found -1"):
        make_plan(STUDY, coupons=12, seed=-1)


@pytest.mark.parametrize("coupons", ["20", 12.5, None])
def test_coupons_are_counted_in_whole_ones(coupons: object) -> None:
    with pytest.raises(doe.InputError, match="coupons: found"):
        make_plan(STUDY, coupons=coupons)  # type: ignore[arg-type] # what is tested
