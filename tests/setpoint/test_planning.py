"""What a shop's earlier studies do to the choice of a plan, and what they leave alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.stack import DEFAULT_LINE
from doe.plans.build import make_plan as plan_of_kind
from doe.setpoint import planning
from doe.setpoint.planning import PlanWorth, plan_worths
from doe.surfaces.scaling import Scaling
from doe.surfaces.shop import ShopHistory, TraitEvidence
from doe.surfaces.window_model import WIDTH, Priors
from doe.words.study.plans import plan_notes

SEED = 7


def shop_of(study: doe.Study, shift: float) -> ShopHistory:
    """Three studies that agree on how fast windows close: ``shift`` on the log scale above what priors expect."""
    priors, k = Priors(), len(study.numeric)
    scaling = Scaling(study.factors)
    middle = priors.log_steepness[0] - np.log([scaling.half_range(f) for f in study.numeric])
    own = priors.log_steepness[1] ** 2 * np.eye(k) + priors.log_steepness_common_sd**2
    told = np.linalg.inv(np.linalg.inv(own) + np.eye(k) / 0.05**2)
    mean = middle + told @ np.full(k, shift / 0.05**2)
    rows = [tuple(tuple(map(float, row)) for row in matrix) for matrix in (told, own)]
    names = tuple(f.name for f in study.numeric)
    one = TraitEvidence(WIDTH, names, tuple(map(float, mean)), rows[0], tuple(map(float, middle)), rows[1])
    return ShopHistory(("a", "b", "c"), (one,) * 3)


def plans_of(study: doe.Study, coupons: int, *kinds: str) -> list[doe.Plan]:
    return [plan_of_kind(study, coupons=coupons, kind=kind, seed=SEED) for kind in kinds]


def test_without_a_shop_a_plan_is_the_one_it_always_was(study: doe.Study) -> None:
    for coupons in (12, 20, 28):
        usual = plan_of_kind(study, coupons=coupons, seed=SEED)
        for shop in (None, doe.learn_shop([])):
            made = doe.make_plan(study, coupons=coupons, seed=SEED, shop=shop)
            assert (made.kind, made.notes) == (usual.kind, usual.notes)
            pd.testing.assert_frame_equal(made.coupons, usual.coupons)


def test_a_kind_that_is_named_is_made_whatever_the_shop_says(study: doe.Study, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planning, "SURE", -np.inf)
    made = doe.make_plan(study, coupons=20, kind="d-optimal", seed=SEED, shop=shop_of(study, 0.0))
    pd.testing.assert_frame_equal(made.coupons, plans_of(study, 20, "d-optimal")[0].coupons)


def test_auto_takes_the_kind_that_is_surely_better_on_lines_like_the_shops(
    study: doe.Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def found(_: doe.Study, plans: list[doe.Plan], shop: ShopHistory, *, seed: int) -> list[PlanWorth]:
        asked.append((len(shop.studies), seed))
        better = {"spread": 0.9, "optimal": 0.5}
        rng = np.random.default_rng(1)
        return [
            PlanWorth(p.kind, (rng.random(500) < better.get(p.kind, 0.4)).astype(float), better.get(p.kind, 0.4))
            for p in plans
        ]

    monkeypatch.setattr(planning, "plan_worths", found)
    made = doe.make_plan(study, coupons=20, seed=SEED, shop=shop_of(study, 0.0))
    assert asked == [(3, SEED)]
    assert plan_of_kind(study, coupons=20, seed=SEED).kind == "optimal"
    assert made.kind == "spread"
    pd.testing.assert_frame_equal(made.coupons, plans_of(study, 20, "spread")[0].coupons)
    said = " ".join(plan_notes(made.notes, study))
    assert "3 earlier studies of this shop" in said
    assert "90 of 100" in said
    # within the noise the usual kind stays
    monkeypatch.setattr(planning, "SURE", 1000.0)
    assert doe.make_plan(study, coupons=20, seed=SEED, shop=shop_of(study, 0.0)).kind == "optimal"


def test_plans_are_worth_more_where_the_shops_windows_are_wide_and_less_where_coupons_are_few(
    study: doe.Study,
) -> None:
    few, many = plans_of(study, 12, "half")[0], plans_of(study, 28, "optimal")[0]
    wide = plan_worths(study, [few, many], shop_of(study, -1.2), seed=SEED)
    narrow = plan_worths(study, [few, many], shop_of(study, 0.8), seed=SEED)
    assert len(wide[0].each) > 1.3 * len(narrow[0].each)  # the wanted rate can be reached on more of the lines
    for few_worth, many_worth in (wide, narrow):
        gain = many_worth.each - few_worth.each
        assert gain.mean() > 3 * gain.std() / np.sqrt(len(gain))
    assert wide[1].holds > narrow[1].holds + 0.05


def test_what_coupons_cannot_show_makes_a_plan_worth_less(study: doe.Study) -> None:
    spread = plans_of(study, 12, "spread")[0]
    centre = {f.name: spread.coupons[f.name].iloc[0] for f in study.numeric}
    alone = replace(spread, coupons=spread.coupons.assign(**centre))
    everywhere, nowhere = plan_worths(study, [spread, alone], shop_of(study, 0.0), seed=SEED)
    gain = everywhere.each - nowhere.each
    assert gain.mean() > 3 * gain.std() / np.sqrt(len(gain))


def test_levels_and_few_coupons_are_planned_as_ever(study: doe.Study, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planning, "SURE", -np.inf)
    shop = shop_of(study, 0.0)
    levels = replace(study, factors=(*study.factors, doe.Factor("film", levels=("hot", "cold"))))
    for asked, coupons in ((study, 11), (levels, 20)):
        made = doe.make_plan(asked, coupons=coupons, seed=SEED, shop=shop, line=DEFAULT_LINE)
        pd.testing.assert_frame_equal(made.coupons, plan_of_kind(asked, coupons=coupons, seed=SEED).coupons)
