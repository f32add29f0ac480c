"""The shape of a fitted quadratic: stationary point, axes, kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from doe.surfaces.classical.confounding import Floats
from doe.surfaces.classical.terms import ModelTerms

Shape = Literal["maximum", "minimum", "saddle", "ridge", "plane"]

FLAT_SHARE = 0.05
"""An axis counts as flat when its curvature is below this share of the strongest one. Our choice: with 20 to 30 coupons
a curvature that small is lost in its own error."""


@dataclass(frozen=True)
class Canonical:
    """Canonical form of a quadratic: value at its stationary point + sum of eigenvalue x (distance along its axis)².

    Attributes
    ----------
    shape : {"maximum", "minimum", "saddle", "ridge", "plane"}
        ``"ridge"``: along at least one axis the surface is nearly straight, so the stationary point is
        poorly determined along it (far off on a rising ridge). ``"plane"``: no curvature at all.
    stationary : array, shape (factors,), or None
        Coded settings where the slope is zero; on an exact ridge the one nearest the centre of the
        plan; None when there is none.
    eigenvalues : array, shape (factors,)
        Curvature along each axis, from highest to lowest (signed).
    """

    shape: Shape
    stationary: Floats | None
    eigenvalues: Floats


def analyse_shape(terms: ModelTerms, estimates: ArrayLike) -> Canonical:
    """Canonical analysis of a fitted quadratic.

    Parameters
    ----------
    terms : ModelTerms
        Terms of degree two or less.
    estimates : array, shape (terms,)
        One coefficient a term.

    Notes
    -----
    Point estimates only. A stationary point outside the tested ranges is no recommendation.

    References
    ----------
    G. E. P. Box and K. B. Wilson (1951), *JRSS B* 13, 1-45; D. C. Montgomery, *Design and Analysis of
    Experiments*, response-surface chapter.

    Examples
    --------
    >>> from doe.surfaces.classical.terms import build_terms
    >>> form = analyse_shape(build_terms(["temp"], "quadratic"), [5.0, 2.0, -1.0])
    >>> form.shape, form.stationary.tolist()
    ('maximum', [1.0])
    """
    k = len(terms.factors)
    slopes, curvatures = np.zeros(k), np.zeros((k, k))
    for row, value in zip(np.array(terms.exponents), np.asarray(estimates, dtype=float), strict=True):
        if row.sum() == 1:
            slopes[row == 1] = value
        elif row.sum() == 2:
            first, second = np.repeat(np.arange(k), row)
            curvatures[first, second] += value / 2
            curvatures[second, first] += value / 2
    values, vectors = np.linalg.eigh(curvatures)
    values, vectors = values[::-1], vectors[:, ::-1]
    strongest = float(np.abs(values).max())
    # Exactly straight, up to rounding: then the slope along that axis decides whether there is a top.
    slope_size = float(np.abs(slopes).max())
    exact = np.abs(values) <= 1e-10 * max(strongest, slope_size, 1e-300)
    flat = (np.abs(values) < FLAT_SHARE * strongest) | exact
    along = vectors.T @ slopes
    stationary: Floats | None = None
    if not np.any(exact & (np.abs(along) > 1e-9 * max(slope_size, 1e-300))):
        steps = np.where(exact, 0.0, -along / (2 * np.where(exact, 1.0, values)))
        stationary = np.asarray(vectors @ steps + 0.0)
    shape: Shape
    if exact.all():
        shape = "plane"
    elif flat.any():
        shape = "ridge"
    elif (values < 0).all():
        shape = "maximum"
    elif (values > 0).all():
        shape = "minimum"
    else:
        shape = "saddle"
    return Canonical(shape, stationary, values)
