"""Limits of a pass rate and sample sizes: closed forms, slow twins and properties."""

from __future__ import annotations

import math
from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from doe.assure.binomial import (
    coupons_for_failures,
    pass_rate_high,
    pass_rate_low,
    wilson_interval,
)
from doe.assure.confirmation.claims import ClaimPlan
from doe.domain.errors import InputError


def tail(k: int, n: int, p: float) -> float:
    """P(at least k passes of n), summed term by term."""
    return sum(comb(n, i) * p**i * (1 - p) ** (n - i) for i in range(k, n + 1))


def test_pass_rate_low_is_closed_form_when_no_coupon_fails():
    # k = n makes the binomial equation p**n = 1 - assurance, solved by hand.
    assert pass_rate_low(29, 29, 0.95) == pytest.approx(0.05 ** (1 / 29), rel=1e-12)


@given(n=st.integers(1, 60), data=st.data(), assurance=st.floats(0.5, 0.99))
@settings(deadline=None, max_examples=40)
def test_pass_rate_low_solves_the_binomial_equation(n, data, assurance):
    k = data.draw(st.integers(1, n))
    twin = brentq(lambda p: tail(k, n, p) - (1 - assurance), 1e-12, 1 - 1e-15, xtol=1e-13)
    assert pass_rate_low(k, n, assurance) == pytest.approx(twin, abs=1e-9)


@given(n=st.integers(1, 60), assurance=st.floats(0.5, 0.99))
@settings(deadline=None, max_examples=30)
def test_pass_rate_low_never_falls_when_one_more_coupon_passes(n, assurance):
    lows = [pass_rate_low(k, n, assurance) for k in range(n + 1)]
    assert lows == sorted(lows)
    assert lows[0] == 0
    assert lows[-1] < 1


@given(n=st.integers(1, 80), data=st.data(), assurance=st.floats(0.5, 0.99))
@settings(deadline=None, max_examples=40)
def test_intervals_hold_the_share_and_mirror_each_other(n, data, assurance):
    k = data.draw(st.integers(0, n))
    found, mirror = wilson_interval(k, n, assurance), wilson_interval(n - k, n, assurance)
    assert 0 <= found.low <= found.rate <= found.high <= 1
    assert mirror.low == pytest.approx(1 - found.high, abs=1e-12)
    assert 0 <= pass_rate_low(k, n, assurance) <= k / n <= pass_rate_high(k, n, assurance) <= 1
    assert pass_rate_high(k, n, assurance) == pytest.approx(1 - pass_rate_low(n - k, n, assurance))


@pytest.mark.parametrize(("n", "p"), [(20, 0.95), (20, 0.8), (28, 0.9)])
def test_exact_limit_is_at_or_below_the_truth_at_least_as_often_as_it_says(n, p):
    # No simulation: the binomial probabilities of all outcomes are added up.
    covered = sum(comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(n + 1) if pass_rate_low(k, n, 0.9) <= p)
    assert covered >= 0.9


def test_wilson_limits_solve_the_score_equation():
    found = wilson_interval(7, 24, 0.9)
    for p in (found.low, found.high):
        assert abs(7 / 24 - p) / math.sqrt(p * (1 - p) / 24) == pytest.approx(1.6448536, abs=1e-6)


@given(rate=st.floats(0.3, 0.995), assurance=st.floats(0.5, 0.995))
@settings(deadline=None, max_examples=60)
def test_no_failure_size_is_the_logarithm_rounded_up(rate, assurance):
    n = coupons_for_failures(rate, assurance, failures=0)
    assert rate**n <= 1 - assurance + 1e-11
    assert n == 1 or rate ** (n - 1) > 1 - assurance


def test_exact_boundaries_do_not_ask_for_one_coupon_more():
    # 0.5**1 = 1 - 0.5, 0.1**1 = 1 - 0.9, 0.5**3 = 1 - 0.875: rounding must not tip these over.
    assert [coupons_for_failures(*pair, failures=0) for pair in ((0.5, 0.5), (0.1, 0.9), (0.5, 0.875))] == [1, 1, 3]


@given(rate=st.floats(0.5, 0.97), assurance=st.floats(0.6, 0.98), failures=st.integers(0, 4))
@settings(deadline=None, max_examples=25)
def test_size_with_failures_is_the_first_that_counting_up_finds(rate, assurance, failures):
    n = failures + 1
    while sum(comb(n, i) * (1 - rate) ** i * rate ** (n - i) for i in range(failures + 1)) > 1 - assurance + 1e-12:
        n += 1
    assert coupons_for_failures(rate, assurance, failures=failures) == n


def test_size_and_limit_tell_the_same_story():
    n = coupons_for_failures(0.9, 0.9, failures=2)
    assert pass_rate_low(n - 2, n, 0.9) >= 0.9
    assert pass_rate_low(n - 3, n - 1, 0.9) < 0.9


def test_settings_just_at_the_rate_are_accepted_no_more_often_than_the_risk():
    n = coupons_for_failures(0.95, 0.9, failures=1)
    assert ClaimPlan(0.95, 0.9, 1, n).chance(0.95) <= 0.1
    assert ClaimPlan(0.95, 0.9, 1, n).chance(0.999) > 0.99


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: coupons_for_failures(0.9, 95, failures=0), "assurance: found 95; allowed: between 0 and 1"),
        (lambda: coupons_for_failures(1.0, failures=0), "pass rate: found 1.0"),
        (lambda: coupons_for_failures(1 - 1e-9, failures=0), "ten million"),
        (lambda: coupons_for_failures(0.9, failures=-1), "failures: found -1"),
    ],
)
def test_impossible_questions_are_refused_in_one_line(call, words):
    with pytest.raises(InputError, match=words):
        call()
