"""Drift over the order of making."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress

from doe.surfaces.classical.batch_errors import judge_drift
from doe.surfaces.classical.terms import build_terms


def test_drift_of_centre_coupons_is_the_straight_line_through_them():
    order, y = np.array([1, 7, 13, 20.0]), np.array([4.0, 3.8, 3.9, 3.5])
    found, line = judge_drift(np.ones((4, 1)), y, order), linregress(order, y)
    assert found.estimate == pytest.approx(19 * line.slope)
    assert found.p == pytest.approx(line.pvalue)


@given(st.integers(0, 10_000), st.floats(-5, 5))
@settings(deadline=None, max_examples=25)
def test_drift_is_found_whatever_the_settings_do(seed, change):
    rng = np.random.default_rng(seed)
    coded = rng.permutation([[a, b] for a in (-1, 1) for b in (-1, 1)] * 2).astype(float)
    X = build_terms(["a", "b"], "main").matrix(coded)
    y = X @ [1.0, 2.0, -3.0] + change * np.arange(8) / 7
    assert judge_drift(X, y, 10 + 3 * np.arange(8)).estimate == pytest.approx(change, abs=1e-8)


def test_drift_that_equals_a_factor_is_said_not_guessed():
    order = np.arange(6.0)
    X = np.column_stack([np.ones(6), order - 2.5])
    found = judge_drift(X, order**2, order, ["constant", "cure_temp"])
    assert found.estimate is None
    assert found.note == "These coupons cannot separate order made from constant and cure_temp."


def test_drift_without_spare_coupons_has_no_interval():
    found = judge_drift(np.ones((2, 1)), [1.0, 2.0], [1, 2])
    assert (found.estimate, found.low, found.p) == (pytest.approx(1.0), None, None)
    assert "cannot be judged" in found.note
