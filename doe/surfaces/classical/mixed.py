"""Linear mixed models for batches: strip plots and split plots fitted by REML, honest intervals.

Ours, because `MixedLM` of statsmodels gives Wald tests and limits only: no degrees of freedom of Satterthwaite, no
correction of Kenward and Roger. For the published split plot of corrosion resistance (`tests/reference`) it finds the
same variances, but p = 0.0000002 for the coating and 0.0002 for its interaction; the book's table has 0.0020 and 0.024.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.optimize import minimize

from doe.domain.errors import InputError
from doe.surfaces.classical.confounding import Floats, find_confounding
from doe.surfaces.classical.least_squares import coefficient_table

_COUPON = "coupon"  # the scatter that no grouping explains
_FEW = 3  # a variance from fewer spare batches than this is called rough

# Ratios of a batch variance to that of the coupon error: the largest searched, and below which one counts as zero.
_LARGEST, _ZERO = 1e6, 1e-8


@dataclass(frozen=True)
class MixedFit:
    """A fitted mixed model.

    Attributes
    ----------
    coefficients : DataFrame
        One row a kept term: term, estimate, se, df, t, p, low, high. Standard errors carry Kenward and
        Roger's small-sample correction; `df` are Satterthwaite's.
    components : DataFrame
        One row a grouping and a last row ``coupon``: component, batches, spare, variance, sd, share,
        at_zero, used. `spare` counts batches beyond those the settings use up; `used` is False for a
        grouping the coupons cannot carry, whose variance is then taken as zero (see `notes`).
    covariance : array, shape (kept, kept)
        Of the estimates, with the small-sample correction.
    notes : tuple of str
    unseen : mapping of str to array, shape (kept, kept)
        For each grouping the coupons cannot carry: how much more than the fitted variances say its batches move the
        estimates, per unit of its variance; see `unseen_errors`.
    """

    coefficients: pd.DataFrame
    components: pd.DataFrame
    covariance: Floats
    notes: tuple[str, ...]
    spread: _Spread = field(repr=False)
    unseen: Mapping[str, Floats] = field(default_factory=dict, repr=False)

    def unseen_errors(self, contrast: ArrayLike) -> tuple[str, ...]:
        """Groupings whose batch error moves a contrast of the estimates without being counted in its interval.

        Parameters
        ----------
        contrast : array, shape (kept terms,)
            Weights of the estimates. One that only compares coupons within batches is moved by no batch error.
        """
        weights = np.asarray(contrast, dtype=float)
        yardstick = float(weights @ self.spread.reach @ weights)
        return tuple(name for name, more in self.unseen.items() if weights @ more @ weights > 1e-8 * yardstick)

    @property
    def estimates(self) -> Floats:
        """Estimates of the kept terms, in column order."""
        return self.coefficients["estimate"].to_numpy(dtype=float)


@dataclass(frozen=True)
class _Spread:
    """How the estimates' covariance moves with the variances: what small-sample intervals need.

    `phi` (X'V^-1 X)^-1; `bends` the matrices P_k = -X'V^-1 V_k V^-1 X, one a variance (coupon last);
    `weights` the asymptotic covariance of the variance estimates; `rows_df` coupons minus terms; `reach` the
    covariance of the estimates if every coupon erred by one unit on its own.
    """

    phi: Floats
    bends: Floats
    weights: Floats
    variances: Floats
    rows_df: int
    reach: Floats

    def degrees(self, contrasts: Floats) -> Floats:
        """Satterthwaite's degrees of freedom of the variance of each contrast, one a row."""
        scaled = contrasts @ self.phi
        variance = np.einsum("ij,ij->i", scaled, contrasts)
        # d(l' phi l) / d variance_k = -l' phi P_k phi l
        slope = -np.einsum("ij,kjl,il->ik", scaled, self.bends, scaled)
        spread = np.einsum("ik,kl,il->i", slope, self.weights, slope)
        with np.errstate(divide="ignore", invalid="ignore"):
            df = np.where(spread > 0, 2 * variance**2 / spread, float(self.rows_df))
        return np.clip(df, 1.0, self.rows_df)


def fit_mixed(
    X: ArrayLike,
    y: ArrayLike,
    groups: Mapping[str, ArrayLike],
    names: Sequence[str] | None = None,
    *,
    assurance: float = 0.95,
) -> MixedFit:
    """Fit y = X beta + one random effect a grouping + coupon error, by REML.

    Two crossed groupings (cure batch, press batch) are a strip plot, one a split plot; a coupon scored
    by several people is a grouping of its own.

    Parameters
    ----------
    X : array, shape (rows, terms)
        Model matrix: constant, factor terms, and columns for people where they score.
    y : array, shape (rows,)
        Response.
    groups : mapping of str to array, shape (rows,)
        Label of the batch each row belongs to, one entry a grouping. Order matters only where two
        groupings cannot be told apart: the earlier stays.
    names : sequence of str, optional
        One name a column of X.
    assurance : float
        Of the two-sided intervals.

    Returns
    -------
    MixedFit

    Raises
    ------
    InputError
        If shapes disagree, a value or label is missing, or there are no more rows than terms.

    Notes
    -----
    A grouping whose batches the settings use up, or that equals another, cannot be estimated: it is
    left out, its variance taken as zero, and the notes say what that does to the intervals. A variance
    estimated as zero keeps its uncertainty in the degrees of freedom, which is on the careful side.

    References
    ----------
    H. D. Patterson and R. Thompson (1971), *Biometrika* 58(3), 545-554 (REML); M. G. Kenward and J. H.
    Roger (1997), *Biometrics* 53(3), 983-997; F. E. Satterthwaite (1946), *Biometrics Bulletin* 2, 110-114.

    Examples
    --------
    >>> X = [[1, -1], [1, -1], [1, -1], [1, -1], [1, 1], [1, 1], [1, 1], [1, 1]]
    >>> fit = fit_mixed(X, [1, 2, 3, 4, 4, 5, 7, 8], {"cure_batch": [1, 1, 2, 2, 3, 3, 4, 4]}, ["constant", "cure"])
    >>> fit.components["variance"].round(2).tolist(), fit.coefficients["df"].round(2).tolist()
    ([3.0, 0.5], [2.0, 2.0])
    """
    matrix, response = np.asarray(X, dtype=float), np.asarray(y, dtype=float)
    separable = find_confounding(matrix, names)
    design = matrix[:, separable.kept]
    n, p = design.shape
    if n <= p:
        raise InputError("coupons", f"{n} rows for {p} terms", "more rows than terms", "Leave out some terms.")
    indicators = {name: _indicator(name, labels) for name, labels in groups.items()}
    # batches beyond those the model's terms use up: what a batch variance can be estimated from
    spare = {name: int(np.linalg.matrix_rank(np.column_stack([design, z]))) - p for name, z in indicators.items()}
    used, notes = _choose_groupings(design, indicators, spare)
    fitted = [indicators[name] for name in used]
    Q, _ = np.linalg.qr(design)
    centred = response - Q @ (Q.T @ response)
    # Every unit and offset of y, and every scaling of X, gives the same search below.
    size = float(np.sqrt(centred @ centred / (n - p)))
    ratios = np.zeros(len(used))
    if size <= 1e-13 * (np.abs(response).max(initial=0.0) + 1e-300):
        size = 0.0
        notes.append("The terms fit every coupon exactly; there is no scatter to estimate a variance from.")
    else:
        ratios, _ = search_ratios(collect_products(Q, centred / size, fitted))
    shapes = np.array([*(z @ z.T for z in fitted), np.eye(n)])
    relative = np.append(ratios, 1.0)
    # Whitened by V's Cholesky factor everything below is ordinary least squares on orthonormal columns.
    L = np.linalg.cholesky(np.tensordot(relative, shapes, axes=1))
    Q, R = np.linalg.qr(np.linalg.solve(L, design))
    white = np.linalg.solve(L, response)
    beta = np.linalg.solve(R, Q.T @ white)
    left = white - Q @ (Q.T @ white)
    error = float(left @ left) / (n - p) if size > 0 else 0.0
    weights = np.linalg.solve(R, np.linalg.solve(L.T, Q).T)  # estimates = weights @ y
    spread, covariance = _small_sample(Q, R, L, shapes, error=error, relative=relative, reach=weights @ weights.T)
    zero = [name for name, ratio in zip(used, ratios, strict=True) if ratio == 0]
    if zero and error > 0:
        notes.append(f"No error of {', '.join(zero)} was visible; its estimate is zero, not its true size.")
    return MixedFit(
        coefficients=coefficient_table(
            separable.terms, beta, np.sqrt(np.diag(covariance)), spread.degrees(np.eye(p)), assurance
        ),
        components=_component_table(
            design, indicators, spare, dict(zip([*used, _COUPON], spread.variances, strict=True))
        ),
        covariance=covariance,
        notes=(*separable.notes, *notes),
        spread=spread,
        unseen=_unseen(design, {name: z for name, z in indicators.items() if name not in used}, shapes, weights),
    )


def _indicator(name: str, labels: ArrayLike) -> Floats:
    """One column a batch, shape (rows, batches).

    Raises
    ------
    InputError
        If a row has no batch.
    """
    codes, levels = pd.factorize(np.asarray(labels, dtype=object).reshape(-1))
    if (codes < 0).any():
        row = int(np.argmax(codes < 0)) + 1
        raise InputError(f"{name}, row {row}", "no batch", "a batch label", "Say which batch the coupon was in.")
    return np.eye(len(levels))[codes]


def _choose_groupings(
    design: Floats, indicators: Mapping[str, Floats], spare: Mapping[str, int]
) -> tuple[list[str], list[str]]:
    """Groupings whose variances the data can tell from each other and from coupon error.

    The restricted likelihood sees a grouping only through M Z Z' M, M the projection that removes the
    terms. Variances are separable exactly when these matrices, and M for the coupons, are linearly
    independent (Rao and Kleffe, *Estimation of Variance Components*, 1988, sec. 4.2; from memory).
    """
    M = _without(design)
    basis = [M.ravel() / np.linalg.norm(M)]
    used: list[str] = []
    notes: list[str] = []
    for name, z in indicators.items():
        if spare[name] == 0:
            notes.append(
                f"Every {name} had settings of its own, so batch error cannot be told from the factors; "
                "intervals of factors set once a batch are too narrow."
            )
            continue
        left = M @ z
        shape = (left @ left.T).ravel()
        rest = shape.copy()
        for _ in range(2):
            for direction in basis:
                rest = rest - direction * (direction @ rest)
        if np.linalg.norm(rest) < 1e-6 * np.linalg.norm(shape):
            others = " or ".join([*used, "coupon-to-coupon error"])
            notes.append(f"Error of {name} cannot be told from {others} with these coupons; it is not separate.")
            continue
        basis.append(rest / np.linalg.norm(rest))
        used.append(name)
        if spare[name] < _FEW:
            batches = "batch" if spare[name] == 1 else "batches"
            notes.append(f"The variance of {name} rests on {spare[name]} spare {batches} only: a rough figure.")
    return used, notes


def _unseen(design: Floats, absent: Mapping[str, Floats], shapes: Floats, weights: Floats) -> dict[str, Floats]:
    """How far groupings that are not fitted move the estimates beyond what the fitted ones take over from them.

    Seen through the projection M that removes the terms, Z Z' of such a grouping is a sum of k times the fitted
    shapes, so fitted variance j takes up k_j of its variance. What is left of Z Z' then acts on the estimates unseen.
    """
    if not absent:
        return {}
    M = _without(design)
    seen = np.array([(M @ s @ M).ravel() for s in shapes]).T
    found = {}
    for name, z in absent.items():
        left = M @ z
        taken = np.linalg.lstsq(seen, (left @ left.T).ravel(), rcond=None)[0]
        found[name] = weights @ (z @ z.T - np.tensordot(taken, shapes, axes=1)) @ weights.T
    return found


def _without(design: Floats) -> Floats:
    """The projection that removes the terms, shape (rows, rows)."""
    Q = np.linalg.qr(design)[0]
    return np.asarray(np.eye(len(Q)) - Q @ Q.T)


def _small_sample(
    Q: Floats, R: Floats, L: Floats, shapes: Floats, *, error: float, relative: Floats, reach: Floats
) -> tuple[_Spread, Floats]:
    """Ingredients of small-sample intervals, and Kenward and Roger's (1997) corrected covariance.

    V = error x L L', and L^-1 X = Q R. The correction is
    plain + 2 phi [sum over k, l of w_kl X'V^-1 V_k P V_l V^-1 X] phi, P the projection of REML; written as
    sums of squares of whitened pieces, it cannot turn negative by rounding.
    """
    n, p = Q.shape
    R_inverse = np.linalg.solve(R, np.eye(p))
    white = np.array([np.linalg.solve(L, np.linalg.solve(L, s).T) for s in shapes])  # L^-1 V_k L^-T
    moved = white @ Q  # L^-1 V_k V^-1 X, up to R and the scale
    outside = moved - Q @ (Q.T @ moved)
    kept = white - Q @ (Q.T @ white)
    kept = kept - (kept @ Q) @ Q.T  # the same with the fitted space taken out on both sides
    information = 0.5 * np.einsum("kij,lij->kl", kept, kept)
    values, vectors = np.linalg.eigh(information)
    good = values > 1e-10 * values.max(initial=0.0)
    roots = vectors[:, good] / np.sqrt(values[good])  # weights = error² roots roots'
    phi = error * R_inverse @ R_inverse.T
    scale = error if error > 0 else 1.0
    bends = -np.array([R.T @ (Q.T @ m) @ R for m in moved]) / scale**2
    pieces = np.einsum("km,kij->mij", roots, outside)
    inner = np.einsum("mij,mil->jl", pieces, pieces)
    added = 2 * error * R_inverse @ inner @ R_inverse.T
    spread = _Spread(phi, bends, error**2 * roots @ roots.T, error * relative, n - p, reach)
    return spread, phi + added


def _component_table(
    design: Floats, indicators: Mapping[str, Floats], spare: Mapping[str, int], variances: Mapping[str, float]
) -> pd.DataFrame:
    n = len(design)
    fitted = [z for name, z in indicators.items() if name in variances]
    left = n - int(np.linalg.matrix_rank(np.column_stack([design, *fitted]))) if fitted else n - design.shape[1]
    table = pd.DataFrame({"component": [*indicators, _COUPON]})
    table["batches"] = [*(z.shape[1] for z in indicators.values()), n]
    table["spare"] = [*spare.values(), left]
    table["variance"] = [variances.get(name, 0.0) for name in table["component"]]
    table["sd"] = np.sqrt(table["variance"])
    total = float(table["variance"].sum())
    table["share"] = table["variance"] / total if total > 0 else 0.0
    used = table["component"].isin(variances)
    table["at_zero"] = used & (table["variance"] == 0)
    table["used"] = used
    return table


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
