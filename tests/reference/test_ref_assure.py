"""Published limits of a proportion and sample sizes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.assure.binomial import (
    coupons_for_failures,
    pass_rate_high,
    pass_rate_low,
    wilson_interval,
)

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, float]]:
    return pd.read_csv(HERE / f"{name}.csv").to_dict("records")


@pytest.mark.parametrize("row", rows("binomial_intervals"), ids=lambda r: f"{r['x']}of{r['n']}")
def test_exact_and_wilson_limits(row):
    # R. G. Newcombe (1998), Statistics in Medicine 17, 857-872, Table I, methods 3 and 5; last row
    # NIST/SEMATECH e-Handbook 7.2.4.1. From memory.
    tolerance = 1.1e-6 if row["source"].startswith("NIST") else 0.000051
    each = (1 + row["conf"]) / 2  # two-sided: both one-sided limits at half the risk
    exact = [limit(row["x"], row["n"], each) for limit in (pass_rate_low, pass_rate_high)]
    assert exact == pytest.approx([row["cp_low"], row["cp_high"]], abs=tolerance)
    if not np.isnan(row["wilson_low"]):
        score = wilson_interval(row["x"], row["n"], row["conf"])
        assert (score.low, score.high) == pytest.approx((row["wilson_low"], row["wilson_high"]), abs=tolerance)


@pytest.mark.parametrize("row", rows("zero_failure_n"), ids=lambda r: f"{r['coverage_R']}/{r['confidence_C']}")
def test_success_run_sizes(row):
    # ln(1 - C) / ln(R), rounded up; classical table, from memory.
    assert coupons_for_failures(row["coverage_R"], row["confidence_C"], failures=0) == row["n"]


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
    assert pass_rate_high(0, 20, 0.975) == pytest.approx(0.168433, abs=5e-7)
