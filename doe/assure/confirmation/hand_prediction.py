"""Hand-feel to expect of further prints, batches and people allowed for."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t

from doe.domain.finding import Finding
from doe.domain.outcome import HAND_PREFIX
from doe.domain.spec import HAND_STEP
from doe.surfaces.classical.mixed import MixedFit, fit_mixed

_ROUNDING_VARIANCE = HAND_STEP**2 / 12
"""Scores come in half steps: what they cannot show is not absent."""


@dataclass(frozen=True)
class HandPrediction:
    """Mean hand-feel of ``future`` further prints.

    Attributes
    ----------
    mean : float
    low, high : float
        Prediction limits, each alone at the assurance asked for (together they hold less).
    low_mean : float
        Lower limit of the long-run mean itself.
    sd : float
        Scatter of a single print scored by the same people, batches included.
    df : float
    coupons, people, strokes : int
    future : int
    notes : tuple of Finding or str
        ``one_stroke``, ``hardly_differ``; what the mixed model says of strokes, in its words.
    """

    mean: float
    low: float
    high: float
    low_mean: float
    sd: float
    df: float
    coupons: int
    people: int
    strokes: int
    future: int
    notes: tuple[Finding | str, ...]


def predict_hand(scored: pd.DataFrame, *, future: int = 1, assurance: float = 0.90) -> HandPrediction:
    """Prediction limits for the mean hand-feel of further prints made the same way.

    Parameters
    ----------
    scored : DataFrame
        One row a coupon: ``hand_<person>`` columns (missing where not scored), optional ``stroke``. Coupons that did
        not transfer have no score and are left out; two others are needed.
    future : int
        How many further prints the mean is taken over, each in a stroke of its own; 1 for a single print.
    assurance : float
        Of each limit alone.

    Returns
    -------
    HandPrediction

    Notes
    -----
    Coupons of one stroke are alike; a mixed model keeps them from counting as independent. With one coupon a stroke and
    one person this is the textbook interval mean +- t s sqrt(1/n + 1/future).

    References
    ----------
    W. Q. Meeker, G. J. Hahn and L. A. Escobar (2017), *Statistical Intervals*, 2nd ed., ch. 4 (from memory);
    Satterthwaite's degrees of freedom for the sum of variances.
    """
    long = _long(scored)
    coupons, people, strokes = (int(long[c].nunique()) for c in ("coupon", "person", "stroke"))
    names = sorted(long["person"].unique())
    X = np.ones((len(long), 1))
    for name in names[:-1]:  # people as deviations from their mean, so that the constant is the panel's mean
        X = np.column_stack([X, (long["person"] == name).astype(float) - (long["person"] == names[-1]).astype(float)])
    groups = {}
    if 1 < strokes < coupons:
        groups["stroke"] = long["stroke"].to_numpy()
    if people > 1:
        groups["print"] = long["coupon"].to_numpy()  # `coupon` is the mixed model's word for the rest
    fit = fit_mixed(X, long["score"], groups, ["constant", *names[:-1]])
    notes: list[Finding | str] = [n for n in fit.notes if "stroke" in n]
    if strokes == 1:
        notes.append(Finding("one_stroke"))
    batches = int(fit.components["used"].sum()) - 1
    parts = np.array([*[1 / future] * batches, 1 / (future * people)])
    mean = float(fit.estimates[0])
    se2, df_mean = _variance(fit, np.zeros(len(parts)))
    total, df = _variance(fit, parts)
    single, _ = _variance(fit, parts * future)
    floor = _ROUNDING_VARIANCE / people
    if single - se2 < floor:
        notes.append(Finding("hardly_differ"))
        se2, total, single = floor / coupons, floor / coupons + floor / future, floor / coupons + floor
        df = float(coupons - 1)
    q = float(t.ppf(assurance, df))
    q_mean = float(t.ppf(assurance, df_mean if single - se2 > floor else df))
    return HandPrediction(
        mean=mean,
        low=mean - q * math.sqrt(total),
        high=mean + q * math.sqrt(total),
        low_mean=mean - q_mean * math.sqrt(se2),
        sd=math.sqrt(single - se2),
        df=df,
        coupons=coupons,
        people=people,
        strokes=strokes,
        future=future,
        notes=tuple(notes),
    )


def _long(scored: pd.DataFrame) -> pd.DataFrame:
    """One row a score: coupon, stroke, person, score."""
    columns = [str(c) for c in scored.columns if str(c).startswith(HAND_PREFIX)]
    rows = scored.reset_index(drop=True)
    stroke = rows["stroke"] if "stroke" in rows.columns else pd.Series(rows.index)
    wide = rows[columns].apply(pd.to_numeric, errors="coerce").assign(coupon=rows.index, stroke=stroke)
    long: pd.DataFrame = wide.melt(id_vars=["coupon", "stroke"], var_name="person", value_name="score").dropna(
        subset=["score"]
    )
    long["person"] = [str(name).removeprefix(HAND_PREFIX) for name in long["person"]]
    return pd.DataFrame(long.reset_index(drop=True))


def _variance(fit: MixedFit, parts: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, float]:
    """Variance of the constant plus shares of the variance components, and its degrees of freedom."""
    s = fit.spread
    contrast = np.zeros(len(fit.estimates))
    contrast[0] = 1.0
    scaled = contrast @ s.phi
    value = float(contrast @ fit.covariance @ contrast) + float(parts @ s.variances)
    plain = float(scaled @ contrast) + float(parts @ s.variances)
    slope = parts - np.array([scaled @ bend @ scaled for bend in s.bends])
    spread = float(slope @ s.weights @ slope)
    df = 2 * plain**2 / spread if spread > 0 else float(s.rows_df)
    return value, float(np.clip(df, 1.0, s.rows_df))
