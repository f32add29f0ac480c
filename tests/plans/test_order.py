"""Batches, strokes and garments of a round."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.plans.order import STAGES
from doe.plans.timing import hours_at_machines, queue_minutes, random_settling
from tests.plans.studies import facts, usual

LINE = Line("line")


def hard(study, stage):
    return [f.name for f in study.factors if f.stage == stage and f.hard_to_change]


@pytest.mark.parametrize("order", ["batched", "repeated", "random"])
@pytest.mark.parametrize("kind", ["half", "full", "composite", "optimal"])
def test_a_batch_has_one_machine_setting_and_runs_without_interruption(kind, order):
    sizes = {"half": 12, "full": 20, "composite": 28, "optimal": 21}
    study = usual(4)
    coupons = make_plan(study, coupons=sizes[kind], kind=kind, order=order, seed=4).coupons
    for stage in STAGES:
        batches = coupons.groupby(f"{stage}_batch")
        assert (batches[hard(study, stage)].nunique() == 1).all(axis=None)
        queue = coupons.sort_values(f"{stage}_order")
        assert list(queue[f"{stage}_order"]) == list(range(1, len(coupons) + 1))
        assert queue[f"{stage}_batch"].is_monotonic_increasing
        # neighbouring batches differ, or they would be one batch
        first = queue.drop_duplicates(f"{stage}_batch")[hard(study, stage)].to_numpy()
        assert (first[1:] != first[:-1]).any(axis=1).all()


@given(seed=st.integers(0, 10_000), kind=st.sampled_from(["full", "composite", "optimal"]))
@settings(max_examples=12, deadline=None)
def test_ordering_keeps_every_coupon(seed, kind):
    study = usual(3)
    plans = [
        make_plan(study, coupons=16 if kind != "full" else 12, kind=kind, seed=seed, order=order)
        for order in ("batched", "repeated", "random")
    ]
    names = list(study.factor_names)
    first, *others = (plan.coupons[names].sort_values(names).to_numpy() for plan in plans)
    for other in others:
        assert np.array_equal(first, other)


@pytest.mark.parametrize("order", ["batched", "repeated", "random"])
@pytest.mark.parametrize("stroke", [1, 4])
def test_a_centre_coupon_is_first_and_last_at_both_machines(order, stroke):
    line = Line("line", coupons_per_stroke=stroke)
    coupons = make_plan(usual(4), coupons=28, kind="composite", seed=2, order=order, line=line).coupons
    ends = coupons[coupons["role"] == "repeat centre"]
    assert sorted(ends["cure_order"]) == [1, 28]
    assert sorted(ends["press_order"]) == [1, 28]
    assert (ends["cure_order"] == ends["press_order"]).all()


@pytest.mark.parametrize("kind", ["half", "full", "composite", "optimal", "box-behnken"])
def test_some_machine_setting_is_made_in_two_batches(kind):
    sizes = {"half": 12, "full": 20, "composite": 28, "optimal": 20, "box-behnken": 27}
    study = usual(4)
    coupons = make_plan(study, coupons=sizes[kind], kind=kind, seed=0).coupons
    for stage in STAGES:
        assert coupons.groupby(hard(study, stage))[f"{stage}_batch"].nunique().max() >= 2


def test_repeated_order_makes_every_setting_twice_for_more_minutes():
    study = usual(4)
    batched = make_plan(study, coupons=20, kind="full", seed=1).coupons
    repeated = make_plan(study, coupons=20, kind="full", seed=1, order="repeated").coupons
    for stage in STAGES:
        assert repeated.groupby(hard(study, stage))[f"{stage}_batch"].nunique().min() >= 2
        less, more = (queue_minutes(study, c, LINE, stage).minutes for c in (batched, repeated))
        assert less < more < random_settling(study, repeated, LINE, stage).minutes


def test_one_sweep_up_and_down_is_all_the_settling_of_a_batched_round():
    # start and end at the centre: 30 degC up at 1 min and 30 degC down at 1.5 min a degC; press 0.4 and 1.2
    study = usual(4)
    coupons = make_plan(study, coupons=20, kind="full", seed=9).coupons
    assert queue_minutes(study, coupons, LINE, "cure").minutes == pytest.approx(30 * 1.0 + 30 * 1.5)
    assert queue_minutes(study, coupons, LINE, "press").minutes == pytest.approx(30 * 0.4 + 30 * 1.2)


def test_expected_settling_of_a_random_order_agrees_with_drawn_orders():
    study = usual(3)
    coupons = make_plan(study, coupons=16, kind="composite", seed=1).coupons
    temperatures = coupons.sort_values("cure_order")["cure_temp"].to_numpy()
    rng = np.random.default_rng(8)
    inner = rng.permuted(np.tile(temperatures[1:-1], (3000, 1)), axis=1)
    step = np.diff(np.hstack([np.full((3000, 1), temperatures[0]), inner, np.full((3000, 1), temperatures[-1])]))
    drawn = np.where(step > 0, step * 1.0, -step * 1.5).sum(axis=1)
    expected = random_settling(study, coupons, LINE, "cure").minutes
    # four standard errors: 1 in 16 000 seeds would fail
    assert np.mean(drawn) == pytest.approx(expected, abs=4 * np.std(drawn) / 3000**0.5)


def test_order_inside_a_batch_is_random():
    study = usual(4)
    orders = set()
    for seed in range(6):
        coupons = make_plan(study, coupons=20, kind="full", seed=seed).coupons
        low = coupons[coupons["cure_temp"] == 110].sort_values("cure_order")
        orders.add(tuple(low[["cure_time", "press_temp", "dwell"]].itertuples(index=False, name=None)))
    assert len(orders) == 6


def test_coupons_of_one_stroke_share_press_settings_and_are_never_replicates():
    study = usual(4)
    line = Line("line", coupons_per_stroke=4)
    coupons = make_plan(study, coupons=28, kind="composite", seed=3, line=line).coupons
    strokes = coupons.groupby("stroke")
    assert strokes.size().max() == 4
    assert (strokes[["press_temp", "dwell", "press_batch"]].nunique() == 1).all(axis=None)
    assert not coupons.duplicated(["stroke", *study.factor_names]).any()
    # a stroke is pressed in one go
    assert (strokes["press_order"].max() - strokes["press_order"].min() + 1 == strokes.size()).all()


def test_without_shared_strokes_every_coupon_has_its_own():
    coupons = make_plan(usual(4), coupons=20, seed=3).coupons
    assert coupons["stroke"].is_unique


def test_garments_hold_the_coupons_they_can_and_cross_the_press_batches():
    coupons = make_plan(usual(4), coupons=28, kind="composite", seed=3).coupons
    garments = coupons.groupby("garment")
    assert len(garments) == 7
    assert garments.size().max() <= 4
    assert garments["press_batch"].nunique().min() >= 2


def test_garments_of_different_fabrics_stay_apart():
    study = usual(2, "fabric")
    coupons = make_plan(study, coupons=20, kind="optimal", seed=3).coupons
    assert (coupons.groupby("garment")["fabric"].nunique() == 1).all()


def test_a_temperature_not_marked_hard_to_change_is_named_in_the_notes():
    from dataclasses import replace

    study = usual(3)
    easy = Study("easy", tuple(replace(f, hard_to_change=False) for f in study.factors))
    plan = make_plan(easy, coupons=12, kind="full")
    named = [note.values["factor"] for note in facts(plan) if note.code == "temperature not hard to change"]
    assert named == ["cure_temp", "press_temp"]


def test_hours_add_up_by_hand():
    study = usual(4)
    plan = make_plan(study, coupons=20, kind="full", seed=9)
    time = hours_at_machines(study, plan.coupons, LINE)
    coupons = plan.coupons
    cure = coupons["cure_time"].sum() / 60
    press = (coupons["dwell"].sum() + 20 * (10 + 7)) / 60
    assert time.minutes == pytest.approx(75 + 48 + cure + press + 20 * 3.5)
    assert time.random_minutes > time.minutes


def test_held_times_are_used_for_the_hours():
    study = usual(2)
    held = Study("held", study.factors, held={"dwell": 60.0, "peel_wait": 0.0, "second_press_time": 0.0})
    coupons = make_plan(held, coupons=12, kind="composite").coupons
    assert hours_at_machines(held, coupons, LINE).press == pytest.approx(12)


def test_a_machine_with_nothing_to_dial_in_is_not_turned_away_and_back():
    study = Study("press only", tuple(f for f in usual(4).factors if f.stage == "press"))
    plan = make_plan(study, coupons=14, seed=1)
    assert plan.coupons["cure_batch"].nunique() == 1
    assert sorted(plan.coupons["cure_order"]) == list(range(1, 15))
    centre = plan.coupons.sort_values("cure_order")["role"].str.contains("centre")
    assert centre.iloc[0]
    assert centre.iloc[-1]
    assert [note.values["stage"] for note in facts(plan) if "stage" in note.values] == ["press"]
