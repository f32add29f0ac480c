"""Published limits of a proportion, sample sizes and power."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.assure.binomial import (
    coupons_for_failures,
    coupons_for_no_failure,
    pass_rate_high,
    pass_rate_interval,
    wilson_interval,
)
from doe.assure.power import coupons_per_level, effect_power

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, float]]:
    return pd.read_csv(HERE / f"{name}.csv").to_dict("records")


@pytest.mark.parametrize("row", rows("binomial_intervals"), ids=lambda r: f"{r['x']}of{r['n']}")
def test_exact_and_wilson_limits(row):
    # R. G. Newcombe (1998), Statistics in Medicine 17, 857-872, Table I, methods 3 and 5; last row
    # NIST/SEMATECH e-Handbook 7.2.4.1. From memory.
    tolerance = 1.1e-6 if row["source"].startswith("NIST") else 0.000051
    exact = pass_rate_interval(row["x"], row["n"], row["conf"])
    assert (exact.low, exact.high) == pytest.approx((row["cp_low"], row["cp_high"]), abs=tolerance)
    if not np.isnan(row["wilson_low"]):
        score = wilson_interval(row["x"], row["n"], row["conf"])
        assert (score.low, score.high) == pytest.approx((row["wilson_low"], row["wilson_high"]), abs=tolerance)


@pytest.mark.parametrize("row", rows("zero_failure_n"), ids=lambda r: f"{r['coverage_R']}/{r['confidence_C']}")
def test_success_run_sizes(row):
    # ln(1 - C) / ln(R), rounded up; classical table, from memory.
    assert coupons_for_no_failure(row["coverage_R"], row["confidence_C"]) == row["n"]


@pytest.mark.parametrize(
    "row", rows("attribute_n_with_failures"), ids=lambda r: f"{r['coverage_R']}/{r['confidence_C']}"
)
def test_sizes_with_one_failure_allowed(row):
    # First-to-last distribution-free tolerance sizes: Wilks (1941); ISO 16269-6. From memory.
    size = coupons_for_failures(row["coverage_R"], row["confidence_C"], failures=int(row["failures"]))
    assert size == row["n"]


@pytest.mark.parametrize(("n", "printed"), [(30, 0.09503), (100, 0.029513), (20, 0.139108)])
def test_rule_of_three(n, printed):
    # Arithmetic: one-sided 95 % upper limit of the failure rate after 0 failures, 1 - 0.05^(1/n), close to 3/n.
    digits = len(str(printed)) - 2
    assert pass_rate_high(0, n, 0.95) == pytest.approx(printed, abs=0.51 * 10**-digits)
    assert pass_rate_high(0, n, 0.95) == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-12)


def test_two_sided_limit_of_none_in_twenty():
    # Arithmetic: 1 - 0.025^(1/20).
    assert pass_rate_interval(0, 20, 0.95).high == pytest.approx(0.168433, abs=5e-7)


@pytest.mark.parametrize(
    "row", rows("power_two_level_effect"), ids=lambda r: f"{r['alpha_two_sided']}/{r['effect_over_sigma']}"
)
def test_coupons_per_level(row):
    # J. Cohen (1992), Psychological Bulletin 112, 155-159, Table 2 (from memory). The table is approximate:
    # the exact smallest number is the printed one or one more.
    found = coupons_per_level(row["effect_over_sigma"], sd=1.0, power=row["power"], false_alarm=row["alpha_two_sided"])
    assert found in {row["n_per_level"], row["n_per_level"] + 1}


@pytest.mark.parametrize(("effect", "n", "exact"), [(0.2, 393, 0.79959), (0.5, 64, 0.80146), (0.8, 26, 0.80749)])
def test_power_at_the_printed_sizes(effect, n, exact):
    assert effect_power(effect, sd=1.0, coupons=2 * n, error_df=2 * n - 2) == pytest.approx(exact, abs=5.1e-6)


def test_the_printed_393_is_one_short():
    assert coupons_per_level(0.2, sd=1.0) == 394


@pytest.mark.parametrize(("coupons", "df", "power"), [(16, 8, 0.93674), (8, 4, 0.57161)])
def test_power_of_an_effect_of_two_sigma(coupons, df, power):
    # Computed; equal to the noncentral F with 1 and df degrees of freedom and noncentrality N delta^2 / 4.
    assert effect_power(2.0, sd=1.0, coupons=coupons, error_df=df) == pytest.approx(power, abs=5e-6)
