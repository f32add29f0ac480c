"""Canonical analysis: closed forms and properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.surfaces.classical.canonical import analyse_shape
from doe.surfaces.classical.terms import ModelTerms, build_terms


def surface(eigenvalues, top, value=5.0, seed=0) -> tuple[ModelTerms, np.ndarray]:
    """A quadratic with given curvatures along random axes and its stationary point at `top`."""
    k = len(eigenvalues)
    axes = np.linalg.qr(np.random.default_rng(seed).normal(size=(k, k)))[0]
    B = axes @ np.diag(eigenvalues) @ axes.T
    top = np.asarray(top, dtype=float)
    return quadratic(value + top @ B @ top, -2 * B @ top, B)


def quadratic(constant, slopes, curvatures) -> tuple[ModelTerms, np.ndarray]:
    """Terms and coefficients of constant + x'slopes + x' curvatures x, found from its values anywhere."""
    terms = build_terms([f"f{i}" for i in range(len(slopes))], "quadratic")
    x = np.random.default_rng(99).normal(size=(3 * len(terms), len(slopes)))
    value = constant + x @ slopes + np.einsum("ij,jk,ik->i", x, curvatures, x)
    found = np.linalg.lstsq(terms.matrix(x), value, rcond=None)[0]
    return terms, np.where(np.abs(found) < 1e-12, 0.0, found)


@given(
    st.lists(st.floats(-3, 3).filter(lambda v: abs(v) > 0.3), min_size=1, max_size=4),
    st.integers(0, 1000),
)
@settings(deadline=None, max_examples=60)
def test_canonical_form_recovers_the_surface_it_was_made_from(eigenvalues, seed):
    top = np.random.default_rng(seed + 1).normal(size=len(eigenvalues))
    form = analyse_shape(*surface(eigenvalues, top, seed=seed))
    assert form.eigenvalues == pytest.approx(sorted(eigenvalues, reverse=True), abs=1e-9)
    assert form.stationary == pytest.approx(top, abs=1e-8)
    kinds = {(True, False): "maximum", (False, True): "minimum", (False, False): "saddle"}
    assert form.shape == kinds[all(v < 0 for v in eigenvalues), all(v > 0 for v in eigenvalues)]


def test_nearly_straight_axis_is_called_a_ridge():
    form = analyse_shape(*surface([-1.0, -0.01], [0, 0]))
    assert form.shape == "ridge"


def test_exact_ridge_takes_the_point_nearest_the_centre():
    # y = -(x1 - 1)^2: every (1, x2) is a top, (1, 0) is the nearest.
    form = analyse_shape(*quadratic(-1.0, np.array([2.0, 0.0]), np.diag([-1.0, 0.0])))
    assert form.shape == "ridge"
    assert form.stationary == pytest.approx([1.0, 0.0])


def test_rising_exact_ridge_has_no_stationary_point():
    form = analyse_shape(*quadratic(0.0, np.array([2.0, 0.5]), np.diag([-1.0, 0.0])))
    assert (form.shape, form.stationary) == ("ridge", None)


def test_plane_has_no_stationary_point():
    form = analyse_shape(*quadratic(0.0, np.array([2.0, 0.5]), np.zeros((2, 2))))
    assert (form.shape, form.stationary) == ("plane", None)
