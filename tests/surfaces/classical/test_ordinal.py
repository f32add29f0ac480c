"""Proportional odds: slow twin, properties, and honest failures."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from statsmodels.miscmodels.ordinal_model import OrderedModel

from doe.surfaces.classical.ordinal import fit_ordinal

NAMES = ("a", "b")


def scores(seed: int, n: int = 40) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 2))
    latent = X @ [1.0, -0.7] + rng.logistic(size=n)
    return X, 1 + 0.5 * np.digitize(latent, [-1.5, 0.0, 1.0])


def test_ordinal_agrees_with_direct_maximisation_coupon_by_coupon():
    X, y = scores(7)
    levels = sorted(set(y))

    def loss(b):
        cuts = [-np.inf, *b[2:], np.inf]
        if np.any(np.diff(b[2:]) <= 0):
            return np.inf
        total = 0.0
        for row, value in zip(X, y, strict=True):
            j = levels.index(value)
            high, low = (1 / (1 + np.exp(-(cuts[j + k] - row @ b[:2]))) for k in (1, 0))
            total -= np.log(high - low)
        return total

    with np.errstate(over="ignore"):
        found = minimize(
            loss, [0, 0, -1, 0, 1], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-12, "maxiter": 5000}
        )
    fit = fit_ordinal(X, y, NAMES)
    assert fit.coefficients["estimate"].to_numpy() == pytest.approx(found.x[:2], abs=1e-5)
    assert fit.cuts == pytest.approx(found.x[2:], abs=1e-5)


def test_two_categories_are_logistic_regression():
    X, y = scores(1)
    passed = (y > 1.5).astype(float)
    fit, other = fit_ordinal(X, passed, NAMES), sm.Logit(passed, sm.add_constant(X)).fit(disp=0)
    assert fit.coefficients["estimate"].to_numpy() == pytest.approx(other.params[1:], abs=1e-6)
    assert fit.coefficients["se"].to_numpy() == pytest.approx(other.bse[1:], abs=1e-5)
    # For the canonical link observed and expected information agree.
    assert fit.coefficients["se_expected"].to_numpy() == pytest.approx(fit.coefficients["se"].to_numpy())
    assert fit.cuts[0] == pytest.approx(-other.params[0], abs=1e-6)


@given(st.integers(0, 10_000))
@settings(deadline=None, max_examples=20)
def test_reversed_scores_turn_every_sign_and_spacing_does_not_matter(seed):
    X, y = scores(seed)
    one = fit_ordinal(X, y, NAMES)
    if one.problem:
        return
    turned = fit_ordinal(X, -(y**3), NAMES)
    assert turned.coefficients["estimate"].to_numpy() == pytest.approx(
        -one.coefficients["estimate"].to_numpy(), abs=1e-5
    )
    assert turned.cuts == pytest.approx(-one.cuts[::-1], abs=1e-5)
    assert (np.diff(one.cuts) > 0).all()


@pytest.mark.parametrize(
    ("score", "words"),
    [([3, 3, 3, 3], "every score is 3"), ([], "there is no score")],
)
def test_scores_all_alike_are_an_honest_no(score, words):
    fit = fit_ordinal(np.arange(len(score), dtype=float)[:, None], score, ["x"])
    assert fit.problem
    assert words in fit.problem
    assert fit.coefficients.empty


def test_separated_scores_are_an_honest_no_that_names_the_term():
    X = np.column_stack([[1, 2, 3, 4, 5, 6.0], [0, 1, 0, 1, 0, 1.0]])
    fit = fit_ordinal(X, [1, 1, 2, 2, 3, 3], ["dwell", "person"])
    assert fit.problem == "No ordinal fit: dwell split the scores without overlap, so there is no finite estimate."
    assert fit.separation.terms == ("dwell",)


def test_touching_scores_are_quasi_separated():
    fit = fit_ordinal([[1.0], [2.0], [2.0], [3.0], [3.0], [4.0]], [1, 1, 2, 2, 3, 3], ["dwell"])
    assert fit.separation.kind == "quasi-complete"
    assert fit.problem


@given(st.integers(0, 10_000))
@settings(deadline=None, max_examples=25)
def test_fit_exists_exactly_when_some_neighbouring_scores_overlap(seed):
    rng = np.random.default_rng(seed)
    x, y = rng.integers(0, 5, size=7).astype(float), rng.integers(1, 4, size=7)
    present = sorted(set(y))
    if len(present) < 2 or np.ptp(x) == 0:
        return
    # One term: no finite estimate exactly when larger scores never come with smaller x, or never larger.
    rises = all(x[y == a].max() <= x[y == b].min() for a in present for b in present if a < b)
    falls = all(x[y == a].min() >= x[y == b].max() for a in present for b in present if a < b)
    assert bool(fit_ordinal(x[:, None], y, ["x"]).problem) == (rises or falls)


def test_column_that_never_varies_is_named():
    X, y = scores(2)
    fit = fit_ordinal(np.column_stack([X, np.full(len(y), 2.0)]), y, ["a", "b", "pressure"])
    assert fit.notes == ("These coupons cannot separate pressure from the cut points.",)
    assert fit.coefficients["term"].tolist() == ["a", "b"]


def test_settings_that_never_varied_are_an_honest_no():
    fit = fit_ordinal([[1.0], [1.0], [1.0]], [1, 2, 3], ["dwell"])
    assert fit.problem == "No ordinal fit: no setting varied among the scored coupons, so nothing can be compared."
    assert "dwell from the cut points" in fit.notes[1]


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_units_of_the_settings_do_not_matter(scale):
    X, y = scores(4)
    one, other = fit_ordinal(X, y, NAMES), fit_ordinal(X * [1, scale], y, NAMES)
    for column in ("estimate", "se", "se_expected"):
        found = other.coefficients[column].to_numpy() * [1, scale]
        assert found == pytest.approx(one.coefficients[column].to_numpy(), rel=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_fit_agrees_with_statsmodels(seed):
    X, y = scores(seed)
    fit = fit_ordinal(X, y, NAMES)
    model = OrderedModel(np.unique(y, return_inverse=True)[1], X, distr="logit")
    found = model.fit(method="bfgs", disp=False, maxiter=1000, gtol=1e-7, warn_convergence=False)
    se = np.asarray(found.bse)[: len(NAMES)]
    assert fit.coefficients["estimate"].to_numpy() == pytest.approx(found.params[: len(NAMES)], abs=1e-4 * se.min())
    assert fit.coefficients["se"].to_numpy() == pytest.approx(se, rel=1e-4)
    assert fit.cuts == pytest.approx(model.transform_threshold_params(found.params)[1:-1], abs=1e-4)
