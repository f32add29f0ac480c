"""Coupons of a comparison: pairs, order, edges of the window."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.assure.comparison.order import COOL, HOT, comparison_coupons, recipe_points
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.recipe import Recipe, RecipeSetting
from doe.domain.space import Forbidden
from doe.domain.stack import Line, Material, Stack
from doe.domain.study import Study

FACTORS = tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell"))
STUDY = Study("new powder", FACTORS)
WINDOWS = {
    "cure_temp": (120, 116, 125),
    "cure_time": (140, 130, 155),
    "press_temp": (154, 149, 158),
    "dwell": (14, 12, 16),
}


def recipe(**changes):
    made = tuple(
        RecipeSetting(
            f.name, f.label, f.unit, WINDOWS[f.name][0], window_low=WINDOWS[f.name][1], window_high=WINDOWS[f.name][2]
        )
        for f in FACTORS
    )
    base = Recipe(
        name="tee recipe",
        revision=1,
        stack=Stack("tee", Material("tee"), Material("film"), Material("powder")),
        line=Line("back room"),
        settings=made,
        pass_rate=0.97,
        pass_rate_low=0.9,
        study="new powder",
        approved_by="ana",
        approved_at=datetime(2031, 3, 4, tzinfo=UTC),
        review_on=date(2032, 3, 4),
        exception="a test",
    )
    return replace(base, **changes)


def test_edges_are_the_coolest_and_the_hottest_corner_of_the_window():
    points = recipe_points(recipe(), STUDY).set_index("role")
    assert list(points.index) == ["setpoint", COOL, HOT]
    assert points.loc[COOL].to_dict() == {n: w[1] for n, w in WINDOWS.items()} | {"cure_time": 130}
    assert points.loc[HOT].to_dict() == {n: w[2] for n, w in WINDOWS.items()}


def test_what_adds_no_heat_stays_at_the_setpoint():
    study = replace(STUDY, factors=(*FACTORS, usual_factor("powder_amount")))
    more = RecipeSetting("powder_amount", "powder amount", "g/m2", 50.0, window_low=40.0, window_high=60.0)
    points = recipe_points(recipe(settings=(*recipe().settings, more)), study)
    assert (points["powder_amount"] == 50).all()


def test_a_recipe_without_a_window_has_a_setpoint_only_and_forbidden_edges_are_left_out():
    bare = tuple(replace(s, window_low=None, window_high=None) for s in recipe().settings)
    assert list(recipe_points(recipe(settings=bare), STUDY)["role"]) == ["setpoint"]
    forbidden = Forbidden.parse("press_temp >= 157 and dwell >= 15", FACTORS)
    assert list(recipe_points(recipe(), replace(STUDY, forbidden=(forbidden,)))["role"]) == ["setpoint", COOL]
    at_setpoint = Forbidden.parse("press_temp >= 150 and dwell >= 13", FACTORS)
    with pytest.raises(InputError, match="forbidden combination"):
        recipe_points(recipe(), replace(STUDY, forbidden=(at_setpoint,)))


def test_a_setpoint_outside_the_range_of_the_new_stack_is_refused():
    cooler = replace(STUDY, factors=(*FACTORS[:2], usual_factor("press_temp", high=150), FACTORS[3]))
    with pytest.raises(InputError, match=r"154 °C .309.2 °F.; allowed: 140 .*study of its own"):
        recipe_points(recipe(), cooler)


@given(
    strokes=st.integers(1, 25),
    edge=st.integers(0, 5),
    fit=st.sampled_from([1, 2, 6]),
    seed=st.integers(0, 99),
    own=st.booleans(),
)
@settings(deadline=None, max_examples=25)
def test_every_pair_is_one_coupon_of_each_side_by_side(strokes, edge, fit, seed, own):
    points = recipe_points(recipe(), STUDY)
    line = Line("back room", coupons_per_stroke=fit)
    made = comparison_coupons(STUDY, points, strokes=strokes, edge_strokes=edge, line=line, seed=seed, own_garments=own)
    pairs = strokes + 2 * edge
    assert len(made) == 2 * pairs
    assert made["coupon"].is_unique
    for stage in ("cure", "press"):
        assert sorted(made[f"{stage}_order"]) == list(range(1, 2 * pairs + 1))
    for _, pair in made.groupby("pair"):
        assert set(pair["material"]) == {"new", "incumbent"}
        for name in (*STUDY.factor_names, "role", "cure_batch", "press_batch"):
            assert pair[name].nunique() == 1
        assert abs(pair["cure_order"].diff().iloc[-1]) == 1
        assert abs(pair["press_order"].diff().iloc[-1]) == 1
        assert pair["stroke"].nunique() == (1 if fit > 1 else 2)
        if own:
            assert pair["garment"].nunique() == 2
    if own:  # a garment is of one fabric
        assert (made.groupby("garment")["material"].nunique() == 1).all()
    first = made.sort_values("press_order").drop_duplicates("pair")
    assert abs((first["material"] == "new").sum() - pairs / 2) <= 0.5
    assert made.sort_values("press_order")["role"].iloc[[0, -1]].tolist() == ["setpoint"] * 2 if strokes > 1 else True
    assert (made.groupby("garment").size() <= 4).all()


def test_the_same_seed_gives_the_same_order_and_another_another():
    points = recipe_points(recipe(), STUDY)
    one, same, other = (
        comparison_coupons(STUDY, points, strokes=12, edge_strokes=4, line=Line("a"), seed=s, own_garments=True)
        for s in (1, 1, 2)
    )
    assert one.equals(same)
    assert not one.equals(other)


def test_nothing_and_too_much_are_refused():
    points = recipe_points(recipe(), STUDY)
    for strokes, edge in ((0, 0), (-1, 4), (500, 0)):
        with pytest.raises(InputError, match="strokes"):
            comparison_coupons(
                STUDY, points, strokes=strokes, edge_strokes=edge, line=Line("a"), seed=1, own_garments=True
            )
    assert np.isfinite(points[list(STUDY.factor_names)].to_numpy()).all()
