"""Spread-out plans."""

from __future__ import annotations

import numpy as np
import pytest

from doe.domain.masks import is_forbidden
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.plans.points import coded_of
from doe.plans.spread import LEVELS
from tests.plans.studies import usual


def _nearest(coded: np.ndarray) -> float:
    """Mean distance from a coupon to the nearest other, in pairs of settings: the emptier, the smaller."""
    away = []
    for i in range(coded.shape[1]):
        for j in range(i):
            gaps = np.linalg.norm(coded[:, None, [i, j]] - coded[None, :, [i, j]], axis=-1)
            np.fill_diagonal(gaps, np.inf)
            away.append(gaps.min(axis=1).mean())
    return float(np.mean(away))


@pytest.mark.parametrize("coupons", [12, 20, 28])
def test_each_setting_takes_many_values_and_pairs_of_settings_are_spread(coupons):
    study = usual(4)
    plan = make_plan(study, coupons=coupons, kind="spread", seed=3)
    assert len(plan.coupons) == coupons
    assert (plan.coupons["role"].str.contains("centre")).sum() == (2 if coupons < 16 else 3)
    coded, _ = coded_of(study, plan.settings)
    for column in coded.T:
        assert len(np.unique(np.round(column, 2))) >= LEVELS
        assert np.abs(column).max() < 1  # not at the ends, where a machine that wanders leaves the tested region
    optimal, _ = coded_of(study, make_plan(study, coupons=coupons, seed=3, kind="optimal").settings)
    assert _nearest(coded) > 1.5 * _nearest(optimal)


def _at_both_extremes(study: Study, kind: str, coupons: int, seed: int) -> int:
    """Coupons with both temperatures in the same outer tenth of their ranges."""
    plan = make_plan(study, coupons=coupons, kind=kind, seed=seed)
    coded, _ = coded_of(study, plan.settings)
    oven, press = (coded[:, study.factor_names.index(name)] for name in ("cure_temp", "press_temp"))
    return int(((np.minimum(np.abs(oven), np.abs(press)) >= 0.8) & (oven * press > 0)).sum())


@pytest.mark.parametrize("coupons", [12, 20, 28])
def test_few_coupons_are_made_where_both_machines_are_at_the_same_extreme(coupons):
    study = usual(4)
    for seed in range(4):
        few = _at_both_extremes(study, "spread", coupons, seed)
        assert few <= coupons / 6
        assert few < _at_both_extremes(study, "optimal", coupons, seed)


def test_each_machine_takes_six_settings_in_few_batches():
    study = usual(4)
    for coupons, most in ((12, LEVELS + 2), (20, LEVELS + 3), (28, LEVELS + 3)):
        plan = make_plan(study, coupons=coupons, kind="spread", seed=2).coupons
        for name, batch in (("cure_temp", "cure_batch"), ("press_temp", "press_batch")):
            # the centre is a seventh setting, made first and last
            assert plan[name].nunique() <= LEVELS + 1
            assert plan[batch].nunique() <= most


def test_the_same_seed_gives_the_same_plan_and_levels_are_shared_evenly():
    study = usual(2, "fabric")
    first, again = (make_plan(study, coupons=16, kind="spread", seed=5).coupons for _ in range(2))
    assert first.equals(again)
    counts = first["fabric"].value_counts()
    assert counts.max() - counts.min() <= 3


def test_no_coupon_is_forbidden():
    study = usual(3, forbidden=("cure_temp >= 130 and cure_time >= 150",))
    plan = make_plan(study, coupons=20, kind="spread", seed=1)
    assert not is_forbidden(study.forbidden, plan.settings).any()
