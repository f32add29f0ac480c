"""Published split-plot and strip-plot tables against REML on the same data: for balanced plans both agree."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.surfaces.classical.mixed import MixedFit, fit_mixed

HERE = Path(__file__).parent


def sum_to_zero(labels: pd.Series) -> np.ndarray:
    levels = list(dict.fromkeys(labels))
    columns = np.eye(len(levels))[:, :-1] - np.eye(len(levels))[:, [-1]]
    return columns[[levels.index(v) for v in labels]]


def factorial_matrix(a: pd.Series, b: pd.Series) -> tuple[np.ndarray, list[str]]:
    one, two = sum_to_zero(a), sum_to_zero(b)
    both = (one[:, :, None] * two[:, None, :]).reshape(len(a), -1)
    labels = ["constant"] + ["a"] * one.shape[1] + ["b"] * two.shape[1] + ["ab"] * both.shape[1]
    return np.column_stack([np.ones(len(a)), one, two, both]), labels


def corrosion() -> pd.DataFrame:
    # Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed. (2005), ch. 9, Table 9.1.
    return pd.read_csv(HERE / "corrosion_splitplot.csv")


def rice() -> pd.DataFrame:
    # Gomez and Gomez, Statistical Procedures for Agricultural Research, 2nd ed. (1984), sec. 3.4, p. 110 ff.
    return pd.read_csv(HERE / "rice_strip.csv")


def source_test(fit: MixedFit, labels: list[str], source: str) -> tuple[float, float, float]:
    """F of all terms of one source, its error degrees of freedom (one number for all of them), p."""
    rows = np.array([label == source for label in labels])
    value = fit.estimates[rows]
    f = float(value @ np.linalg.solve(fit.covariance[np.ix_(rows, rows)], value)) / rows.sum()
    df = fit.coefficients["df"].to_numpy()[rows]
    assert df == pytest.approx(df[0], rel=1e-4)
    return f, float(df[0]), float(stats.f.sf(f, rows.sum(), df[0]))


def test_reml_of_corrosion_resistance_equals_its_table():
    d = corrosion()
    X, labels = factorial_matrix(d["temp_C"], d["coating"])
    fit = fit_mixed(X, d["resistance"], {"heat": d["heat"]})
    variances = fit.components.set_index("component")["variance"]
    # A general REML routine prints 124.55 and 1171.9 (tolerance 0.5); for balanced data it must be the table's.
    assert variances["heat"] == pytest.approx(1172.17, abs=0.005)
    assert variances["coupon"] == pytest.approx(124.54, abs=0.005)
    sd = fit.components.set_index("component")["sd"]
    assert (sd["heat"], sd["coupon"]) == pytest.approx((34.2, 11.2), abs=0.05)
    f, df, p = zip(*(source_test(fit, labels, source) for source in ("a", "b", "ab")), strict=True)
    assert df == pytest.approx([3, 9, 9], abs=1e-3)
    assert f == pytest.approx([2.75, 11.48, 4.38], abs=0.00501)
    assert p[1:] == pytest.approx([0.00198, 0.0241], abs=0.00005)


def test_reml_of_rice_yield_equals_the_moment_estimates():
    d = rice()
    X, labels = factorial_matrix(d["variety"], d["nitrogen_kg_ha"])
    rep = d["rep"].astype(str)
    groups = {"rep": rep, "rows": rep + d["variety"], "columns": rep + " " + d["nitrogen_kg_ha"].astype(str)}
    fit = fit_mixed(X, d["yield_kg_ha"], groups)
    # All moment estimates are positive, so REML gives the same.
    assert fit.components["variance"].tolist() == pytest.approx([154785.4, 360205.4, 55346.9, 411645.9], rel=1e-5)
    f, df, _ = zip(*(source_test(fit, labels, source) for source in ("a", "b", "ab")), strict=True)
    assert f == pytest.approx([7.65, 34.07, 5.80], abs=0.006)
    assert df == pytest.approx([10, 4, 20], abs=1e-3)


def test_ignoring_the_heats_is_the_classic_error():
    # Judged as if all 24 bars were independent, temperature would look like F = 10.2.
    d = corrosion()
    X, labels = factorial_matrix(d["temp_C"], d["coating"])
    plain = fit_mixed(X, d["resistance"], {})
    assert source_test(plain, labels, "a")[0] == pytest.approx(10.2, abs=0.05)
