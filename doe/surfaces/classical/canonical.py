"""The shape of a fitted quadratic: stationary point, axes, kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from doe.domain.errors import InputError
from doe.surfaces.classical.inputs import Floats, as_vector
from doe.surfaces.classical.terms import ModelTerms

Shape = Literal["maximum", "minimum", "saddle", "ridge", "plane"]


@dataclass(frozen=True)
class Quadratic:
    """y = constant + x'slopes + x' curvatures x, with a symmetric matrix of curvatures."""

    factors: tuple[str, ...]
    constant: float
    slopes: Floats
    curvatures: Floats

    def evaluate(self, coded: ArrayLike) -> Floats:
        """Value at coded settings, shape (points, factors)."""
        x = np.atleast_2d(np.asarray(coded, dtype=float))
        return np.asarray(self.constant + x @ self.slopes + np.einsum("ij,jk,ik->i", x, self.curvatures, x))


def read_quadratic(terms: ModelTerms, estimates: ArrayLike) -> Quadratic:
    """Sort a second-order model's coefficients into constant, slopes and curvature matrix.

    Parameters
    ----------
    terms : ModelTerms
        Terms of degree two or less.
    estimates : array, shape (terms,)
        One coefficient a term; 0 for a term the fit left out.

    Raises
    ------
    InputError
        If a term has a higher degree: such a surface has no single stationary point.
    """
    values = as_vector(estimates, len(terms), "estimates")
    k = len(terms.factors)
    constant, slopes, curvatures = 0.0, np.zeros(k), np.zeros((k, k))
    for row, name, value in zip(terms.exponents, terms.names, values, strict=True):
        used = [i for i, power in enumerate(row) for _ in range(power)]
        if not used:
            constant = float(value)
        elif len(used) == 1:
            slopes[used[0]] = value
        elif len(used) == 2:
            curvatures[used[0], used[1]] += value / 2
            curvatures[used[1], used[0]] += value / 2
        else:
            raise InputError("term", name, "degree two or less", "Fit a quadratic model for this.")
    return Quadratic(terms.factors, constant, slopes, curvatures)


@dataclass(frozen=True)
class Canonical:
    """Canonical form of a quadratic: predicted + sum of eigenvalue x (distance along its axis)².

    Attributes
    ----------
    shape : {"maximum", "minimum", "saddle", "ridge", "plane"}
        ``"ridge"``: along at least one axis the surface is nearly straight, so the stationary point is
        poorly determined along it (far off on a rising ridge). ``"plane"``: no curvature at all.
    stationary : array, shape (factors,), or None
        Coded settings where the slope is zero; on an exact ridge the one nearest the centre of the
        plan; None when there is none.
    predicted : float or None
        Value there.
    eigenvalues : array, shape (factors,)
        Curvature along each axis, from highest to lowest (signed).
    axes : array, shape (factors, factors)
        Column i is the unit direction of eigenvalue i, its largest entry positive.
    flat_axes : tuple of int
        Which axes are nearly straight.
    distance : float or None
        Coded distance of the stationary point from the centre of the plan; above about 1 to 1.5 it is
        an extrapolation.
    """

    shape: Shape
    stationary: Floats | None
    predicted: float | None
    eigenvalues: Floats
    axes: Floats
    flat_axes: tuple[int, ...]
    distance: float | None


def analyse_shape(surface: Quadratic, *, flat_share: float = 0.05) -> Canonical:
    """Canonical analysis of a fitted quadratic.

    Parameters
    ----------
    surface : Quadratic
    flat_share : float
        An axis counts as flat when its curvature is below this share of the strongest one. The default
        is our choice: with 20 to 30 coupons a curvature that small is lost in its own error.

    Returns
    -------
    Canonical

    Notes
    -----
    Point estimates only. A stationary point outside the tested ranges is no recommendation.

    References
    ----------
    G. E. P. Box and K. B. Wilson (1951), *JRSS B* 13, 1-45; D. C. Montgomery, *Design and Analysis of
    Experiments*, response-surface chapter.

    Examples
    --------
    >>> hill = Quadratic(("temp",), 5.0, np.array([2.0]), np.array([[-1.0]]))
    >>> form = analyse_shape(hill)
    >>> form.shape, form.stationary.tolist(), form.predicted
    ('maximum', [1.0], 6.0)
    """
    values, vectors = np.linalg.eigh(surface.curvatures)
    values, vectors = values[::-1], vectors[:, ::-1]
    signs = np.sign(vectors[np.argmax(np.abs(vectors), axis=0), np.arange(len(values))])
    vectors = vectors * signs
    strongest = float(np.abs(values).max(initial=0.0))
    # Exactly straight, up to rounding: then the slope along that axis decides whether there is a top.
    slope_size = float(np.abs(surface.slopes).max(initial=0.0))
    exact = np.abs(values) <= 1e-10 * max(strongest, slope_size, 1e-300)
    flat = (np.abs(values) < flat_share * strongest) | exact

    along = vectors.T @ surface.slopes
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
    return Canonical(
        shape=shape,
        stationary=stationary,
        predicted=None if stationary is None else float(surface.evaluate(stationary)[0]),
        eigenvalues=values,
        axes=vectors,
        flat_axes=tuple(int(i) for i in np.flatnonzero(flat)),
        distance=None if stationary is None else float(np.linalg.norm(stationary)),
    )
