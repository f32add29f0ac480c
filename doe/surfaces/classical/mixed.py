"""Linear mixed models for batches: strip plots and split plots fitted by REML, honest intervals.

Ours, because `MixedLM` of statsmodels gives Wald tests and limits only: no degrees of freedom of Satterthwaite, no
correction of Kenward and Roger. For the published split plot of corrosion resistance (`tests/reference`) it finds the
same variances, but p = 0.0000002 for the coating and 0.0002 for its interaction; the book's table has 0.0020 and 0.024.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from doe.domain.errors import InputError
from doe.surfaces.classical.confounding import Separable, find_confounding
from doe.surfaces.classical.inputs import Floats, as_matrix, as_vector, check_assurance
from doe.surfaces.classical.least_squares import coefficient_table
from doe.surfaces.classical.reml import collect_products, search_ratios

_FEW = 3  # a variance from fewer spare batches than this is called rough


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
    minus_two_log : float
        -2 log restricted likelihood.
    separable : Separable
        Terms the coupons cannot tell apart (left out of the fit).
    notes : tuple of str
    unseen : mapping of str to array, shape (kept, kept)
        For each grouping the coupons cannot carry: how much more than the fitted variances say its batches move the
        estimates, per unit of its variance; see `unseen_errors`.
    """

    names: tuple[str, ...]
    coefficients: pd.DataFrame
    components: pd.DataFrame
    covariance: Floats
    minus_two_log: float
    separable: Separable
    assurance: float
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

    def variance_of(self, component: str) -> float:
        """Variance of one grouping, or of ``coupon``."""
        rows = self.components.loc[self.components["component"] == component, "variance"]
        return float(rows.to_numpy(dtype=float)[0])


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
    check_assurance(assurance)
    matrix, columns = as_matrix(X, names)
    n = len(matrix)
    response = as_vector(y, n, "response")
    labels = {name: _batch_numbers(name, values, n) for name, values in groups.items()}
    separable = find_confounding(matrix, columns)
    design = matrix[:, separable.kept]
    p = design.shape[1]
    if n <= p:
        raise InputError("coupons", f"{n} rows for {p} terms", "more rows than terms", "Leave out some terms.")

    all_indicators = {name: np.eye(len(levels))[codes] for name, (codes, levels) in labels.items()}
    spare = {name: _spare_batches(design, z) for name, z in all_indicators.items()}
    used, notes = _choose_groupings(design, all_indicators, spare)
    indicators = [all_indicators[name] for name in used]

    Q, R = np.linalg.qr(design)  # fit on orthonormal columns: scaling cannot spoil the small solves
    centred = response - Q @ (Q.T @ response)
    size = float(np.sqrt(centred @ centred / (n - p)))
    if size <= 1e-13 * (np.abs(response).max(initial=0.0) + 1e-300):
        size, centred = 0.0, np.zeros(n)
        notes.append("The terms fit every coupon exactly; there is no scatter to estimate a variance from.")
    ratios, lowest = np.zeros(len(used)), -np.inf
    if size > 0:
        ratios, lowest = search_ratios(collect_products(Q, centred / size, indicators))
        # The criterion saw orthonormal terms and a scaled response: put both back.
        lowest += 2 * float(np.log(np.abs(np.diag(R))).sum()) + 2 * (n - p) * float(np.log(size))
    return _finish(
        _Problem(columns, separable, design, response, labels, used, spare, all_indicators),
        ratios,
        lowest,
        notes=notes,
        assurance=assurance,
    )


@dataclass(frozen=True)
class _Problem:
    columns: tuple[str, ...]
    separable: Separable
    design: Floats
    response: Floats
    labels: Mapping[str, tuple[np.ndarray[tuple[int, ...], np.dtype[np.intp]], list[object]]]
    used: list[str]
    spare: Mapping[str, int]
    all_indicators: Mapping[str, Floats]

    @property
    def indicators(self) -> list[Floats]:
        """Of the groupings whose variances are fitted."""
        return [self.all_indicators[name] for name in self.used]


def _batch_numbers(
    name: str, values: ArrayLike, n: int
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.intp]], list[object]]:
    """Batches numbered from 0.

    Raises
    ------
    InputError
        If a coupon has no batch.
    """
    series = pd.Series(np.asarray(values, dtype=object).reshape(-1))
    if len(series) != n:
        raise InputError(name, f"{len(series)} labels", f"{n} (one a row)", "Give every coupon its batch.")
    codes, levels = pd.factorize(series, sort=False)
    if (codes < 0).any():
        row = int(np.argmax(codes < 0)) + 1
        raise InputError(f"{name}, row {row}", "no batch", "a batch label", "Say which batch the coupon was in.")
    return np.asarray(codes, dtype=np.intp), list(levels)


def _spare_batches(design: Floats, indicator: Floats) -> int:
    """Batches beyond those the model's terms use up: what a batch variance can be estimated from."""
    rank = int(np.linalg.matrix_rank(np.column_stack([design, indicator])))
    return rank - int(design.shape[1])


def _choose_groupings(
    design: Floats, indicators: Mapping[str, Floats], spare: Mapping[str, int]
) -> tuple[list[str], list[str]]:
    """Groupings whose variances the data can tell from each other and from coupon error.

    The restricted likelihood sees a grouping only through M Z Z' M, M the projection that removes the
    terms. Variances are separable exactly when these matrices, and M for the coupons, are linearly
    independent (Rao and Kleffe, *Estimation of Variance Components*, 1988, sec. 4.2; from memory).
    """
    n = len(design)
    Q = np.linalg.qr(design)[0]
    M = np.eye(n) - Q @ Q.T
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


def _finish(problem: _Problem, ratios: Floats, lowest: float, *, notes: list[str], assurance: float) -> MixedFit:
    """Everything that follows once the variance ratios are known."""
    X, y = problem.design, problem.response
    n, p = X.shape
    shapes = [*(z @ z.T for z in problem.indicators), np.eye(n)]
    relative = np.append(ratios, 1.0)
    # Whitened by V's Cholesky factor everything below is ordinary least squares on orthonormal columns.
    L = np.linalg.cholesky(np.tensordot(relative, np.asarray(shapes), axes=1))
    Q, R = np.linalg.qr(np.linalg.solve(L, X))
    white = np.linalg.solve(L, y)
    beta = np.linalg.solve(R, Q.T @ white)
    left = white - Q @ (Q.T @ white)
    error = float(left @ left) / (n - p) if np.isfinite(lowest) else 0.0
    weights = np.linalg.solve(R, np.linalg.solve(L.T, Q).T)  # estimates = weights @ y
    spread, covariance = _small_sample(Q, R, L, shapes, error=error, relative=relative, reach=weights @ weights.T)
    kept_names = [problem.columns[j] for j in problem.separable.kept]
    zero = [name for name, s in zip(problem.used, ratios, strict=True) if s == 0]
    if zero and error > 0:
        notes = [*notes, f"No error of {', '.join(zero)} was visible; its estimate is zero, not its true size."]
    return MixedFit(
        names=problem.columns,
        coefficients=coefficient_table(
            kept_names, beta, np.sqrt(np.diag(covariance)), spread.degrees(np.eye(p)), assurance
        ),
        components=_component_table(problem, spread.variances),
        covariance=covariance,
        minus_two_log=lowest,
        separable=problem.separable,
        assurance=assurance,
        notes=(*(str(c) for c in problem.separable.confoundings), *notes),
        spread=spread,
        unseen=_unseen(problem, shapes, weights),
    )


def _unseen(problem: _Problem, shapes: list[Floats], weights: Floats) -> dict[str, Floats]:
    """How far groupings that are not fitted move the estimates beyond what the fitted ones take over from them.

    Seen through the projection M that removes the terms, Z Z' of such a grouping is a sum of k times the fitted
    shapes, so fitted variance j takes up k_j of its variance. What is left of Z Z' then acts on the estimates unseen.
    """
    absent = [name for name in problem.all_indicators if name not in problem.used]
    if not absent:
        return {}
    Q = np.linalg.qr(problem.design)[0]
    M = np.eye(len(Q)) - Q @ Q.T
    seen = np.array([(M @ s @ M).ravel() for s in shapes]).T
    found = {}
    for name in absent:
        z = problem.all_indicators[name]
        left = M @ z
        taken = np.linalg.lstsq(seen, (left @ left.T).ravel(), rcond=None)[0]
        found[name] = weights @ (z @ z.T - np.tensordot(taken, np.asarray(shapes), axes=1)) @ weights.T
    return found


def _small_sample(
    Q: Floats, R: Floats, L: Floats, shapes: list[Floats], *, error: float, relative: Floats, reach: Floats
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


def _component_table(problem: _Problem, variances: Floats) -> pd.DataFrame:
    found = dict(zip([*problem.used, "coupon"], variances, strict=True))
    n, p = problem.design.shape
    everything = np.column_stack([problem.design, *problem.indicators])
    left = n - int(np.linalg.matrix_rank(everything)) if problem.indicators else n - p
    rows = [
        {
            "component": name,
            "batches": len(levels),
            "spare": problem.spare[name],
            "variance": found.get(name, 0.0),
            "used": name in problem.used,
        }
        for name, (_, levels) in problem.labels.items()
    ]
    rows.append({"component": "coupon", "batches": n, "spare": left, "variance": found["coupon"], "used": True})
    table = pd.DataFrame(rows)
    total = float(table["variance"].sum())
    table["sd"] = np.sqrt(table["variance"])
    table["share"] = table["variance"] / total if total > 0 else 0.0
    table["at_zero"] = table["used"] & (table["variance"] == 0)
    return table[["component", "batches", "spare", "variance", "sd", "share", "at_zero", "used"]]
