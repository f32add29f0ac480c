"""Textbook plans: counts, balance, what they carry."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.plans.build import make_plan
from doe.plans.classical import base_points, base_size, edges, sizes, star, two_level
from doe.plans.points import coded_of
from doe.plans.variance import expand, rank_of
from tests.plans.studies import plain, usual


@pytest.mark.parametrize(
    ("kind", "counts"),
    [
        ("half", {3: 4, 4: 8, 5: 16, 6: 32}),
        ("quarter", {5: 8, 6: 16}),
        ("full", {2: 4, 3: 8, 4: 16, 5: 32, 6: 64}),
        # from five factors on the cube of the composite is a half fraction of resolution V or VI
        ("composite", {2: 8, 3: 14, 4: 24, 5: 26, 6: 44}),
        ("box-behnken", {3: 12, 4: 24, 5: 40, 6: 48}),
    ],
)
def test_plans_have_the_textbook_number_of_points(kind, counts):
    for k, expected in counts.items():
        assert base_size(plain(k), kind) == expected


@pytest.mark.parametrize("k", range(2, 7))
def test_two_level_plans_are_balanced_and_orthogonal(k):
    kinds = ["", *(["half"] if k >= 3 else []), *(["quarter"] if k >= 5 else [])]
    for fraction in kinds:
        X = two_level(k, fraction)
        assert np.array_equal(X.T @ X, len(X) * np.eye(k))
        assert np.array_equal(X.sum(axis=0), np.zeros(k))


@pytest.mark.parametrize("k", range(3, 7))
def test_half_fraction_is_a_full_factorial_in_any_other_factors(k):
    X = two_level(k, "half")
    for left_out in range(k):
        assert len(np.unique(np.delete(X, left_out, axis=1), axis=0)) == 2 ** (k - 1)


def test_half_and_its_mirror_make_up_the_full_factorial():
    both = np.vstack([two_level(4, "half"), two_level(4, "half", mirrored=True)])
    assert len(np.unique(both, axis=0)) == 16


@pytest.mark.parametrize("k", range(3, 7))
def test_box_behnken_keeps_off_corners_and_faces_every_factor_evenly(k):
    X = edges(k)
    ends = np.abs(X).sum(axis=1)
    assert set(ends) == ({3.0} if k == 6 else {2.0})
    assert len(set(np.abs(X).sum(axis=0))) == 1
    assert np.array_equal(X.sum(axis=0), np.zeros(k))


@pytest.mark.parametrize(
    ("kind", "k"), [*(("composite", k) for k in range(2, 7)), *(("box-behnken", k) for k in range(3, 7))]
)
def test_composite_and_box_behnken_carry_the_full_quadratic(kind, k):
    study = plain(k)
    plan = make_plan(study, coupons=base_size(study, kind) + 2, kind=kind)
    X = expand(study, *coded_of(study, plan.coupons), "quadratic")
    assert rank_of(X) == X.shape[1] == 1 + 2 * k + k * (k - 1) // 2


def test_star_points_are_the_face_centres():
    points = star(3)
    assert sorted(map(tuple, points)) == sorted(
        tuple(s * (i == j) for j in range(3)) for i, s in itertools.product(range(3), (-1.0, 1.0))
    )


def test_named_factors_are_crossed():
    study = plain(2, named=(3,))
    plan = make_plan(study, coupons=12 + 4, kind="full")
    corners = plan.coupons[plan.coupons["role"] == "corner"]
    assert len(corners.drop_duplicates(["x1", "x2", "c1"])) == 12


def test_a_factor_of_two_named_levels_is_part_of_the_fraction():
    # three ranges and one named factor of two levels: the resolution-IV half of four factors, 8 coupons
    study = plain(3, named=(2,))
    plan = make_plan(study, coupons=12, kind="half")
    corners = plan.coupons[plan.coupons["role"] == "corner"]
    assert len(corners) == 8
    for pair in itertools.combinations(study.factor_names, 3):
        assert len(corners.drop_duplicates(list(pair))) == 8


def test_centre_coupons_fill_the_budget():
    for coupons in (18, 20, 22):
        plan = make_plan(usual(4), coupons=coupons, kind="full")
        assert len(plan.coupons) == coupons
        assert plan.coupons["role"].isin(["centre", "repeat centre"]).sum() == coupons - 16


def test_a_size_that_does_not_exist_is_refused_with_the_sizes_that_do():
    with pytest.raises(InputError, match="allowed: 18 to 22, 34 to 38"):
        make_plan(usual(4), coupons=25, kind="full")


def test_box_behnken_of_two_factors_is_refused_with_what_is_allowed():
    with pytest.raises(InputError, match="allowed: 3 to 6"):
        make_plan(usual(2), coupons=20, kind="box-behnken")
    with pytest.raises(InputError, match="allowed: 3 to 6"):
        make_plan(usual(2), coupons=20, kind="half")


def test_copies_keep_every_point_equally_often():
    plan = make_plan(usual(2), coupons=20, kind="full")
    corners = plan.coupons[plan.coupons["role"] == "corner"]
    assert set(corners.groupby(["cure_temp", "cure_time"]).size()) == {4}
    assert sizes(usual(2), "full")[3] == (18, 22)


def test_the_other_fraction_is_taken_when_it_is_free_of_forbidden_combinations():
    # a corner of three factors at once lies in one of the two fractions of 2^3 only
    study = usual(3, forbidden=("cure_temp >= 139 and cure_time >= 209 and press_temp >= 169",))
    points, notes = base_points(study, "half")
    assert len(points) == 4
    assert notes[0].code == "other fraction"


def test_a_forbidden_corner_is_moved_with_a_note():
    study = usual(4, forbidden=("cure_temp >= 135 and cure_time >= 180 and dwell >= 18",))
    plan = make_plan(study, coupons=20, kind="full")
    assert Finding("moved out of forbidden", {"coupons": 2}) in plan.notes
    # the machine settings stay at their three levels: only easy factors gave way
    assert plan.coupons["cure_temp"].nunique() == 3


def test_a_plan_with_too_many_forbidden_coupons_is_refused():
    study = usual(3, forbidden=("cure_temp >= 135",))
    with pytest.raises(InputError, match="optimal plan"):
        make_plan(study, coupons=12, kind="full")
