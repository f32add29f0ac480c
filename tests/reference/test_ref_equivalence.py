"""Published equivalence tests and sizes for means."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
import pytest

from doe.assure.comparison.equivalence import coupons_for_means, equivalence_of

HERE = Path(__file__).parent


def groups():
    rows = pd.read_csv(HERE / "tost_summary.csv")
    return [(float(r.mean), float(r.sd), int(r.n)) for r in rows.itertuples(index=False)]


def test_two_one_sided_tests_from_summaries():
    # D. Lakens (2017), Social Psychological and Personality Science 8, 355-362 (data: Moery and Calin-Jageman 2016).
    # The larger statistic and the interval from memory.
    (_, sd_a, n_a), (_, sd_b, n_b) = groups()
    pooled = math.sqrt(((n_a - 1) * sd_a**2 + (n_b - 1) * sd_b**2) / (n_a + n_b - 2))
    assert pooled == pytest.approx(0.894, abs=5e-4)
    margin = 0.43 * pooled
    assert margin == pytest.approx(0.384, abs=5e-4)
    (mean_a, _, _), (mean_b, _, _) = groups()
    se = pooled * math.sqrt(1 / n_a + 1 / n_b)
    found = equivalence_of(mean_a - mean_b, se, n_a + n_b - 2, margin=margin, alpha=0.05)
    assert found.df == 182
    assert found.t_high == pytest.approx(-2.69, abs=0.005)
    assert found.t_low == pytest.approx(3.14, abs=0.005)
    assert found.p == pytest.approx(0.004, abs=5e-4)
    assert (found.low, found.high) == (pytest.approx(-0.188, abs=5e-4), pytest.approx(0.248, abs=5e-4))
    assert found.is_equivalent


def test_unequal_variances_of_the_same_summaries():
    # Computed: t -2.6992 on 181.13 degrees of freedom with the same raw bound.
    (mean_a, sd_a, n_a), (mean_b, sd_b, n_b) = groups()
    a, b = sd_a**2 / n_a, sd_b**2 / n_b
    df = (a + b) ** 2 / (a**2 / (n_a - 1) + b**2 / (n_b - 1))  # Welch
    found = equivalence_of(mean_a - mean_b, math.sqrt(a + b), df, margin=0.43 * 0.8940032, alpha=0.05)
    assert found.df == pytest.approx(181.13, abs=0.0051)
    assert found.t_high == pytest.approx(-2.6992, abs=1e-4)


@pytest.mark.parametrize("row", pd.read_csv(HERE / "equivalence_n.csv").to_dict("records"), ids=str)
def test_sizes_for_parallel_groups(row):
    # S. A. Julious (2004), Statistics in Medicine 23, 1921-1986. From memory.
    size = coupons_for_means(
        row["kind"].replace("_", "-"), row["margin_over_sigma"], sd=1, alpha=row["alpha_one_sided"], power=row["power"]
    )
    assert size == row["n_per_group"]
