"""Model terms and the columns coupons cannot tell apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.surfaces.classical.confounding import find_confounding
from doe.surfaces.classical.terms import build_terms


@pytest.mark.parametrize(
    ("kind", "k", "count"),
    [("main", 4, 5), ("interactions", 4, 11), ("quadratic", 4, 15), ("factorial", 4, 16), ("quadratic", 1, 3)],
)
def test_usual_models_have_their_number_of_terms(kind, k, count):
    terms = build_terms([f"f{i}" for i in range(k)], kind)
    assert len(terms) == count
    assert terms.names[0] == "constant"


def test_model_matrix_is_the_product_of_powers_written_out():
    terms = build_terms(["a", "b", "c"], "quadratic")
    rows = np.random.default_rng(1).normal(size=(7, 3))
    twin = np.empty((7, len(terms)))
    for i, (a, b, c) in enumerate(rows):
        twin[i] = [1, a, b, c, a * b, a * c, b * c, a * a, b * b, c * c]
    assert terms.matrix(rows) == pytest.approx(twin)


def test_confounded_square_is_named_with_its_partner():
    # Corners and centre only: all squares are one and the same column.
    corners = np.array([[a, b] for a in (-1, 1) for b in (-1, 1)] + [[0, 0]])
    terms = build_terms(["cure_temp", "dwell"], "quadratic")
    found = find_confounding(terms.matrix(corners), terms.names)
    assert [str(c) for c in found.confoundings] == ["These coupons cannot separate dwell² from cure_temp²."]


def test_factor_never_varied_is_confounded_with_the_constant():
    X = np.column_stack([np.ones(4), np.full(4, 0.5), [0, 1, 2, 3]])
    (only,) = find_confounding(X, ["constant", "pressure", "dwell"]).confoundings
    assert (only.term, only.others, only.weights) == ("pressure", ("constant",), (pytest.approx(0.5),))


def test_column_of_zeros_says_that_nothing_is_known():
    (only,) = find_confounding(np.column_stack([np.ones(3), np.zeros(3)]), ["constant", "peel"]).confoundings
    assert only.others == ()
    assert "say nothing about peel" in str(only)


@given(st.integers(0, 10_000), st.integers(1, 6), st.integers(1, 6), st.integers(1, 8))
@settings(deadline=None, max_examples=40)
def test_confounding_keeps_exactly_the_rank_and_rebuilds_what_it_dropped(seed, rank, p, n):
    rng = np.random.default_rng(seed)
    X = rng.integers(-2, 3, size=(n, rank)) @ rng.integers(-2, 3, size=(rank, p)).astype(float)
    found = find_confounding(X, [f"c{i}" for i in range(p)])
    assert len(found.kept) == np.linalg.matrix_rank(X)
    assert X[:, found.kept] @ found.weights == pytest.approx(X[:, found.dropped], abs=1e-8)
