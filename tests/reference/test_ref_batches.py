"""Published split-plot and strip-plot tables, and REML on the same data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.surfaces.classical.batch_tables import analyse_split_plot, analyse_strip_plot
from doe.surfaces.classical.mixed import fit_mixed
from doe.surfaces.classical.mixed_inference import judge_contrasts, judge_sources

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


def test_split_plot_table_of_corrosion_resistance():
    d = corrosion()
    found = analyse_split_plot(d["resistance"], d["temp_C"], d["heat"], d["coating"], names=("temp", "heat", "coating"))
    table = found.table
    assert table["df"].tolist() == [2, 3, 3, 6, 9]
    assert table["ss"].tolist() == pytest.approx([26519, 14440, 4289, 3270, 1121], abs=0.5)
    assert table["ms"].tolist() == pytest.approx([13259.625, 4813.208, 1429.708, 544.958, 124.542], abs=0.0005)
    assert table["f"].iloc[[0, 2, 3]].tolist() == pytest.approx([2.75, 11.48, 4.38], abs=0.00501)
    assert table["p"].iloc[2] == pytest.approx(0.00198, abs=0.000005)
    assert table["p"].iloc[3] == pytest.approx(0.0241, abs=0.00005)
    assert found.variances == pytest.approx({"heat": 1172.17, "coupon": 124.54}, abs=0.005)


def test_reml_of_corrosion_resistance_equals_its_table():
    d = corrosion()
    X, labels = factorial_matrix(d["temp_C"], d["coating"])
    fit = fit_mixed(X, d["resistance"], {"heat": d["heat"]})
    # A general REML routine prints 124.55 and 1171.9 (tolerance 0.5); for balanced data it must be the table's.
    assert fit.variance_of("heat") == pytest.approx(1172.17, abs=0.005)
    assert fit.variance_of("coupon") == pytest.approx(124.54, abs=0.005)
    sd = fit.components.set_index("component")["sd"]
    assert (sd["heat"], sd["coupon"]) == pytest.approx((34.2, 11.2), abs=0.05)
    tests = judge_sources(fit, labels).set_index("source")
    assert tests["error_df"].tolist() == pytest.approx([3, 9, 9], abs=1e-4)
    assert tests["f"].tolist() == pytest.approx([2.75, 11.48, 4.38], abs=0.00501)
    assert tests["p"].iloc[1:].tolist() == pytest.approx([0.00198, 0.0241], abs=0.00005)


def test_strip_plot_table_of_rice_yield():
    d = rice()
    found = analyse_strip_plot(
        d["yield_kg_ha"], d["rep"], d["variety"], d["nitrogen_kg_ha"], names=("rep", "variety", "nitrogen")
    )
    table = found.table
    assert table["df"].tolist() == [2, 5, 10, 2, 4, 10, 20]
    ss = [9220962, 57100201, 14922619, 50676061, 2974908, 23877979, 8232917]
    ms = [4610481, 11420040, 1492262, 25338031, 743727, 2387798, 411646]
    assert table["ss"].tolist() == pytest.approx(ss, abs=0.6)
    assert table["ms"].tolist() == pytest.approx(ms, abs=0.6)
    assert table["f"].iloc[[1, 3, 5]].tolist() == pytest.approx([7.65, 34.07, 5.80], abs=0.006)
    moments = {
        "rep": 154785.4,
        "rep × variety": 360205.4,
        "rep × nitrogen": 55346.9,
        "coupon": 411645.9,
    }
    assert found.variances == pytest.approx(moments, abs=0.06)


def test_reml_of_rice_yield_equals_the_moment_estimates():
    d = rice()
    X, labels = factorial_matrix(d["variety"], d["nitrogen_kg_ha"])
    rep = d["rep"].astype(str)
    groups = {"rep": rep, "rows": rep + d["variety"], "columns": rep + " " + d["nitrogen_kg_ha"].astype(str)}
    fit = fit_mixed(X, d["yield_kg_ha"], groups)
    # All moment estimates are positive, so REML gives the same.
    assert fit.components["variance"].tolist() == pytest.approx([154785.4, 360205.4, 55346.9, 411645.9], rel=1e-5)
    tests = judge_sources(fit, labels).set_index("source")
    assert tests["f"].tolist() == pytest.approx([7.65, 34.07, 5.80], abs=0.006)
    assert tests["error_df"].tolist() == pytest.approx([10, 4, 20], abs=1e-3)


def test_ignoring_the_heats_is_the_classic_error():
    # Judged as if all 24 bars were independent, temperature would look like F = 10.2.
    d = corrosion()
    X, labels = factorial_matrix(d["temp_C"], d["coating"])
    plain = fit_mixed(X, d["resistance"], {})
    rows = np.eye(len(labels))[[label == "a" for label in labels]]
    assert judge_contrasts(plain, rows).f == pytest.approx(10.2, abs=0.05)
