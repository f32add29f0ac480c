"""Least squares, pure error and effects: twins, closed forms and properties."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.surfaces.classical.batch_errors import judge_curvature
from doe.surfaces.classical.effects import estimate_effects, half_normal_points, lenth_margins
from doe.surfaces.classical.least_squares import ErrorEstimate, find_pure_error, fit_least_squares, judge_lack_of_fit
from doe.surfaces.classical.terms import build_terms


def random_fit(seed: int, n: int = 15, p: int = 4):
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=(n, p - 1))])
    return X, X @ rng.normal(size=p) + rng.normal(size=n)


@pytest.mark.parametrize("seed", range(4))
def test_fit_agrees_with_statsmodels(seed):
    X, y = random_fit(seed)
    fit, other = fit_least_squares(X, y, assurance=0.9), sm.OLS(y, X).fit()
    table = fit.coefficients
    assert table["estimate"].to_numpy() == pytest.approx(other.params)
    assert table["se"].to_numpy() == pytest.approx(other.bse)
    assert table["p"].to_numpy() == pytest.approx(other.pvalues)
    assert table[["low", "high"]].to_numpy() == pytest.approx(other.conf_int(0.1))
    assert fit.residual_ss == pytest.approx(other.ssr)
    assert fit.unscaled == pytest.approx(other.normalized_cov_params)
    assert fit.partial_ss == pytest.approx(other.tvalues**2 * other.mse_resid)
    assert fit.error is not None
    assert (fit.error.variance, fit.error.df, fit.notes) == (pytest.approx(other.mse_resid), other.df_resid, ())


@pytest.mark.parametrize("size", [1e-200, 1e-9, 1e9, 1e160])
def test_tiny_and_huge_columns_are_solved_as_well_as_others(size):
    X, y = random_fit(6)
    scale = np.array([1.0, size, 1.0, 1.0])
    assert fit_least_squares(X * scale, y).estimates * scale == pytest.approx(fit_least_squares(X, y).estimates)


def test_columns_of_nothing_leave_an_empty_fit():
    fit = fit_least_squares(np.zeros((3, 1)), [1.0, 2.0, 4.0], ["dwell"])
    assert fit.estimates.size == 0
    assert fit.coefficients.empty
    assert fit.residual_ss == pytest.approx(21)
    assert fit.notes == ("These coupons say nothing about dwell: it is zero at every one of them.",)


def test_sums_of_squares_are_differences_of_refitted_models():
    X, y = random_fit(5)

    def rss(columns):
        beta = np.linalg.lstsq(X[:, columns], y, rcond=None)[0]
        return np.sum((y - X[:, columns] @ beta) ** 2)

    everything = np.arange(4)
    without = [rss(np.delete(everything, j)) - rss(everything) for j in everything]
    assert fit_least_squares(X, y).partial_ss == pytest.approx(without)


@given(st.integers(0, 10_000), st.integers(2, 6), st.integers(0, 8))
@settings(deadline=None, max_examples=40)
def test_fit_leaves_residuals_that_no_column_explains(seed, p, spare):
    X, y = random_fit(seed, n=p + spare, p=p)
    fit = fit_least_squares(X, y)
    assert X.T @ fit.residuals == pytest.approx(np.zeros(p), abs=1e-7)
    assert fit.residual_df == spare


@given(st.integers(0, 10_000), st.floats(0.1, 50), st.floats(-100, 100))
@settings(deadline=None, max_examples=30)
def test_units_of_the_response_do_not_change_the_tests(seed, scale, shift):
    X, y = random_fit(seed)
    one, other = fit_least_squares(X, y), fit_least_squares(X, y * scale + shift)
    assert other.coefficients["t"].iloc[1:].to_numpy() == pytest.approx(
        one.coefficients["t"].iloc[1:].to_numpy(), rel=1e-5
    )


def test_relabelled_coupons_give_the_same_fit():
    X, y = random_fit(3)
    order = np.random.default_rng(0).permutation(len(y))
    assert fit_least_squares(X[order], y[order]).estimates == pytest.approx(fit_least_squares(X, y).estimates)


def test_confounded_terms_are_named_and_the_fit_goes_on():
    X, y = random_fit(8)
    doubled = np.column_stack([X, X[:, 1] - 2 * X[:, 2]])
    fit = fit_least_squares(doubled, y, ["constant", "a", "b", "c", "d"])
    assert fit.notes == ("These coupons cannot separate d from a and b.",)
    assert fit.residuals == pytest.approx(fit_least_squares(X, y).residuals)


def test_saturated_fit_says_that_it_has_no_error():
    fit = fit_least_squares([[1, -1], [1, 1]], [2.0, 3.0])
    assert (fit.residual_df, fit.error) == (0, None)
    assert fit.coefficients["se"].isna().all()
    assert any("says nothing about the error" in note for note in fit.notes)


def test_rounding_of_a_constant_response_is_no_scatter():
    fit = fit_least_squares([[1, -1], [1, 0], [1, 1]], [0.1, 0.1, 0.1])
    assert fit.residual_ss == 0
    assert fit.coefficients["se"].tolist() == [0, 0]


def test_error_from_elsewhere_sets_the_intervals():
    X, y = random_fit(2)
    fit = fit_least_squares(X, y, error=ErrorEstimate(4.0, 10**9), assurance=0.95)
    half = (fit.coefficients["high"] - fit.coefficients["low"]).to_numpy() / 2
    assert half == pytest.approx(1.959964 * 2 * np.sqrt(np.diag(np.linalg.inv(X.T @ X))), rel=1e-5)


def test_intervals_cover_the_truth_as_often_as_they_say():
    # 400 fits at 80 %: standard error of the share is 0.02, so 0.08 fails about once in 16 000.
    rng = np.random.default_rng(42)
    X = build_terms(["a", "b"], "interactions").matrix([[a, b] for a in (-1, 1) for b in (-1, 1)] * 2)
    beta = np.array([1.0, 2.0, -1.0, 0.5])
    hits = []
    for _ in range(400):
        table = fit_least_squares(X, X @ beta + rng.normal(size=8), assurance=0.8).coefficients
        hits.append(table["low"].iloc[1] <= beta[1] <= table["high"].iloc[1])
    assert np.mean(hits) == pytest.approx(0.8, abs=0.08)


def test_pure_error_is_the_pooled_variance_of_equal_settings():
    settings_ = np.array([[0, 0], [1, 1], [0, 0], [1, 1], [0, 0], [1, 0]])
    y = np.array([1.0, 4.0, 2.0, 6.0, 3.0, 9.0])
    pure = find_pure_error(settings_, y)
    assert pure is not None
    assert (pure.df, pure.variance) == (3, pytest.approx(4 / 3))
    assert find_pure_error(settings_[3:], y[3:]) is None


def test_lack_of_fit_cannot_be_judged_without_replicates():
    X = np.column_stack([np.ones(4), [0.0, 1, 2, 3]])
    y = [0.0, 1.0, 4.0, 9.0]
    found = judge_lack_of_fit(fit_least_squares(X, y), X[:, 1:], y)
    assert (found.f, found.p) == (None, None)
    assert "No setting was repeated" in found.note


def test_lack_of_fit_keeps_its_promised_false_alarms():
    # True model fitted: p uniform. 400 fits at 10 %: se 0.015, so 0.06 fails about once in 16 000.
    rng = np.random.default_rng(9)
    settings_ = np.array([[a, b] for a in (-1, 1) for b in (-1, 1)] + [[0, 0]] * 4, dtype=float)
    X = build_terms(["a", "b"], "main").matrix(settings_)
    alarms = []
    for _ in range(400):
        y = X @ [1.0, 2.0, 3.0] + rng.normal(size=8)
        alarms.append(judge_lack_of_fit(fit_least_squares(X, y), settings_, y).p < 0.1)
    assert np.mean(alarms) == pytest.approx(0.1, abs=0.06)


def plan(k: int) -> np.ndarray:
    return np.array(np.meshgrid(*[[-1.0, 1.0]] * k)).reshape(k, -1).T


@given(st.integers(0, 10_000), st.integers(1, 4))
@settings(deadline=None, max_examples=30)
def test_effect_is_mean_at_high_minus_mean_at_low(seed, k):
    y = np.random.default_rng(seed).normal(size=2**k)
    coded = plan(k)
    names = [f"f{i}" for i in range(k)]
    table = estimate_effects(coded, y, names).table
    terms = build_terms(names, "factorial")
    columns = terms.matrix(coded)[:, 1:]
    twin = [y[c > 0].mean() - y[c < 0].mean() for c in columns.T]
    assert table["effect"].to_numpy() == pytest.approx(twin, abs=1e-9)


def test_unreplicated_plan_has_no_intervals_but_lenth_margins():
    effects = estimate_effects(plan(3), [60, 72, 54, 68, 52, 83, 45, 80.0], ["a", "b", "c"])
    assert effects.error is None
    assert effects.table[["se", "low", "high", "t", "p"]].isna().all(axis=None)
    assert effects.lenth is not None


def test_void_coupon_leaves_effects_estimable_but_no_longer_plain_differences():
    coded = np.vstack([plan(2), plan(2)])[:-1]
    y = 3 + coded @ [1.0, -2.0]
    effects = estimate_effects(coded, y, ["a", "b"]).table
    assert effects["effect"].to_numpy() == pytest.approx([2.0, -4.0, 0.0], abs=1e-9)


@given(st.lists(st.floats(-50, 50), min_size=3, max_size=31), st.floats(0.1, 20))
@settings(deadline=None, max_examples=60)
def test_lenth_margins_scale_with_the_effects_and_forget_their_signs(values, scale):
    one = lenth_margins(values)
    other = lenth_margins([-scale * v for v in values])
    assert other.margin == pytest.approx(scale * one.margin, rel=1e-9, abs=1e-12)
    assert one.margin <= one.simultaneous_margin


def test_lenth_pseudo_standard_error_step_by_step():
    # |effects| 1 2 3 4 100: median 3, s0 4.5, those below 11.25 have median 2.5, PSE 3.75.
    assert lenth_margins([1, -2, 3, -4, 100]).pse == pytest.approx(3.75)


def test_half_normal_points_are_sorted_with_daniel_quantiles():
    points = half_normal_points([3.0, -1.0], ["a", "b"])
    assert points["term"].tolist() == ["b", "a"]
    # P(|Z| < q) = 1/4 and 3/4
    assert points["quantile"].tolist() == pytest.approx([0.318639, 1.150349], abs=1e-6)


def test_curvature_is_the_sum_of_the_pure_quadratic_coefficients():
    coded = np.vstack([plan(3), np.zeros((3, 3))])
    y = 5 - 2 * coded[:, 0] ** 2 + 0.5 * coded[:, 1] ** 2 + coded @ [1.0, 2.0, 3.0]
    assert judge_curvature(coded, y).estimate == pytest.approx(-1.5)


def test_curvature_test_is_the_two_sample_t_test_when_the_corners_are_one_setting():
    # With one factor at +1 only, corners and centre are two samples: pooled t, squared.
    from scipy.stats import ttest_ind

    corner, centre = [3.0, 4.0, 5.5], [1.0, 2.0, 2.5, 3.5]
    found = judge_curvature(np.r_[np.ones(3), np.zeros(4)][:, None], corner + centre, assurance=0.9)
    other = ttest_ind(corner, centre)
    assert found.p == pytest.approx(other.pvalue)
    assert (found.low, found.high) == pytest.approx(tuple(other.confidence_interval(0.9)))


def test_curvature_says_when_it_cannot_judge():
    found = judge_curvature(np.vstack([plan(2), [[0, 0]]]), [1, 2, 3, 4, 5])
    assert found.p is None
    assert "No setting was repeated" in found.note


def test_replicates_that_agree_exactly_give_no_intervals_and_no_p():
    # passes and fails at eight corners, both centre coupons passed: the repeats measure no scatter at all
    coded = np.vstack([plan(3), np.zeros((2, 3))])
    passed = [0, 1, 0, 1, 1, 1, 1, 1, 1, 1.0]
    effects = estimate_effects(coded, passed, ["a", "b", "c"])
    assert effects.error is None
    assert effects.table[["se", "low", "high", "t", "p"]].isna().all(axis=None)
    assert any("agree exactly" in note for note in effects.notes)
    # and what is zero on paper is zero, not the rounding error of the fit
    assert (effects.table["effect"] == 0).sum() == 4
    assert effects.lenth is not None
    assert effects.lenth.margin == 0


@pytest.mark.parametrize("batches", [None, {"cure_batch": list("aaabbbccc")}])
def test_scores_the_model_leaves_no_scatter_in_give_no_intervals(batches: dict[str, list[str]] | None):
    coded = np.vstack([plan(3), np.zeros((1, 3))])  # one centre coupon: the only degree of freedom, and no repeat
    for scores in (np.full(9, 4.0), 4 + coded[:, 0] / 2):
        effects = estimate_effects(coded, scores, ["a", "b", "c"], batches=batches)
        assert effects.error is None
        assert effects.table[["se", "low", "high", "t", "p"]].isna().all(axis=None)
        assert effects.notes == ("The model leaves no scatter, so the effects have no intervals.",)
