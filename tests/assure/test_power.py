"""Power of a two-level effect: other routine, simulation, closed forms and properties."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import chi2, norm
from scipy.stats import t as student
from statsmodels.stats.power import TTestIndPower

from doe.assure.power import coupons_per_level, detectable_effect, effect_power
from doe.domain.errors import InputError
from doe.surfaces.classical.effects import estimate_effects


@given(effect=st.floats(0.0, 6), half=st.integers(1, 40), df=st.integers(1, 60), alarm=st.floats(0.005, 0.3))
@settings(deadline=None, max_examples=60)
def test_power_is_the_noncentral_t_tail_integrated_over_the_error_estimate(effect, half, df, alarm):
    # Given the estimated sd s (in true sds), the effect is found when |z + shift| > critical s.
    critical, shift = student.ppf(1 - alarm / 2, df), effect * np.sqrt(2 * half) / 2

    def found(s: float) -> float:
        return (norm.cdf(shift - critical * s) + norm.cdf(-shift - critical * s)) * chi2.pdf(s**2 * df, df) * 2 * s * df

    edges = [0, min(shift / critical, 0.9) + 1e-6, 1, 2, 12]
    twin = sum(quad(found, low, high, epsabs=1e-11)[0] for low, high in pairwise(edges))
    assert effect_power(effect, sd=1.0, coupons=2 * half, error_df=df, false_alarm=alarm) == pytest.approx(
        twin, abs=1e-7
    )


@pytest.mark.parametrize(("effect", "half"), [(0.4, 20), (1.1, 12), (2.0, 5)])
def test_power_is_that_of_the_two_sample_t_test(effect, half):
    other = TTestIndPower().power(effect, half, 0.05)
    found = effect_power(effect * 3, sd=3.0, coupons=2 * half, error_df=2 * half - 2)
    assert found == pytest.approx(other, abs=1e-6)


def test_power_is_the_share_of_simulated_plans_that_find_the_effect():
    # 400 replicated 2^2 plans; standard error of the share at most 0.025, so 0.1 is four of them.
    rng = np.random.default_rng(0)
    coded = np.array([[a, b] for a in (-1, 1) for b in (-1, 1)] * 3, dtype=float)
    found = [
        estimate_effects(coded, coded[:, 0] + 1.2 * rng.normal(size=12), ["a", "b"]).table["p"].iloc[0] < 0.05
        for _ in range(400)
    ]
    assert np.mean(found) == pytest.approx(effect_power(2.0, sd=1.2, coupons=12, error_df=8), abs=0.1)


@given(half=st.integers(1, 40), df=st.integers(1, 50), alarm=st.floats(0.005, 0.3))
@settings(deadline=None, max_examples=40)
def test_power_starts_at_the_false_alarm_and_grows_with_the_effect(half, df, alarm):
    powers = [effect_power(e, sd=1.0, coupons=2 * half, error_df=df, false_alarm=alarm) for e in (0, 0.3, 1, 3, 50)]
    assert powers[0] == pytest.approx(alarm, abs=1e-9)
    assert all(low <= high + 1e-9 for low, high in pairwise(powers))


@given(power=st.floats(0.35, 0.99), half=st.integers(2, 30), df=st.integers(2, 40), sd=st.floats(0.1, 20))
@settings(deadline=None, max_examples=30)
def test_detectable_effect_undoes_power_and_scales_with_the_scatter(power, half, df, sd):
    effect = detectable_effect(power, sd=sd, coupons=2 * half, error_df=df)
    assert effect_power(effect, sd=sd, coupons=2 * half, error_df=df) == pytest.approx(power, abs=1e-6)
    assert effect == pytest.approx(sd * detectable_effect(power, sd=1.0, coupons=2 * half, error_df=df))


def test_sign_of_the_effect_does_not_matter():
    assert effect_power(-1.5, sd=1, coupons=8, error_df=4) == effect_power(1.5, sd=1, coupons=8, error_df=4)


def test_coupons_per_level_is_the_first_that_is_enough():
    for effect in (0.6, 1.0, 3.0):
        n = coupons_per_level(effect, sd=1.0, power=0.9)
        assert effect_power(effect, sd=1.0, coupons=2 * n, error_df=2 * n - 2) >= 0.9
        if n > 2:
            assert effect_power(effect, sd=1.0, coupons=2 * n - 2, error_df=2 * n - 4) < 0.9


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: effect_power(1, sd=0, coupons=8, error_df=4), "sd: found 0; allowed: above 0"),
        (lambda: effect_power(1, sd=1, coupons=7, error_df=4), "coupons: found 7; allowed: an even number"),
        (lambda: effect_power(1, sd=1, coupons=8, error_df=0), "1 or more"),
        (lambda: effect_power(1, sd=1, coupons=8, error_df=4, false_alarm=5), "Write 5 % as 0.05"),
        (lambda: detectable_effect(0.01, sd=1, coupons=8, error_df=4), "between 0.05 and 1"),
        (lambda: detectable_effect(0.8, sd=-1, coupons=8, error_df=4), "above 0"),
        (lambda: coupons_per_level(0, sd=1), "not 0"),
        (lambda: coupons_per_level(1e-5, sd=1), "larger than"),
    ],
)
def test_impossible_questions_are_refused_in_one_line(call, words):
    with pytest.raises(InputError, match=words):
        call()
