"""Canonical analysis: closed forms and properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.errors import InputError
from doe.surfaces.classical.canonical import Quadratic, analyse_shape, read_quadratic
from doe.surfaces.classical.terms import ModelTerms, build_terms


def surface(eigenvalues, top, value=5.0, seed=0) -> Quadratic:
    """A quadratic with given curvatures along random axes and its stationary point at `top`."""
    k = len(eigenvalues)
    axes = np.linalg.qr(np.random.default_rng(seed).normal(size=(k, k)))[0]
    B = axes @ np.diag(eigenvalues) @ axes.T
    top = np.asarray(top, dtype=float)
    return Quadratic(tuple(f"f{i}" for i in range(k)), value + top @ B @ top, -2 * B @ top, B)


@given(
    st.lists(st.floats(-3, 3).filter(lambda v: abs(v) > 0.3), min_size=1, max_size=4),
    st.integers(0, 1000),
)
@settings(deadline=None, max_examples=60)
def test_canonical_form_recovers_the_surface_it_was_made_from(eigenvalues, seed):
    top = np.random.default_rng(seed + 1).normal(size=len(eigenvalues))
    form = analyse_shape(surface(eigenvalues, top, seed=seed))
    assert form.eigenvalues == pytest.approx(sorted(eigenvalues, reverse=True), abs=1e-9)
    assert form.stationary == pytest.approx(top, abs=1e-8)
    assert form.predicted == pytest.approx(5.0, abs=1e-8)
    kinds = {(True, False): "maximum", (False, True): "minimum", (False, False): "saddle"}
    assert form.shape == kinds[all(v < 0 for v in eigenvalues), all(v > 0 for v in eigenvalues)]


def test_canonical_form_gives_the_value_anywhere():
    s = surface([-1.0, 0.7, 2.0], [0.2, -0.4, 1.0], seed=3)
    form = analyse_shape(s)
    x = np.array([0.3, 0.9, -1.2])
    along = form.axes.T @ (x - form.stationary)
    assert form.predicted + form.eigenvalues @ along**2 == pytest.approx(s.evaluate(x)[0])


def test_nearly_straight_axis_is_called_a_ridge_and_named():
    form = analyse_shape(surface([-1.0, -0.01], [0, 0]))
    assert form.shape == "ridge"
    assert form.flat_axes == (0,)


def test_exact_ridge_takes_the_point_nearest_the_centre():
    # y = -(x1 - 1)^2: every (1, x2) is a top, (1, 0) is the nearest.
    form = analyse_shape(Quadratic(("a", "b"), -1.0, np.array([2.0, 0.0]), np.diag([-1.0, 0.0])))
    assert form.shape == "ridge"
    assert form.stationary == pytest.approx([1.0, 0.0])


def test_rising_exact_ridge_has_no_stationary_point():
    form = analyse_shape(Quadratic(("a", "b"), 0.0, np.array([2.0, 0.5]), np.diag([-1.0, 0.0])))
    assert (form.shape, form.stationary, form.predicted, form.distance) == ("ridge", None, None, None)


def test_plane_has_no_stationary_point():
    form = analyse_shape(Quadratic(("a", "b"), 0.0, np.array([2.0, 0.5]), np.zeros((2, 2))))
    assert (form.shape, form.stationary) == ("plane", None)


def test_reading_a_quadratic_gives_the_same_surface_as_the_model_matrix():
    terms = build_terms(["a", "b", "c"], "quadratic")
    rng = np.random.default_rng(2)
    beta, x = rng.normal(size=len(terms)), rng.normal(size=(6, 3))
    assert read_quadratic(terms, beta).evaluate(x) == pytest.approx(terms.matrix(x) @ beta)


def test_cubic_term_is_refused_for_canonical_analysis():
    terms = ModelTerms(("a",), ((0,), (1,), (2,), (3,)))
    with pytest.raises(InputError, match="degree two or less"):
        read_quadratic(terms, np.ones(len(terms)))
