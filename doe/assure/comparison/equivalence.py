"""Equivalence of hand-feel: two one-sided tests, batches allowed for, and the sizes they need."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import nct, norm, t

from doe.domain.finding import Finding, Value
from doe.domain.outcome import hand_columns
from doe.domain.spec import HAND_STEP
from doe.surfaces.classical.mixed import fit_mixed

Aim = Literal["difference", "non-inferiority", "equivalence"]
HandCode = Literal["batches_of_its_own", "batches_inseparable", "few_batches", "batches_alike"]
"""What a fit says of the batches of one grouping; beside it its name, and how many are spare."""

_FEW = 3  # a variance from fewer spare batches than this is called rough


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests of a difference of means.

    Attributes
    ----------
    difference : float
        New minus old.
    se, df : float
    low, high : float
        Limits such that both tests decide by them: two-sided with coverage 1 - 2 alpha.
    t_low, t_high : float
        Statistics against the lower and the upper bound.
    p : float
        The larger of the two one-sided p: small shows that the difference lies inside the bounds.
    bounds : (float, float)
    is_equivalent : bool
    is_different : bool
        Whether the limits lie wholly outside the bounds.
    notes : tuple of Finding
        Groupings whose batch error is not, or hardly, known; codes as in `HandCode`.
    """

    difference: float
    se: float
    df: float
    low: float
    high: float
    t_low: float
    t_high: float
    p: float
    bounds: tuple[float, float]
    is_equivalent: bool
    is_different: bool
    notes: tuple[Finding, ...] = ()


def equivalence_of(
    difference: float,
    se: float,
    df: float,
    *,
    margin: float,
    alpha: float,
    rounding: float = 0.0,
    notes: tuple[Finding, ...] = (),
) -> Equivalence:
    """Two one-sided tests from a difference and its standard error.

    Parameters
    ----------
    difference, se, df : float
    margin : float
        Largest difference either way that does not matter.
    alpha : float
        Risk of each test.
    rounding : float
        How far the difference may be off because scores were rounded; the limits are that much wider either way.

    References
    ----------
    D. J. Schuirmann (1987), *Journal of Pharmacokinetics and Biopharmaceutics* 15, 657-680 (from memory).
    """
    half = t.ppf(1 - alpha, df) * se + rounding
    low, high = difference - half, difference + half
    up, down = difference + margin - rounding, difference - margin + rounding
    t_low = up / se if se > 0 else math.inf if up > 0 else -math.inf
    t_high = down / se if se > 0 else -math.inf if down < 0 else math.inf
    p = max(t.sf(t_low, df), t.cdf(t_high, df))
    return Equivalence(
        difference,
        se,
        df,
        low,
        high,
        t_low,
        t_high,
        p,
        (-margin, margin),
        is_equivalent=low > -margin and high < margin,
        is_different=low > margin or high < -margin,
        notes=notes,
    )


def compare_hand(scored: pd.DataFrame, *, margin: float = 0.5, alpha: float = 0.10) -> Equivalence:
    """Hand-feel of a new material against the old one, strokes, cure batches and people allowed for.

    Parameters
    ----------
    scored : DataFrame
        One row a coupon: ``material`` (``new`` or ``old``), ``hand_<person>`` (missing where not scored), optional
        ``stroke``, ``cure_batch`` and ``role`` (setpoint or edge: compared within each).
    margin : float
        Hand-feel points that do not matter.
    alpha : float
        Risk of each one-sided test.

    Returns
    -------
    Equivalence
        Difference new minus old from a mixed model by REML.

    Notes
    -----
    Where each material had cure batches of its own and only one of them, batch and material cannot be told apart; the
    notes say so. Scores in half steps are treated as numbers, with an allowance for what rounding hides
    (`rounding_bias`): people who all give the same half say nothing of what lies between two halves.
    """
    keep = [c for c in ("material", "stroke", "cure_batch", "role") if c in scored.columns]
    people = hand_columns(scored)
    rows = scored[keep].assign(print=range(len(scored)))
    rows[people] = scored[people].apply(pd.to_numeric, errors="coerce")
    long = rows.melt([*keep, "print"], var_name="person", value_name="score").dropna(subset="score")
    named = long[[c for c in ("person", "role") if c in long.columns]].astype(str)
    levels = pd.get_dummies(named, drop_first=True, dtype=float)
    design = np.column_stack([np.ones(len(long)), long["material"] == "new", *levels.to_numpy().T])
    groups = {
        c: long[c].astype(str).to_numpy()
        for c in ("stroke", "cure_batch")
        if c in long.columns and 1 < long[c].nunique() < long["print"].nunique() and long[c].notna().all()
    }
    if len(people) > 1:
        groups["print"] = long["print"].to_numpy()
    fit = fit_mixed(design, long["score"], groups, ["constant", "new", *levels.columns])
    row = fit.coefficients[fit.coefficients["term"] == "new"].iloc[0]
    in_steps = bool(np.allclose(long["score"] % HAND_STEP, 0))
    scatter = math.sqrt(float(fit.components["variance"].sum()))
    return equivalence_of(
        float(row["estimate"]),
        float(row["se"]),
        float(row["df"]),
        margin=margin,
        alpha=alpha,
        # either mean may be off, and not the same way
        rounding=2 * rounding_bias(scatter, split=_is_split(long)) if in_steps else 0.0,
        notes=tuple(_batch_notes(fit.components)),
    )


def _is_split(long: pd.DataFrame) -> bool:
    """Whether nobody's scores of a material, at one place, are more than a half step apart."""
    within = [c for c in ("material", "person", "role") if c in long.columns]
    apart = long.groupby(within)["score"].agg(np.ptp)
    return bool((apart <= HAND_STEP).all())


def rounding_bias(scatter: float, *, split: bool = False) -> float:
    """How far the mean of scores rounded to half steps may lie from the true one, at worst over where that lies.

    Parameters
    ----------
    scatter : float
        Standard deviation of the rounded scores, their rounding included.
    split : bool
        Whether scores are of two neighbouring halves only. Then they may scatter by next to nothing about the line
        between these: a share p of the upper half puts the mean at p steps where it may lie at half a step, and with a
        variance of p (1 - p) steps squared that is off by sqrt(1/4 - variance).

    Notes
    -----
    Rounding a normal score with standard deviation s moves its mean by the series (h / pi) sum over k of
    (-1)^k / k sin(2 pi k mu / h) exp(-2 (pi k s / h)^2), h the step (Sheppard's corrections are what is left of it when
    s is large; from memory). What rounding adds to the variance, h^2 / 12, is taken off first.

    Examples
    --------
    >>> [round(rounding_bias(scatter), 3) for scatter in (0.0, 0.2, 0.3, 0.5)]
    [0.25, 0.035, 0.001, 0.0]
    >>> round(rounding_bias(0.2, split=True), 3)
    0.15
    """
    least = HAND_STEP * math.sqrt(max(0.25 - (scatter / HAND_STEP) ** 2, 0.0)) if split else 0.0
    inner = math.sqrt(max(scatter**2 - HAND_STEP**2 / 12, 0.0))
    if inner == 0:
        return HAND_STEP / 2
    k = np.arange(1, 60)
    places = np.linspace(0, 0.5, 101)[:, None]  # of a step; the other half mirrors it
    waves = (-1.0) ** k / k * np.sin(2 * np.pi * k * places) * np.exp(-2 * (np.pi * k * inner / HAND_STEP) ** 2)
    return max(least, float(HAND_STEP / np.pi * np.abs(waves.sum(axis=1)).max()))


def _batch_notes(components: pd.DataFrame) -> Iterator[Finding]:
    """What the batches of strokes and cure batches leave unknown."""
    for row in components[components["component"].isin(["stroke", "cure_batch"])].to_dict("records"):
        codes: dict[HandCode, bool] = {
            "batches_of_its_own": not row["used"] and not row["spare"],
            "batches_inseparable": not row["used"] and row["spare"] > 0,
            "few_batches": row["used"] and row["spare"] < _FEW,
            "batches_alike": row["at_zero"],
        }
        values: dict[str, Value] = {"grouping": str(row["component"]), "spare_batches": int(row["spare"])}
        yield from (Finding(code, values) for code, holds in codes.items() if holds)


def coupons_for_means(
    aim: Aim,
    difference: float,
    *,
    sd: float,
    alpha: float = 0.10,
    power: float = 0.80,
    paired: bool = False,
) -> int:
    """Coupons of each material (or strokes, if paired) to decide on a difference of means.

    Parameters
    ----------
    aim : {"difference", "non-inferiority", "equivalence"}
        ``difference``: find a true difference, two-sided test at 2 alpha; the others: show that a true difference of
        zero stays within the margin, one way or both.
    difference : float
        The difference or the margin.
    sd : float
        Of single coupons; of the differences of a stroke if ``paired``.
    alpha : float
        One-sided risk.
    power : float
    paired : bool

    References
    ----------
    S. A. Julious (2004), *Statistics in Medicine* 23, 1921-1986 (equivalence with power 2 P - 1). From memory.

    Examples
    --------
    >>> coupons_for_means("equivalence", 0.5, sd=1.0, alpha=0.025, power=0.90)
    105
    """
    need = (1 + power) / 2 if aim == "equivalence" else power
    groups = 1 if paired else 2
    rough = groups * ((norm.ppf(1 - alpha) + norm.ppf(need)) * sd / difference) ** 2
    n = max(math.floor(rough * 0.9), 2)
    while True:
        df = groups * (n - 1)
        away = difference / sd * math.sqrt(n / groups)
        if nct.sf(t.ppf(1 - alpha, df), df, away) >= need:
            return n
        n += 1
