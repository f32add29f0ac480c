"""Mixed models: REML against another routine, a slow twin, closed forms, coverage and fallbacks."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.errors import InputError
from doe.surfaces.classical.least_squares import fit_least_squares
from doe.surfaces.classical.mixed import MixedFit, collect_products, criterion, fit_mixed, search_ratios


def strip_plot(seed: int, n: int = 30, cures: int = 7, presses: int = 6, sds=(1.0, 0.7, 0.5)) -> pd.DataFrame:
    """Random unbalanced strip plot: a set once a cure batch, b once a press batch, c on every coupon."""
    rng = np.random.default_rng(seed)
    cure, press = rng.integers(cures, size=n), rng.integers(presses, size=n)
    a, b, c = rng.normal(size=cures)[cure], rng.normal(size=presses)[press], rng.normal(size=n)
    y = 3 + a - b + 0.5 * c + rng.normal(scale=sds[2], size=n)
    y += rng.normal(scale=sds[0], size=cures)[cure] + rng.normal(scale=sds[1], size=presses)[press]
    return pd.DataFrame({"y": y, "a": a, "b": b, "c": c, "cure": cure, "press": press})


def variance_of(fit: MixedFit, component: str) -> float:
    return float(fit.components.set_index("component")["variance"][component])


def fit_strip(d: pd.DataFrame, **options):
    X = np.column_stack([np.ones(len(d)), d[["a", "b", "c"]]])
    return fit_mixed(X, d["y"], {"cure": d["cure"], "press": d["press"]}, ["constant", "a", "b", "c"], **options)


@pytest.mark.parametrize("seed", range(6))
def test_reml_agrees_with_statsmodels_on_random_strip_plots(seed):
    d = strip_plot(seed)
    fit = fit_strip(d)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns when a variance lies near zero
        other = smf.mixedlm(
            "y ~ a + b + c", d, groups=np.ones(len(d)), vc_formula={"cure": "0 + C(cure)", "press": "0 + C(press)"}
        ).fit(reml=True, gtol=1e-10)
    theirs = dict(zip(other.model.exog_vc.names, other.vcomp, strict=True))
    ours = {name: variance_of(fit, name) for name in theirs}
    X = np.column_stack([np.ones(len(d)), d[["a", "b", "c"]]])
    at = slow_criterion(X, d["y"], [d["cure"].to_numpy(), d["press"].to_numpy()], fit.components["variance"])
    assert -2 * other.llf >= at - 1e-6  # ours is at least as high a peak
    if -2 * other.llf < at + 1e-5:
        assert ours == pytest.approx(theirs, rel=0.02, abs=2e-3)
        assert variance_of(fit, "coupon") == pytest.approx(other.scale, rel=0.01)
        assert fit.estimates == pytest.approx(other.fe_params.to_numpy(), abs=2e-3)
        # Its printed standard errors invert the joint observed information of terms and variances; the
        # block of the terms alone is the textbook X'V^-1 X.
        hessian = other.model.hessian(other.params_object)[0][:4, :4]
        assert fit.spread.phi == pytest.approx(np.linalg.inv(-hessian), rel=0.02, abs=1e-3)


def slow_criterion(X, y, batches, variances) -> float:
    """-2 log restricted likelihood written out with full matrices."""
    *shared, coupon = variances
    V = coupon * np.eye(len(y))
    for labels, variance in zip(batches, shared, strict=True):
        V += variance * (labels[:, None] == labels[None, :])
    W = np.linalg.inv(V)
    beta = np.linalg.solve(X.T @ W @ X, X.T @ W @ y)
    r = y - X @ beta
    n, p = X.shape
    logs = np.linalg.slogdet(V)[1] + np.linalg.slogdet(X.T @ W @ X)[1]
    return logs + r @ W @ r + (n - p) * np.log(2 * np.pi)


@pytest.mark.parametrize("seed", [0, 3, 4])
def test_reml_is_the_lowest_point_of_the_criterion_written_out(seed):
    d = strip_plot(seed)
    fit = fit_strip(d)
    X = np.column_stack([np.ones(len(d)), d[["a", "b", "c"]]])
    batches = [d["cure"].to_numpy(), d["press"].to_numpy()]
    variances = fit.components["variance"].to_numpy()
    at = slow_criterion(X, d["y"].to_numpy(), batches, variances)
    rng = np.random.default_rng(seed)
    for size in (1e-3, 0.1, 1.0):
        for _ in range(30):
            near = np.abs(variances + size * variances.sum() * rng.normal(size=3))
            assert slow_criterion(X, d["y"].to_numpy(), batches, near) >= at - 1e-9


def test_slope_of_the_criterion_is_its_derivative():
    d = strip_plot(2)
    X = np.column_stack([np.ones(len(d)), d[["a", "b", "c"]]])
    z = [np.eye(7)[d["cure"]], np.eye(6)[d["press"]]]
    products = collect_products(X, d["y"].to_numpy(), z)
    at, h = np.array([0.6, 2.9]), 1e-5
    for j, unit in enumerate(np.eye(2)):
        rise = criterion(products, at + h * unit)[0] - criterion(products, at - h * unit)[0]
        assert criterion(products, at)[1][j] == pytest.approx(rise / (2 * h), rel=1e-6)
    none = np.zeros(2)
    for j, unit in enumerate(np.eye(2)):
        rise = criterion(products, 1e-7 * unit)[0] - criterion(products, none)[0]
        assert criterion(products, none)[1][j] == pytest.approx(rise / 1e-7, rel=1e-3)


@pytest.mark.parametrize("seed", range(25))
def test_no_variance_is_left_at_zero_where_the_likelihood_rises_from_it(seed):
    # As many spare batches as coupons can carry, and errors from none to thirty times that of a coupon.
    rng = np.random.default_rng(seed)
    X, _ = np.linalg.qr(np.column_stack([np.ones(20), rng.normal(size=(20, 2))]))
    labels = rng.integers(6, size=(3, 20))
    y = rng.normal(size=20) + sum(sd * rng.normal(size=6)[one] for sd, one in zip((0, 1, 30), labels, strict=True))
    products = collect_products(X, y - X @ (X.T @ y), [np.eye(6)[one] for one in labels])
    ratios, lowest = search_ratios(products)
    value, slopes = criterion(products, ratios)
    assert value == pytest.approx(lowest, abs=1e-9)
    assert (slopes > -1e-3).all()


@given(st.integers(0, 10_000), st.integers(2, 4), st.integers(2, 4), st.integers(2, 4))
@settings(deadline=None, max_examples=25)
def test_balanced_split_plot_gives_the_table_when_its_variances_are_positive(seed, wholes, repeats, subs):
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(wholes * repeats), subs)
    whole, sub = batch % wholes, np.tile(np.arange(subs), wholes * repeats)
    y = rng.normal(scale=3, size=wholes * repeats)[batch] + rng.normal(size=len(batch))
    # The table by hand: mean squares of batches within a setting, and of coupons within batches.
    by = pd.DataFrame({"y": y, "batch": batch, "whole": whole, "sub": sub})
    of_batch, of_whole, of_cell = (
        by.groupby(key)["y"].transform("mean").to_numpy() for key in (["batch"], ["whole"], ["whole", "sub"])
    )
    spare = wholes * (repeats - 1)
    ms_batch = np.sum((of_batch - of_whole) ** 2) / spare
    coupon = np.sum((y - of_batch - of_cell + of_whole) ** 2) / (spare * (subs - 1))
    between = (ms_batch - coupon) / subs
    X = (np.eye(wholes)[whole][:, :, None] * np.eye(subs)[sub][:, None, :]).reshape(len(y), -1)
    fit = fit_mixed(X, y, {"batch": batch})
    if between > 1e-3:
        assert variance_of(fit, "batch") == pytest.approx(between, rel=1e-4)
        assert variance_of(fit, "coupon") == pytest.approx(coupon, rel=1e-4)
        # Difference of two whole settings, tested against batches: degrees of freedom of the table.
        means = np.kron(np.eye(wholes)[[0]] - np.eye(wholes)[[1]], np.ones((1, subs)) / subs)
        assert fit.spread.degrees(means)[0] == pytest.approx(spare, rel=1e-3)
    elif between < 0:
        assert variance_of(fit, "batch") == 0
        assert fit.components["at_zero"].iloc[0]


def test_without_groupings_it_is_ordinary_least_squares():
    d = strip_plot(1)
    X = np.column_stack([np.ones(len(d)), d[["a", "b", "c"]]])
    mixed, plain = fit_mixed(X, d["y"], {}), fit_least_squares(X, d["y"])
    numbers = ["estimate", "se", "t", "p", "low", "high"]
    assert mixed.coefficients[numbers].to_numpy() == pytest.approx(plain.coefficients[numbers].to_numpy())
    assert mixed.coefficients["df"].tolist() == pytest.approx([26] * 4)


@given(st.integers(0, 10_000), st.floats(0.1, 30), st.floats(-50, 50))
@settings(deadline=None, max_examples=15)
def test_units_and_order_do_not_change_the_answer(seed, scale, shift):
    d = strip_plot(seed)
    one = fit_strip(d)
    other = fit_strip(d.assign(y=d["y"] * scale + shift).sample(frac=1, random_state=seed))
    assert other.components["variance"].to_numpy() == pytest.approx(
        one.components["variance"].to_numpy() * scale**2, rel=1e-3, abs=1e-5 * scale**2
    )
    assert other.coefficients["p"].to_numpy()[1:] == pytest.approx(
        one.coefficients["p"].to_numpy()[1:], rel=1e-2, abs=1e-6
    )


def test_intervals_cover_the_truth_where_ordinary_ones_do_not():
    # 200 strip plots with strong batch error, factor set once a cure batch, at 90 %. Standard error of a
    # share near 0.9 is 0.021, so falling 0.08 short fails about once in 10 000.
    hits, ordinary = [], []
    for seed in range(200):
        d = strip_plot(seed, n=24, cures=6, presses=6, sds=(1.0, 1.0, 0.5))
        row = fit_strip(d, assurance=0.9).coefficients.iloc[1]
        hits.append(row["low"] <= 1 <= row["high"])
        X = np.column_stack([np.ones(len(d)), d[["a", "b", "c"]]])
        naive = fit_least_squares(X, d["y"], assurance=0.9).coefficients.iloc[1]
        ordinary.append(naive["low"] <= 1 <= naive["high"])
    assert np.mean(hits) >= 0.82
    assert np.mean(ordinary) <= 0.75


def test_degrees_of_freedom_follow_the_batches_not_the_coupons():
    d = strip_plot(5, n=60, cures=6, presses=6, sds=(2.0, 2.0, 0.3))
    df = fit_strip(d).coefficients.set_index("term")["df"]
    assert df["a"] < 6
    assert df["b"] < 6
    assert df["c"] > 30


def test_no_batch_error_is_a_zero_that_says_so_and_keeps_few_degrees_of_freedom():
    d = next(
        d for d in (strip_plot(s, sds=(0.0, 0.0, 1.0)) for s in range(50)) if variance_of(fit_strip(d), "cure") == 0
    )
    fit = fit_strip(d)
    assert any("No error of" in note and "cure" in note for note in fit.notes)
    assert fit.coefficients.set_index("term").loc["a", "df"] < 15
    assert fit.components.set_index("component").loc["cure", "at_zero"]


def test_batches_used_up_by_their_settings_are_a_stated_fallback():
    # Two cure batches, two cure settings: nothing is left to see batch error with.
    batch = np.repeat([0, 1], 6)
    X = np.column_stack([np.ones(12), 2.0 * batch - 1])
    y = np.random.default_rng(0).normal(size=12)
    fit = fit_mixed(X, y, {"cure_batch": batch}, ["constant", "cure"])
    row = fit.components.set_index("component").loc["cure_batch"]
    assert (row["used"], row["spare"], row["variance"]) == (False, 0, 0.0)
    assert "Every cure_batch had settings of its own" in fit.notes[0]
    assert fit.coefficients["se"].to_numpy() == pytest.approx(fit_least_squares(X, y).coefficients["se"].to_numpy())


def test_groupings_that_cannot_be_told_apart_are_said():
    d = strip_plot(3)
    X = np.column_stack([np.ones(len(d)), d["c"]])
    groups = {"cure": d["cure"], "oven day": d["cure"] + 10, "coupon label": np.arange(len(d))}
    fit = fit_mixed(X, d["y"], groups)
    assert fit.components["used"].tolist() == [True, False, False, True]
    assert any(note.startswith("Error of oven day cannot be told from cure") for note in fit.notes)
    assert any(note.startswith("Error of coupon label cannot be told") for note in fit.notes)
    assert fit.estimates == pytest.approx(fit_mixed(X, d["y"], {"cure": d["cure"]}).estimates)


def test_nested_groupings_are_both_estimated():
    rng = np.random.default_rng(4)
    day = np.repeat(np.arange(8), 9)
    batch = np.repeat(np.arange(24), 3)
    y = rng.normal(scale=3, size=8)[day] + rng.normal(scale=1.5, size=24)[batch] + rng.normal(size=72)
    fit = fit_mixed(np.ones((72, 1)), y, {"day": day, "batch": batch})
    # Nested balanced table by hand: mean squares between days, batches in days, coupons.
    by_batch, by_day = y.reshape(24, 3), y.reshape(8, 9)
    ms_e = np.sum((by_batch - by_batch.mean(1, keepdims=True)) ** 2) / 48
    means = by_batch.mean(1).reshape(8, 3)
    ms_b = 3 * np.sum((means - means.mean(1, keepdims=True)) ** 2) / 16
    ms_d = 9 * np.sum((by_day.mean(1) - y.mean()) ** 2) / 7
    assert fit.components["variance"].tolist() == pytest.approx([(ms_d - ms_b) / 9, (ms_b - ms_e) / 3, ms_e], rel=1e-5)


def test_few_spare_batches_are_called_rough():
    d = strip_plot(2, cures=3)
    fit = fit_mixed(np.column_stack([np.ones(len(d)), d["a"]]), d["y"], {"cure": d["cure"]})
    assert "rests on 1 spare batch only" in fit.notes[0]


def test_confounded_terms_are_named_and_left_out():
    d = strip_plot(6)
    X = np.column_stack([np.ones(len(d)), d["a"], 2 * d["a"], d["c"]])
    fit = fit_mixed(X, d["y"], {"cure": d["cure"]}, ["constant", "a", "twice a", "c"])
    assert fit.notes[0] == "These coupons cannot separate twice a from a."
    assert fit.coefficients["term"].tolist() == ["constant", "a", "c"]


def test_response_without_scatter_is_fitted_and_said():
    X = np.column_stack([np.ones(6), [0, 0, 1, 1, 2, 2.0]])
    fit = fit_mixed(X, X @ [1.0, 2.0], {"cure": [0, 0, 1, 1, 2, 2]})
    assert fit.estimates == pytest.approx([1.0, 2.0])
    assert fit.components["variance"].tolist() == [0.0, 0.0]
    assert any("fit every coupon exactly" in note for note in fit.notes)
    assert fit.coefficients["p"].tolist() == [0.0, 0.0]


def test_a_row_without_a_batch_is_refused():
    with pytest.raises(InputError, match="cure, row 4: found no batch"):
        fit_mixed(np.ones((4, 1)), [1, 2, 3, 4], {"cure": [1, 1, 2, None]})


def test_too_many_terms_are_refused():
    with pytest.raises(InputError, match="more rows than terms"):
        fit_mixed(np.eye(3), [1, 2, 3], {})
