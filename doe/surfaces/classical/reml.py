"""Restricted maximum likelihood of variance ratios: the numerical core of the mixed model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.optimize import minimize

from doe.surfaces.classical.inputs import Floats

# Ratios of a batch variance to that of the coupon error: the largest searched, and below which one counts as zero.
_LARGEST, _ZERO = 1e6, 1e-8


@dataclass(frozen=True)
class CrossProducts:
    """All the data the criterion needs: cross-products of batches (Z), terms (X) and response (y).

    Attributes
    ----------
    zz, zx, zy, xx, xy, yy
        Z'Z, Z'X, Z'y, X'X, X'y and y'y, Z holding the indicator columns of all groupings side by side.
    grouping : array of int, shape (columns of Z,)
        Which grouping each column of Z belongs to.
    coupons, groupings : int
    """

    zz: Floats
    zx: Floats
    zy: Floats
    xx: Floats
    xy: Floats
    yy: float
    grouping: np.ndarray[tuple[int, ...], np.dtype[np.intp]]
    coupons: int
    groupings: int


def collect_products(X: Floats, y: Floats, indicators: Sequence[Floats]) -> CrossProducts:
    """Cross-products of a model matrix, a response and one indicator matrix a grouping."""
    Z = np.column_stack([np.empty((len(y), 0)), *indicators])
    grouping = np.repeat(np.arange(len(indicators)), [z.shape[1] for z in indicators])
    return CrossProducts(
        zz=Z.T @ Z,
        zx=Z.T @ X,
        zy=Z.T @ y,
        xx=X.T @ X,
        xy=X.T @ y,
        yy=float(y @ y),
        grouping=grouping,
        coupons=len(y),
        groupings=len(indicators),
    )


def criterion(products: CrossProducts, ratios: Floats) -> tuple[float, Floats]:
    """-2 log restricted likelihood, profiled over the coupon error, and its slope in the ratios.

    Parameters
    ----------
    products : CrossProducts
    ratios : array, shape (groupings,)
        Variance of each grouping over that of the coupon error.

    Notes
    -----
    With V = I + Z D D Z', everything follows from the small matrix I + D Z'Z D (Woodbury's identity):
    D. Bates, M. Maechler, B. Bolker and S. Walker (2015), *J. Statistical Software* 67(1), sec. 3. The
    slope is tr(P Z_k Z_k') - (n-p) |Z_k' P y|² / y'Py, P the usual projection (Searle, Casella and McCulloch,
    *Variance Components*, 1992, ch. 6). In the ratios it is not zero at zero, as it is in standard deviations.
    """
    n, p = products.coupons, products.xx.shape[0]
    d = np.sqrt(ratios)[products.grouping]
    small = np.eye(len(d)) + d[:, None] * products.zz * d
    L = cholesky(small, lower=True)
    right = np.column_stack([products.zx, products.zy[:, None], products.zz])
    lowered = solve_triangular(L, d[:, None] * right, lower=True)
    lx, ly, lz = lowered[:, :p], lowered[:, p], lowered[:, p + 1 :]
    xvx, xvy = products.xx - lx.T @ lx, products.xy - lx.T @ ly
    zvx, zvy, zvz = products.zx - lz.T @ lx, products.zy - lz.T @ ly, products.zz - lz.T @ lz
    R = cholesky(xvx, lower=True)
    beta = cho_solve((R, True), xvy)
    rss = max(products.yy - float(ly @ ly) - float(xvy @ beta), np.finfo(float).tiny)
    value = (
        2 * float(np.log(np.diag(L)).sum())
        + 2 * float(np.log(np.diag(R)).sum())
        + (n - p) * (1 + np.log(2 * np.pi * rss / (n - p)))
    )
    zpz = np.diag(zvz) - np.einsum("ij,ji->i", zvx, cho_solve((R, True), zvx.T))
    zpy = zvy - zvx @ beta
    per_column = zpz - (n - p) * zpy**2 / rss
    slopes = np.bincount(products.grouping, per_column, minlength=products.groupings)
    return value, np.asarray(slopes, dtype=np.float64)


def search_ratios(products: CrossProducts) -> tuple[Floats, float]:
    """Variance ratios that minimise the criterion, each at least 0, shape (groupings,); and the minimum.

    Several starts, since the surface can have a second dip. A ratio that ends at (nearly) zero is set
    to zero if that costs nothing.
    """
    k = products.groupings
    best, lowest = np.zeros(k), criterion(products, np.zeros(k))[0]
    if k == 0:
        return best, lowest
    for start in np.vstack([np.full(k, 1.0), np.full(k, 0.04), np.where(np.eye(k) == 1, 4.0, 0.01)]):
        found = minimize(
            partial(criterion, products),
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, _LARGEST)] * k,
            options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 500},
        )
        if found.fun < lowest - 1e-9:
            best, lowest = np.asarray(found.x, dtype=np.float64), float(found.fun)
    for i in np.argsort(best):
        without = np.where(np.arange(k) == i, 0.0, best)
        value = criterion(products, without)[0]
        if best[i] > 0 and (value <= lowest + 1e-9 or best[i] < _ZERO):
            best, lowest = without, value
    return best, lowest
