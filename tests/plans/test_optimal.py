"""Optimal plans: as good as the textbook plans of their size, around what is forbidden, with what exists."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.errors import InputError
from doe.domain.masks import is_forbidden
from doe.plans.build import augment_plan, make_plan
from doe.plans.judge import judge_plan
from doe.plans.optimal import optimal_points
from doe.plans.points import centre_points, coded_of
from doe.plans.variance import expand, precision, region_moments, term_names
from tests.plans.studies import plain, usual


@pytest.mark.parametrize(
    ("k", "kind", "coupons"), [(2, "composite", 12), (3, "composite", 18), (4, "composite", 28), (3, "box-behnken", 15)]
)
def test_optimal_plans_are_at_least_as_efficient_as_textbook_plans_of_their_size(k, kind, coupons):
    study = plain(k)
    textbook = precision(study, make_plan(study, coupons=coupons, kind=kind).coupons, "quadratic")
    sharp = precision(study, make_plan(study, coupons=coupons, kind="d-optimal", seed=1).coupons, "quadratic")
    near = precision(study, make_plan(study, coupons=coupons, kind="optimal", seed=1).coupons, "quadratic")
    # 1 % for the centre coupons that every plan has to hold
    assert sharp.d_value >= 0.99 * textbook.d_value
    assert near.scaled_average <= 1.01 * textbook.scaled_average


def test_each_criterion_wins_at_its_own_game():
    study = plain(3)
    sharp = precision(study, make_plan(study, coupons=16, kind="d-optimal", seed=1).coupons, "quadratic")
    near = precision(study, make_plan(study, coupons=16, kind="optimal", seed=1).coupons, "quadratic")
    assert sharp.d_value > near.d_value
    assert near.scaled_average < sharp.scaled_average


def test_exchange_ends_where_no_single_exchange_helps():
    study = plain(2)
    rng = np.random.default_rng(3)
    fixed = centre_points(study, 2)
    chosen = optimal_points(study, 8, rng, criterion="D", fixed=fixed)
    X = expand(study, np.vstack([chosen.coded, fixed.coded]), np.vstack([chosen.levels, fixed.levels]), "quadratic")
    best = np.linalg.det(X.T @ X)
    grid = np.array([(a, b) for a in np.linspace(-1, 1, 5) for b in np.linspace(-1, 1, 5)])
    F = expand(study, grid, np.empty((25, 0), dtype=int), "quadratic")
    for i in range(8):
        for row in F:  # slow twin: every coupon against every candidate, the determinant from scratch
            Y = X.copy()
            Y[i] = row
            assert np.linalg.det(Y.T @ Y) <= best * (1 + 1e-6)


def test_i_exchange_ends_where_no_single_exchange_helps():
    study = plain(2)
    chosen = optimal_points(study, 9, np.random.default_rng(3), criterion="I")
    X = expand(study, chosen.coded, chosen.levels, "quadratic")
    W = region_moments(study, "quadratic")
    best = np.trace(np.linalg.solve(X.T @ X, W))
    grid = np.array([(a, b) for a in np.linspace(-1, 1, 5) for b in np.linspace(-1, 1, 5)])
    F = expand(study, grid, np.empty((25, 0), dtype=int), "quadratic")
    for i in range(9):
        for row in F:
            Y = X.copy()
            Y[i] = row
            if np.linalg.matrix_rank(Y) == 6:
                assert np.trace(np.linalg.solve(Y.T @ Y, W)) >= best * (1 - 1e-5)


@pytest.mark.parametrize("k", range(2, 7))
def test_any_number_from_twelve_works(k):
    study = usual(k)
    for coupons in (12, 13, 19):
        plan = make_plan(study, coupons=coupons, kind="optimal")
        assert len(plan.coupons) == coupons
        assert (plan.coupons["role"] == "repeat centre").sum() == 2
        # fewer coupons than terms: all main effects are still there
        assert precision(study, plan.coupons, "main").rank == k + 1


def test_fewer_than_twelve_are_refused():
    with pytest.raises(InputError, match="12 or more"):
        make_plan(usual(4), coupons=11, kind="optimal")


def test_few_coupons_carry_as_many_second_order_terms_as_they_can():
    study = usual(4)
    judgement = judge_plan(make_plan(study, coupons=14, kind="optimal", seed=1))
    # 14 coupons, two of them the same centre: at most 13 different points
    assert judgement.quadratic.rank >= 12
    assert judgement.quadratic.terms == 15


def test_forbidden_combinations_are_gone_around_and_their_edge_is_used():
    study = usual(3, forbidden=("cure_temp >= 135 and cure_time >= 180",))
    plan = make_plan(study, coupons=20, kind="optimal", seed=1)
    assert not is_forbidden(study.forbidden, plan.settings).any()
    # one of the two stays high where the other gives way
    assert ((plan.coupons["cure_temp"] >= 135) & (plan.coupons["cure_time"] < 180)).any()
    assert ((plan.coupons["cure_temp"] < 135) & (plan.coupons["cure_time"] >= 180)).any()


def test_a_region_without_room_is_refused():
    study = usual(2, forbidden=("cure_temp >= 100",))
    with pytest.raises(InputError, match="forbidden combinations"):
        make_plan(study, coupons=12, kind="optimal")


def test_named_factors_are_balanced_and_estimated():
    study = usual(2, "film_type", "peel_mode")
    plan = make_plan(study, coupons=24, kind="optimal", seed=1)
    assert plan.coupons["film_type"].value_counts().min() >= 9
    found = precision(study, plan.coupons, "quadratic")
    assert found.rank == found.terms == len(term_names(study, "quadratic")) == 6 + 2 + 4


def test_augmenting_completes_a_first_look_to_the_full_quadratic():
    study = usual(3)
    first = make_plan(study, coupons=10, kind="full", seed=1)
    assert precision(study, first.coupons, "quadratic").rank < 10  # a mean, 3 slopes, 3 bends, 3 interactions
    both = augment_plan(first, coupons=8, seed=2)
    found = precision(study, both.coupons, "quadratic")
    assert found.rank == found.terms == 10
    assert both.rounds == 2
    assert len(both.coupons) == 18


def test_augmenting_uses_what_exists():
    study = plain(2)
    first = make_plan(study, coupons=12, kind="full", seed=1)  # corners twice and centre coupons: no face centres
    both = augment_plan(first, coupons=6, seed=2)
    added, _ = coded_of(study, both.coupons[both.coupons["round"] == 2])
    corners = (np.abs(added) == 1).all(axis=1)
    assert corners.sum() <= 1  # corners are known well enough


def test_augmenting_beats_a_random_round():
    study = usual(3)
    first = make_plan(study, coupons=12, kind="optimal", seed=1)
    planned = precision(study, augment_plan(first, coupons=8, seed=2).coupons, "quadratic").variance_average
    from doe.plans.build import add_round
    from doe.plans.points import settings_of

    rng = np.random.default_rng(4)
    rivals = []
    for _ in range(20):
        coded = rng.uniform(-1, 1, size=(6, 3))
        settings_ = settings_of(study, coded, np.empty((6, 0), dtype=int))
        rival = add_round(first, settings_, seed=1, repeat_centre=True)
        rivals.append(precision(study, rival.coupons, "quadratic").variance_average)
    assert planned < min(rivals)


@given(seed=st.integers(0, 1000))
@settings(max_examples=5, deadline=None)
def test_more_starts_never_give_a_worse_plan(seed):
    study = plain(2)
    values = []
    for starts in (1, 8):
        chosen = optimal_points(study, 9, np.random.default_rng(seed), criterion="D", starts=starts)
        X = expand(study, chosen.coded, chosen.levels, "quadratic")
        values.append(np.linalg.slogdet(X.T @ X)[1])
    # the draws of one start are not the first of eight, hence the slack
    assert values[1] >= values[0] - 0.05
