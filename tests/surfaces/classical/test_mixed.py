"""Mixed models: REML against another routine, a slow twin, closed forms, coverage and fallbacks."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from doe.domain.errors import InputError
from doe.surfaces.classical.batch_tables import analyse_split_plot, analyse_strip_plot
from doe.surfaces.classical.least_squares import fit_least_squares, predict_mean
from doe.surfaces.classical.mixed import fit_mixed
from doe.surfaces.classical.mixed_inference import judge_contrasts, judge_sources, predict_mixed
from doe.surfaces.classical.reml import collect_products, criterion


def strip_plot(seed: int, n: int = 30, cures: int = 7, presses: int = 6, sds=(1.0, 0.7, 0.5)) -> pd.DataFrame:
    """Random unbalanced strip plot: a set once a cure batch, b once a press batch, c on every coupon."""
    rng = np.random.default_rng(seed)
    cure, press = rng.integers(cures, size=n), rng.integers(presses, size=n)
    a, b, c = rng.normal(size=cures)[cure], rng.normal(size=presses)[press], rng.normal(size=n)
    y = 3 + a - b + 0.5 * c + rng.normal(scale=sds[2], size=n)
    y += rng.normal(scale=sds[0], size=cures)[cure] + rng.normal(scale=sds[1], size=presses)[press]
    return pd.DataFrame({"y": y, "a": a, "b": b, "c": c, "cure": cure, "press": press})


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
    ours = {name: fit.variance_of(name) for name in theirs}
    assert -2 * other.llf >= fit.minus_two_log - 1e-6  # ours is at least as high a peak
    if -2 * other.llf < fit.minus_two_log + 1e-5:
        assert ours == pytest.approx(theirs, rel=0.02, abs=2e-3)
        assert fit.variance_of("coupon") == pytest.approx(other.scale, rel=0.01)
        assert fit.estimates == pytest.approx(other.fe_params.to_numpy(), abs=2e-3)
        # Its printed standard errors invert the joint observed information of terms and variances; the
        # block of the terms alone is the textbook X'V^-1 X.
        hessian = other.model.hessian(other.params_object)[0][:4, :4]
        assert fit.covariance_plain == pytest.approx(np.linalg.inv(-hessian), rel=0.02, abs=1e-3)


def slow_criterion(X, y, batches, variances) -> float:
    """-2 log restricted likelihood written out with full matrices."""
    V = variances[-1] * np.eye(len(y))
    for labels, variance in zip(batches, variances[:-1], strict=True):
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
    assert fit.minus_two_log == pytest.approx(at, abs=1e-7)
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
    at, h = np.array([0.8, 1.7]), 1e-5
    for j, unit in enumerate(np.eye(2)):
        rise = criterion(products, at + h * unit)[0] - criterion(products, at - h * unit)[0]
        assert criterion(products, at)[1][j] == pytest.approx(rise / (2 * h), rel=1e-6)


@given(st.integers(0, 10_000), st.integers(2, 4), st.integers(2, 4), st.integers(2, 4))
@settings(deadline=None, max_examples=25)
def test_balanced_split_plot_gives_the_table_when_its_variances_are_positive(seed, wholes, repeats, subs):
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(wholes * repeats), subs)
    whole, sub = batch % wholes, np.tile(np.arange(subs), wholes * repeats)
    y = rng.normal(scale=3, size=wholes * repeats)[batch] + rng.normal(size=len(batch))
    table = analyse_split_plot(y, whole, batch, sub, names=("w", "batch", "s"))
    X = (np.eye(wholes)[whole][:, :, None] * np.eye(subs)[sub][:, None, :]).reshape(len(y), -1)
    fit = fit_mixed(X, y, {"batch": batch})
    if table.variances["batch"] > 1e-3:
        assert fit.variance_of("batch") == pytest.approx(table.variances["batch"], rel=1e-4)
        assert fit.variance_of("coupon") == pytest.approx(table.variances["coupon"], rel=1e-4)
        # Difference of two whole settings, tested against batches: F of the table for two settings.
        means = np.kron(np.eye(wholes)[[0]] - np.eye(wholes)[[1]], np.ones((1, subs)) / subs)
        assert judge_contrasts(fit, means).error_df == pytest.approx(wholes * (repeats - 1), rel=1e-3)
    elif table.variances["batch"] < 0:
        assert fit.variance_of("batch") == 0
        assert fit.components["at_zero"].iloc[0]


def test_without_groupings_it_is_ordinary_least_squares():
    d = strip_plot(1)
    X = np.column_stack([np.ones(len(d)), d[["a", "b", "c"]]])
    mixed, plain = fit_mixed(X, d["y"], {}), fit_least_squares(X, d["y"])
    numbers = ["estimate", "se", "t", "p", "low", "high"]
    assert mixed.coefficients[numbers].to_numpy() == pytest.approx(plain.coefficients[numbers].to_numpy())
    assert mixed.coefficients["df"].tolist() == pytest.approx([26] * 4)
    rows = X[:3]
    ours, theirs = predict_mixed(mixed, rows), predict_mean(plain, rows)
    assert ours.new_low == pytest.approx(theirs.new_low)
    assert ours.mean_high == pytest.approx(theirs.mean_high)


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
        d for d in (strip_plot(s, sds=(0.0, 0.0, 1.0)) for s in range(50)) if fit_strip(d).variance_of("cure") == 0
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
    assert fit.minus_two_log == pytest.approx(fit_mixed(X, d["y"], {"cure": d["cure"]}).minus_two_log)


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
    assert predict_mixed(fit, [[1, 1, 2, 0], [1, 1, 1, 0]]).can_estimate.tolist() == [True, False]


def test_response_without_scatter_is_fitted_and_said():
    X = np.column_stack([np.ones(6), [0, 0, 1, 1, 2, 2.0]])
    fit = fit_mixed(X, X @ [1.0, 2.0], {"cure": [0, 0, 1, 1, 2, 2]})
    assert fit.estimates == pytest.approx([1.0, 2.0])
    assert fit.components["variance"].tolist() == [0.0, 0.0]
    assert any("fit every coupon exactly" in note for note in fit.notes)
    assert judge_sources(fit)["p"].tolist() == [0.0, 0.0]


def test_batch_effects_are_shrunken_batch_means():
    # One-way balanced table: effect = (batch mean - mean) x m s_b² / (m s_b² + s²).
    y = np.array([1.0, 2, 5, 6, 9, 10])
    batch = ["x", "x", "y", "y", "z", "z"]
    fit = fit_mixed(np.ones((6, 1)), y, {"cure": batch})
    vb, ve = fit.variance_of("cure"), fit.variance_of("coupon")
    assert (vb, ve) == pytest.approx((15.75, 0.5))
    assert fit.batch_effects["batch"].tolist() == ["x", "y", "z"]
    shrink = 2 * vb / (2 * vb + ve)
    assert fit.batch_effects["effect"].tolist() == pytest.approx([-4 * shrink, 0, 4 * shrink], abs=1e-6)


def test_new_coupon_interval_holds_the_batch_errors():
    # 200 fits at 80 %: standard error 0.028, so 0.11 fails about once in 10 000.
    rng = np.random.default_rng(0)
    hits = []
    for seed in range(200):
        fit = fit_strip(strip_plot(seed, sds=(1.0, 1.0, 0.5)), assurance=0.8)
        found = predict_mixed(fit, [[1, 0, 0, 0]])
        new = 3 + rng.normal() + rng.normal() + 0.5 * rng.normal()
        hits.append(found.new_low[0] <= new <= found.new_high[0])
    assert np.mean(hits) == pytest.approx(0.8, abs=0.11)


def test_kenward_roger_test_keeps_its_promised_false_alarms():
    # Three-level cure setting that does nothing: p below 0.1 in a tenth. 200 fits: se 0.021, 0.08 is 4 se.
    rng = np.random.default_rng(5)
    alarms = []
    cure = np.arange(27) % 9
    for _ in range(200):
        keep = rng.permutation(27)[:24]
        setting = np.eye(3)[cure % 3][keep]
        X = np.column_stack([np.ones(24), setting[:, :2] - setting[:, [2]]])
        y = rng.normal(size=9)[cure][keep] + 0.5 * rng.normal(size=24)
        fit = fit_mixed(X, y, {"cure": cure[keep]}, ["constant", "s1", "s2"])
        alarms.append(judge_sources(fit, ["constant", "s", "s"])["p"].iloc[0] < 0.1)
    assert np.mean(alarms) == pytest.approx(0.1, abs=0.08)


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        ({"cure": [1, 2, 3]}, "3 labels"),
        ({"cure": [1, 1, 2, None]}, "cure, row 4: found no batch"),
    ],
)
def test_bad_batch_labels_are_refused(groups, words):
    with pytest.raises(InputError, match=words):
        fit_mixed(np.ones((4, 1)), [1, 2, 3, 4], groups)


def test_too_many_terms_are_refused():
    with pytest.raises(InputError, match="more rows than terms"):
        fit_mixed(np.eye(3), [1, 2, 3], {})


def test_dependent_contrasts_are_refused():
    fit = fit_strip(strip_plot(0))
    with pytest.raises(InputError, match="independent rows"):
        judge_contrasts(fit, [[0, 1, 0, 0], [0, 2, 0, 0]])


def test_strip_plot_table_agrees_with_least_squares_of_every_source():
    rng = np.random.default_rng(3)
    r, a, b = (g.ravel() for g in np.meshgrid(range(3), range(4), range(2), indexing="ij"))
    y = rng.normal(size=24)
    found = analyse_strip_plot(y, r, a, b, names=("r", "a", "b"))

    def rss(*blocks):
        X = np.column_stack([np.ones(24), *blocks])
        return np.sum((y - X @ np.linalg.lstsq(X, y, rcond=None)[0]) ** 2)

    R, A, B = np.eye(3)[r], np.eye(4)[a], np.eye(2)[b]
    ra = np.eye(12)[r * 4 + a]
    rb = np.eye(6)[r * 2 + b]
    ab = np.eye(8)[a * 2 + b]
    ss = found.table.set_index("source")["ss"]
    assert ss["r"] == pytest.approx(rss() - rss(R))
    assert ss["r × a"] == pytest.approx(rss(R, A) - rss(ra))
    assert ss["a × b"] == pytest.approx(rss(A, B) - rss(ab))
    assert ss["coupon"] == pytest.approx(rss(ra, rb, ab))
    assert ss.sum() == pytest.approx(rss())
    row = found.table.set_index("source").loc["a × b"]
    assert row["p"] == pytest.approx(stats.f.sf(row["f"], 3, 6))


def test_unbalanced_tables_are_sent_to_the_mixed_model():
    r, a, b = (g.ravel()[:-1] for g in np.meshgrid(range(3), range(4), range(2), indexing="ij"))
    with pytest.raises(InputError, match="Fit a mixed model instead"):
        analyse_strip_plot(np.arange(23.0), r, a, b, names=("r", "a", "b"))
    with pytest.raises(InputError, match="Number the batches through"):
        analyse_split_plot(
            np.arange(8.0), [0, 1] * 4, [0, 0, 1, 1] * 2, [0, 0, 0, 0, 1, 1, 1, 1], names=("w", "b", "s")
        )
