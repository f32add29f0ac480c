"""Coupons are planned so that few are expected above a limit, counting dial and setting error; it is said how many."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doe.domain.factors import usual_factor
from doe.domain.limits import Limits
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.plans.margin import MOST_ABOVE, expected_above, plan_below
from doe.words.study.plans import plan_notes

LIMITS = Limits(165.0, 165.0, 190.0, 190.0, 190.0, 60.0, 5.0)
AT_LIMIT = Study(
    "at the limit",
    (
        usual_factor("cure_temp", low=110, high=140, setting_sd=4),
        usual_factor("cure_time"),
        usual_factor("press_temp", low=135, high=165, setting_sd=5),
        usual_factor("dwell"),
    ),
    limits=LIMITS,
)
DIAL = {"press_temp": 4.4}


def make(study: Study):
    return make_plan(study, coupons=20, kind="optimal", seed=3)


def hottest(plan) -> float:
    return float(plan.coupons["press_temp"].max())


def test_expected_coupons_are_those_of_a_simulation():
    settings = pd.DataFrame({"press_temp": [150.0, 160.0, 165.0, 165.0], "cure_temp": 120.0, "cure_time": 120.0})
    settings["dwell"] = 10.0
    found = expected_above(AT_LIMIT, settings, DIAL)
    rng = np.random.default_rng(4)
    error = rng.normal(0, 5, (200_000, 4)) + rng.normal(0, 4.4, (200_000, 4))
    above = (settings["press_temp"].to_numpy() + error > 165).sum(axis=1).mean()
    assert found["press_temp"] == pytest.approx(above, abs=0.01)
    assert found["press_temp"] > 1  # both at the limit, half of the time
    assert set(found) == {"press_temp", "cure_temp"}
    without = expected_above(replace(AT_LIMIT, limits=None), settings, DIAL)
    assert without == {}


def test_a_plan_at_a_limit_keeps_below_it_and_says_how_many_coupons_are_expected_above():
    plain, kept = make(AT_LIMIT), plan_below(AT_LIMIT, make, DIAL)
    above = [expected_above(AT_LIMIT, p.coupons, DIAL)["press_temp"] for p in (plain, kept)]
    assert above[0] > 3
    assert above[1] <= MOST_ABOVE * 20
    assert hottest(kept) < hottest(plain) == 165
    (note,) = [n for n in kept.notes if getattr(n, "code", "") == "near a limit"]
    assert note.values["expected"] == pytest.approx(above[1])
    (told,) = plan_notes([note], AT_LIMIT)
    assert f"about {above[1]:.1f} of 20 coupons are expected above the 165 °C (329 °F) that a material takes" in told
    assert "below the asked range" in told


def test_a_better_known_dial_lets_coupons_nearer_to_the_limit():
    ends = [hottest(plan_below(AT_LIMIT, make, {"press_temp": u})) for u in (0.0, 4.4, 8.0)]
    assert ends == sorted(ends, reverse=True)
    assert ends[0] > ends[-1]


def test_a_plan_far_from_its_limits_is_the_plan_as_it_was():
    far = replace(AT_LIMIT, limits=replace(LIMITS, film_max_degc=199.0, powder_max_degc=199.0))
    pd.testing.assert_frame_equal(plan_below(far, make, DIAL).coupons, make(far).coupons)
    assert plan_below(far, make, DIAL).notes == make(far).notes


def test_an_error_as_wide_as_the_range_never_takes_more_than_its_upper_half():
    kept = plan_below(AT_LIMIT, make, {"press_temp": 60.0})
    assert hottest(kept) >= 150 - AT_LIMIT.factor("press_temp").trial_error
    assert math.isfinite(hottest(kept))


def test_the_plan_of_a_study_at_its_limit_says_it_before_a_coupon_is_made(shop_with):
    shop = shop_with(0)
    name = "new powder on the heavy tee"
    shop.good("study", "limits", name, "--limit", "film_max=170@a new sheet")
    said = "are expected above the 170 °C (338 °F) that a material takes"
    offered = shop.good("plan", name, "--coupons", "16", env={"COLUMNS": "400"}).out
    assert said in " ".join(offered.split())
    made = shop.good("plan", name, "--coupons", "16", "--choose", "auto", env={"COLUMNS": "400"}).out
    assert said in " ".join(made.split())
    with shop.open() as book:
        coupons = book.plan_coupons(name)
        study = book.study(name).study
    rate = expected_above(study, coupons, {})["press_temp"] / len(coupons)
    assert rate <= MOST_ABOVE
    assert coupons["press_temp"].max() < 170
