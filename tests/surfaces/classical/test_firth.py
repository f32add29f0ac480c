"""Firth's logistic regression and separation: slow twins, closed forms and properties."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize

from doe.surfaces.classical import firth
from doe.surfaces.classical.firth import fit_firth, maximise
from doe.surfaces.classical.separation import find_separation


def scores(seed: int, n: int = 24, k: int = 2) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.uniform(-1, 1, size=(n, k))])
    p = 1 / (1 + np.exp(-(0.5 + X[:, 1:] @ rng.normal(scale=2, size=k))))
    return X, (rng.uniform(size=n) < p).astype(float)


def slow_penalised(beta, X, y) -> float:
    """The penalised log-likelihood, coupon by coupon."""
    total, information = 0.0, np.zeros((len(beta), len(beta)))
    for row, passed in zip(X, y, strict=True):
        p = 1 / (1 + np.exp(-(row @ beta)))
        total += np.log(p) if passed else np.log(1 - p)
        information += p * (1 - p) * np.outer(row, row)
    return total + 0.5 * np.log(np.linalg.det(information))


def slow_maximum(X, y, held=None):
    """Direct maximisation without derivatives; `held` = (position, value)."""
    p = X.shape[1]
    free = [j for j in range(p) if held is None or j != held[0]]

    def loss(b):
        beta = np.zeros(p)
        beta[free] = b
        if held is not None:
            beta[held[0]] = held[1]
        return -slow_penalised(beta, X, y)

    found = minimize(loss, np.zeros(len(free)), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13})
    return found.x, -found.fun


@pytest.mark.parametrize("seed", range(4))
def test_firth_agrees_with_direct_maximisation(seed):
    X, y = scores(seed)
    fit = fit_firth(X, y)
    beta, value = slow_maximum(X, y)
    assert fit.converged
    assert fit.estimates == pytest.approx(beta, abs=1e-5)
    assert fit.penalised == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("seed", [0, 2])
def test_profile_limits_and_tests_agree_with_direct_maximisation(seed):
    X, y = scores(seed)
    fit = fit_firth(X, y, assurance=0.9)
    row = fit.coefficients.iloc[1]
    top = slow_maximum(X, y)[1]

    def fall(value):
        return 2 * (top - slow_maximum(X, y, (1, value))[1]) - 2.705543454

    assert row["low"] == pytest.approx(brentq(fall, row["low"] - 1, row["estimate"], xtol=1e-6), abs=1e-4)
    assert row["high"] == pytest.approx(brentq(fall, row["estimate"], row["high"] + 1, xtol=1e-6), abs=1e-4)
    assert row["chi2"] == pytest.approx(fall(0.0) + 2.705543454, abs=1e-6)


def test_slopes_of_the_penalised_likelihood_are_its_derivatives():
    X, y = scores(5, k=3)
    data = fit_firth(X, y).data
    beta, h = np.array([0.3, -0.5, 1.0, 0.2]), 1e-5
    for j, unit in enumerate(np.eye(4)):
        rise = data.penalised(beta + h * unit)[0] - data.penalised(beta - h * unit)[0]
        assert data.penalised(beta)[1][j] == pytest.approx(rise / (2 * h), abs=1e-7)
    assert data.penalised(np.array([900.0, 0, 0, 0]))[0] == -np.inf  # no information left


@pytest.mark.parametrize("rows", [20, 90, 1200])
def test_estimates_stand_on_a_top(rows):
    # 1,200 rows of 27 settings, so that many are equal; the top is where no slope is left.
    rng = np.random.default_rng(rows)
    Z = rng.choice([-1.0, 0.0, 1.0], size=(rows, 3))
    X = np.column_stack([np.ones(rows), Z])
    y = (rng.random(rows) < 1 / (1 + np.exp(-(X @ [0.5, 1.0, -1.0, 0.0])))).astype(float)
    fit = fit_firth(X, y)
    assert fit.data.penalised(fit.estimates)[1] == pytest.approx(np.zeros(4), abs=1e-4)


def test_firth_comes_close_to_maximum_likelihood_when_coupons_are_many():
    X, y = scores(1, n=3000)
    fit, other = fit_firth(X, y), sm.Logit(y, X).fit(disp=0)
    assert fit.estimates == pytest.approx(other.params, abs=0.02)
    assert fit.coefficients["se"].to_numpy() == pytest.approx(other.bse, rel=0.01)
    # With so many coupons the profile limits are the symmetric ones.
    assert fit.coefficients["high"].to_numpy() == pytest.approx(other.conf_int()[:, 1], abs=0.03)


@given(st.integers(0, 10_000))
@settings(deadline=None, max_examples=12)
def test_firth_is_equivariant(seed):
    X, y = scores(seed, n=16)
    one = fit_firth(X, y)
    flipped = fit_firth(X, 1 - y)
    assert flipped.estimates == pytest.approx(-one.estimates, abs=1e-6)
    assert flipped.coefficients["low"].to_numpy() == pytest.approx(-one.coefficients["high"].to_numpy(), rel=1e-4)
    # Other units: 10 times larger settings, coefficients 10 times smaller, same probabilities.
    scaled = fit_firth(X * [1, 10, 1], y)
    assert scaled.fitted == pytest.approx(one.fitted, abs=1e-7)
    assert scaled.coefficients["high"].iloc[1] == pytest.approx(one.coefficients["high"].iloc[1] / 10, rel=1e-5)
    order = np.random.default_rng(seed).permutation(len(y))
    assert fit_firth(X[order], y[order]).estimates == pytest.approx(one.estimates, abs=1e-6)
    assert (one.coefficients["low"] <= one.coefficients["estimate"]).all()
    assert (one.coefficients["estimate"] <= one.coefficients["high"]).all()


def test_all_passing_gives_a_finite_answer_and_says_separation():
    fit = fit_firth(np.ones((12, 1)), np.ones(12), ["constant"])
    assert fit.fitted[0] == pytest.approx(12.5 / 13)
    assert fit.separation.kind == "complete"
    assert "The constant alone" in fit.notes[0]


def test_more_terms_than_coupons_can_carry_are_named():
    X, y = scores(3)
    fit = fit_firth(np.column_stack([X, X[:, 1]]), y, ["constant", "dwell", "cure", "dwell again"])
    assert fit.notes[0] == "These coupons cannot separate dwell again from dwell."
    assert fit.estimates == pytest.approx(fit_firth(X, y).estimates)


def test_columns_of_zeros_leave_nothing_to_fit():
    assert fit_firth([[0.0], [0.0]], [0, 1]).coefficients.empty


def test_limit_beyond_every_reasonable_logit_is_given_as_infinite(monkeypatch):
    X, y = scores(0)
    monkeypatch.setattr(firth, "_FAR_LOGIT", 0.1)  # no data set has been met that reaches the usual 200
    fit = fit_firth(X, y, ["constant", "a", "b"])
    assert fit.coefficients["low"].tolist() == [-np.inf] * 3
    assert fit.coefficients["high"].tolist() == [np.inf] * 3
    assert "The data set no limit on one side for: constant, a, b." in fit.notes


def crowded(seed: int, n: int, p: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng([seed, n, p])
    X = np.column_stack([np.ones(n), rng.uniform(-1, 1, size=(n, p - 1))])
    return X, (rng.random(n) < 1 / (1 + np.exp(-(X @ rng.normal(size=p))))).astype(float)


@pytest.mark.parametrize(("n", "p"), [(40, 5), (60, 8), (150, 6)])
@pytest.mark.parametrize("seed", range(3))
def test_limits_are_those_of_the_profile_walked_along(seed, n, p):
    X, y = crowded(seed, n, p)
    fit = fit_firth(X, y)
    assert not fit.several_peaks

    def fall(value, j):
        held = np.where(np.arange(p) == j, value, fit.estimates)
        return 2 * (fit.penalised - maximise(fit.data, held, held=j)[1])

    for j, row in enumerate(fit.coefficients.itertuples()):
        for limit in (row.low, row.high):
            assert fall(limit, j) == pytest.approx(3.841458820694124, abs=1e-5)
            inside = row.estimate + np.linspace(0.1, 0.9, 5) * (limit - row.estimate)
            assert max(fall(value, j) for value in inside) < 3.8415
        assert row.chi2 == pytest.approx(fall(0.0, j), abs=1e-7)


@pytest.mark.parametrize("seed", range(3))
def test_no_fit_at_a_limit_lies_outside_the_other_limits(seed):
    # What is as likely as a limit is inside every limit, however many peaks there are.
    X, y = crowded(seed, 20, 10)
    fit = fit_firth(X, y)
    low, high = (fit.coefficients[side].to_numpy() for side in ("low", "high"))
    inside = fit.penalised - 3.841458820694124 / 2
    for j in range(10):
        for limit in (low[j], high[j]):
            start = np.where(np.arange(10) == j, limit, fit.estimates)
            beta, value, _ = maximise(fit.data, start, held=j)
            if np.isfinite(limit) and value > inside:
                assert (beta > low - 5e-3).all()
                assert (beta < high + 5e-3).all()


def test_crowded_model_says_that_its_likelihood_has_several_peaks():
    rng = np.random.default_rng(0)
    Z = rng.uniform(-1, 1, size=(20, 4))
    X = np.column_stack([np.ones(20), Z, Z**2, *(Z[:, [i]] * Z[:, i + 1 :] for i in range(3))])
    y = rng.uniform(size=20) < 1 / (1 + np.exp(-(2 - 3 * (Z**2).sum(1) + 2 * Z[:, 0])))
    fit = fit_firth(X, y.astype(float))
    assert fit.converged
    assert any("several peaks" in note for note in fit.notes)


@pytest.mark.parametrize(("coupons", "terms", "said"), [(20, 8, True), (40, 8, False), (20, 4, False)])
def test_crowded_models_say_that_limits_may_be_too_narrow_whether_peaks_were_met_or_not(coupons, terms, said):
    rng = np.random.default_rng(3)
    X = np.column_stack([np.ones(coupons), rng.uniform(-1, 1, size=(coupons, terms - 1))])
    fit = fit_firth(X, rng.uniform(size=coupons) < 0.5)
    assert any("too narrow" in note or "several peaks" in note for note in fit.notes) == said


def test_profile_limits_cover_the_truth_about_as_often_as_they_say():
    # 200 data sets of 24 coupons at 90 %; standard error of the share 0.021, so 0.08 fails about once in
    # 10 000. (Two-term model; penalised profile limits are known to be close to nominal.)
    rng = np.random.default_rng(7)
    X = np.column_stack([np.ones(24), np.tile([-1.0, 0.0, 1.0], 8)])
    p = 1 / (1 + np.exp(-(X @ [0.3, 1.2])))
    hits = []
    for _ in range(200):
        table = fit_firth(X, rng.uniform(size=24) < p, assurance=0.9).coefficients
        hits.append(table["low"].iloc[1] <= 1.2 <= table["high"].iloc[1])
    assert np.mean(hits) == pytest.approx(0.9, abs=0.08)


def test_complete_separation_needs_only_the_one_term_that_does_it():
    rng = np.random.default_rng(3)
    X = np.column_stack([np.ones(12), rng.normal(size=(12, 2))])
    y = (X[:, 2] > 0.1).astype(float)
    found = find_separation(X, y, ["constant", "press", "dwell"])
    assert (found.kind, found.terms) == ("complete", ("dwell",))
    assert "dwell split passes from failures without exception" in str(found)


def test_one_coupon_on_the_edge_makes_it_quasi_complete():
    X = np.column_stack([np.ones(6), [1, 2, 3, 3, 4, 5.0]])
    found = find_separation(X, [0, 0, 0, 1, 1, 1], ["constant", "dwell"])
    assert (found.kind, found.terms) == ("quasi-complete", ("dwell",))


def test_overlap_is_no_separation():
    X = np.column_stack([np.ones(6), [1, 2, 3, 4, 5, 6.0]])
    assert find_separation(X, [0, 1, 0, 1, 0, 1], ["constant", "x"]).kind == "none"


@given(st.integers(0, 10_000))
@settings(deadline=None, max_examples=30)
def test_separation_is_found_exactly_when_a_line_splits_the_coupons(seed):
    # One factor: separated exactly when the ranges of passes and failures meet in one point at most.
    rng = np.random.default_rng(seed)
    x = rng.integers(0, 6, size=6).astype(float)
    y = rng.integers(0, 2, size=6).astype(float)
    if np.ptp(x) == 0:
        return
    found = find_separation(np.column_stack([np.ones(6), x]), y, ["constant", "x"]).kind
    if y.min() == y.max():
        assert found == "complete"
        return
    low, high = x[y == 0], x[y == 1]
    gap = max(high.min() - low.max(), low.min() - high.max())
    assert found == ("complete" if gap > 0 else "quasi-complete" if gap == 0 else "none")


def test_separation_does_not_depend_on_units():
    X = np.column_stack([np.ones(6), [1, 2, 3, 4, 5, 6.0], [1, -1, 1, -1, 1, -1.0]])
    y = [0, 0, 0, 1, 1, 1]
    for scale in ([1, 1e4, 1], [1, 1e-4, 1]):
        assert find_separation(X * scale, y, ["constant", "a", "b"]).terms == ("a",)
