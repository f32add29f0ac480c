"""Importance weights: exact where the answer is known, and honest about how far the draws reach."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import genpareto, norm

import doe
from doe.domain.factors import usual_factor
from doe.setpoint.answer import EVERY, Verdict
from doe.setpoint.priors import LARGE, PriorPull, prior_pulls, prior_warning
from doe.setpoint.reweigh import Weights, pareto_fit, weigh
from doe.words.study import setpoint as words
from tests.shared import known_coupons


def as_counted(share, claim):
    """The share of draws itself."""
    return share


def test_equal_ratios_give_equal_weights_and_numpys_quantile() -> None:
    values = np.random.default_rng(0).standard_normal(600)
    weights = weigh(np.full(600, -3.0))
    assert weights.effective == pytest.approx(600)
    assert weights.reliable
    assert weights.mean(values) == pytest.approx(values.mean())
    for share in (0.0, 0.05, 0.1, 0.5, 1.0):
        assert weights.quantile(values, share) == pytest.approx(np.quantile(values, share))


def test_a_shifted_normal_is_found_from_draws_of_another() -> None:
    # from N(0, 1) to N(0.5, 1); 20,000 draws, of which three quarters stay effective: five standard errors are 0.05
    x = np.random.default_rng(1).standard_normal(20_000)
    weights = weigh(norm.logpdf(x, 0.5) - norm.logpdf(x))
    assert weights.reliable
    assert weights.mean(x) == pytest.approx(0.5, abs=0.05)
    assert weights.quantile(x, 0.1) == pytest.approx(0.5 + norm.ppf(0.1), abs=0.06)
    # effective share of exact weights is exp(-shift^2)
    assert weights.effective / len(x) == pytest.approx(np.exp(-0.25), abs=0.03)


def test_draws_that_do_not_reach_far_enough_are_said_to_be_unreliable() -> None:
    x = np.random.default_rng(2).standard_normal(600)
    assert not weigh(norm.logpdf(x, 0, 3) - norm.logpdf(x)).reliable
    assert not weigh(norm.logpdf(x, 4, 1) - norm.logpdf(x)).reliable
    assert weigh(norm.logpdf(x, 0, 0.9) - norm.logpdf(x)).reliable


@pytest.mark.parametrize("k", [-0.3, 0.0, 0.4, 0.9])
def test_the_shape_of_a_pareto_tail_is_found(k: float) -> None:
    # 40 samples of 2000: the mean of the estimates has a standard error below 0.006; the pull towards a half is 0.003
    shapes, scales = [], []
    for seed in range(40):
        excess = np.sort(genpareto.rvs(k, scale=2.0, size=2000, random_state=seed))
        shape, scale = pareto_fit(excess)
        shapes.append(shape)
        scales.append(scale)
    assert np.mean(shapes) == pytest.approx(k, abs=0.03)
    assert np.mean(scales) == pytest.approx(2.0, abs=0.06)


def test_the_tail_fit_agrees_with_maximum_likelihood() -> None:
    excess = np.sort(genpareto.rvs(0.3, scale=1.5, size=5000, random_state=3))
    shape, _, scale = genpareto.fit(excess, floc=0)
    assert pareto_fit(excess) == pytest.approx((shape, scale), abs=0.02)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    draws=st.integers(20, 800),
    scale=st.sampled_from([0.0, 1e-9, 0.1, 1.0, 10.0, 300.0]),
)
def test_weights_are_always_weights(seed: int, draws: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    weights = weigh(scale * rng.standard_normal(draws) + 1000.0)
    assert np.isfinite(weights.values).all()
    assert (weights.values >= 0).all()
    assert weights.values.sum() == pytest.approx(1.0)
    assert 1 - 1e-9 <= weights.effective <= draws + 1e-6
    values = rng.random(draws)
    low, middle, high = (weights.quantile(values, share) for share in (0.0, 0.5, 1.0))
    assert values.min() - 1e-12 <= low <= middle <= high <= values.max() + 1e-12


def test_smoothing_keeps_the_order_and_makes_estimates_steadier() -> None:
    # the mean of x under N(1.5, 1) from 300 draws of N(0, 1), 200 times: smoothed weights err less than raw ones
    raw_errors, errors = [], []
    for seed in range(200):
        x = np.random.default_rng(seed).standard_normal(300)
        logs = 1.5 * x
        smooth, raw = weigh(logs), np.exp(logs) / np.exp(logs).sum()
        assert (np.diff(smooth.values[np.argsort(logs)]) >= -1e-15).all()
        errors.append(smooth.mean(x) - 1.5)
        raw_errors.append(float(raw @ x) - 1.5)
    assert np.std(errors) < np.std(raw_errors)


def test_a_weighted_quantile_counts_weights_like_repeated_draws() -> None:
    rng = np.random.default_rng(5)
    values, times = rng.random(400), rng.integers(1, 6, 400)
    repeated = np.repeat(values, times)
    weights = Weights(times / times.sum(), 0.0)
    for share in (0.1, 0.5, 0.9):
        assert weights.quantile(values, share) == pytest.approx(np.quantile(repeated, share), abs=0.01)


def test_pulls_of_a_prior_agree_with_a_conjugate_case() -> None:
    # prior N(0, 1), one observation y with variance 1: the posterior mean is y / (1 + a) when the prior is raised to
    # the power a; its derivative for one doubling at a = 1 is -y ln 2 / 4, that of the sd -ln 2 / (4 sqrt 2).
    y, n = 2.0, 200_000
    x = y / 2 + np.sqrt(0.5) * np.random.default_rng(6).standard_normal(n)
    every, only = prior_pulls(
        {"place": -0.5 * x**2}, x, target=1.0, low=0.1, best=x, rows=np.arange(len(x)), chance=as_counted
    )
    assert (every.group, only.group) == (EVERY, "place")
    assert only.rate == pytest.approx(-y * np.log(2) / 4, abs=0.01)
    low = -y * np.log(2) / 4 - norm.ppf(0.1) * np.log(2) / (4 * np.sqrt(2))
    assert only.rate_low == pytest.approx(low, abs=0.02)
    assert only.reliable
    assert every.rate == pytest.approx(only.rate)


def test_a_prior_the_rate_does_not_hang_on_pulls_at_nothing() -> None:
    rng = np.random.default_rng(7)
    rates, other = rng.random(100_000), rng.standard_normal(100_000)
    _, pull = prior_pulls(
        {"hand": -0.5 * other**2}, rates, target=0.9, low=0.1, best=rates, rows=np.arange(len(rates)), chance=as_counted
    )
    assert abs(pull.rate) < 0.01
    assert abs(pull.rate_low) < 0.02


def _pull_of(group: str, rate: float, *, reliable: bool = True) -> PriorPull:
    return PriorPull(group, rate, 0.0, 0.0, 0.0, 0.0, 500.0, reliable)


def test_a_hard_pull_is_warned_of_with_its_way_and_strongest_part() -> None:
    same: tuple[Verdict, Verdict] = ("ready", "ready")
    study = doe.Study("s", (usual_factor("press_temp"), usual_factor("dwell")))
    up, down = _pull_of("width", 0.05), _pull_of("hand", -0.02)
    assert prior_warning((_pull_of("every", LARGE - 0.001), up, down), "ready", same) == ()
    (said,) = words.said(study, prior_warning((_pull_of("every", 0.04), down, up), "ready", same))
    assert "raise the expected pass rate by about 4 points, most of all through how fast the window closes." in said
    assert "would be called" not in said
    (said,) = words.said(study, prior_warning((_pull_of("every", -0.031), up, down), "ready", same))
    assert "lower the expected pass rate by about 3 points, most of all through hand-feel." in said


def test_a_verdict_that_other_priors_would_change_is_warned_of_where_the_draws_can_tell() -> None:
    quiet, single = _pull_of("every", 0.01), _pull_of("width", 0.01)
    study = doe.Study("s", (usual_factor("press_temp"), usual_factor("dwell")))
    (said,) = words.said(study, prior_warning((quiet, single), "ready", ("more coupons", "ready")))
    assert said == (
        "What is said here hangs on what was assumed before any coupon, too: counted half this would be called: more "
        "coupons."
    )
    (said,) = words.said(study, prior_warning((quiet, single), "more coupons", ("not reachable", "ready")))
    assert "counted half this would be called: not reachable, counted double this would be called: ready." in said
    (fact,) = prior_warning((_pull_of("every", 0.04), single), "ready", ("more coupons", "ready"))
    (said,) = words.said(study, (fact,))
    assert "lean on what was assumed" in said
    assert "Counted half this would be called: more coupons. On simulated lines" in said
    unsure = _pull_of("every", 0.01, reliable=False)
    assert prior_warning((unsure, single), "ready", ("more coupons", "ready")) == ()


def test_what_any_setting_reaches_is_pulled_at_too() -> None:
    # the same conjugate case, asked on every other draw
    y, n = 2.0, 400_000
    x = y / 2 + np.sqrt(0.5) * np.random.default_rng(8).standard_normal(n)
    rows = np.arange(0, n, 2)
    (every, _) = prior_pulls(
        {"place": -0.5 * x**2}, np.zeros(n), target=1.0, low=0.1, best=x[rows], rows=rows, chance=as_counted
    )
    assert every.best == pytest.approx(-y * np.log(2) / 4, abs=0.01)
    assert every.rate == 0.0
    # the chance to lie above 1 is that above the mean: half; raised, the mean y / (1 + a) moves by every.best
    assert every.p_reachable == pytest.approx(every.best * norm.pdf(0) / np.sqrt(0.5), abs=0.01)


def test_weights_of_some_of_the_draws_and_the_error_of_a_mean() -> None:
    weights = Weights(np.array([0.1, 0.2, 0.3, 0.4]), 0.0)
    assert weights.at(np.array([1, 2])).values == pytest.approx([0.4, 0.6])
    assert Weights(np.array([0.0, 0.0, 1.0]), 0.0).at(np.array([0, 1])).values == pytest.approx([0.5, 0.5])
    equal = Weights(np.full(400, 1 / 400), 0.0)
    values = np.random.default_rng(3).standard_normal(400)
    assert equal.error(values) == pytest.approx(values.std() / 20)


def test_a_few_failures_are_warned_of_and_many_results_are_not() -> None:
    names = ("press_temp", "dwell")
    study = doe.Study("two", tuple(usual_factor(n) for n in names), doe.Spec(pass_rate=0.9, hand_min=None))
    frame = known_coupons(study, 150, seed=2).drop(columns=["hand_ana", "hand_ben", "cure_batch", "press_batch"])
    failed = frame.head(4).assign(passed=False, side="under")
    for coupons, warned in ((failed, True), (frame, False)):
        answer = doe.recommend(study, doe.fit(study, coupons, seed=1, particles=300), seed=1)
        for facts in (answer.warnings, answer.limits_on_certainty):
            assert any("lean on what was assumed" in text for text in words.said(study, facts)) == warned
