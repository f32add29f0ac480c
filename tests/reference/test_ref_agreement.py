"""Published agreement figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.assure.people.concordance import kendall_w, score_agreement
from doe.assure.people.kappa import fleiss_kappa, kappa_of_table

HERE = Path(__file__).parent


def test_cohens_kappa_of_a_hundred_cases():
    # J. L. Fleiss (1981), Statistical Methods for Rates and Proportions, 2nd ed., sec. 13.1: kappa 0.68, standard error
    # under chance 0.076. From memory. The other standard error, 0.0877, is computed.
    rows = pd.read_csv(HERE / "cohen_kappa_3x3.csv")
    table = rows.pivot_table(index="rater_a", columns="rater_b", values="count").to_numpy()
    found = kappa_of_table(table)
    assert found.kappa == pytest.approx(0.68, abs=0.005)
    assert found.se_chance == pytest.approx(0.076, abs=5e-4)
    assert found.se == pytest.approx(0.0877, abs=5.1e-5)


def test_cohens_weighted_kappa():
    # J. Cohen (1968), Psychological Bulletin 70, 213-220: unweighted 0.492, weighted 0.348. From memory.
    rows = pd.read_csv(HERE / "cohen_weighted_1968.csv")
    p, v = (
        rows.pivot_table(index="rater_a", columns="rater_b", values=c).to_numpy()
        for c in ("proportion", "disagreement_weight")
    )
    assert kappa_of_table(200 * p).kappa == pytest.approx(0.492, abs=5e-4)
    assert kappa_of_table(200 * p, disagreement=v).kappa == pytest.approx(0.348, abs=5e-4)


def test_fleiss_kappa_of_thirty_patients():
    # J. L. Fleiss (1971), Psychological Bulletin 76, 378-382; z with the variance of Fleiss, Nee and Landis (1979).
    # Per-class values and z from memory.
    counts = pd.read_csv(HERE / "fleiss_diagnoses.csv").iloc[:, 1:].to_numpy()
    found = fleiss_kappa(counts)
    assert found.overall.agreement == pytest.approx(0.556, abs=5e-4)
    assert found.overall.chance == pytest.approx(0.220, abs=5e-4)
    assert found.overall.kappa == pytest.approx(0.430, abs=5e-4)
    assert found.classes == pytest.approx((0.245, 0.245, 0.520, 0.471, 0.566), abs=5.1e-4)
    assert found.z == pytest.approx(17.65, abs=0.005)
    assert found.people == 6


def test_kendalls_w_of_three_executives():
    # S. Siegel (1956), Nonparametric Statistics, ch. 9: W = 0.16. From memory.
    ranks = pd.read_csv(HERE / "kendall_w_applicants.csv").iloc[:, 1:].to_numpy().T
    assert kendall_w(ranks).w == pytest.approx(0.16, abs=0.005)


def test_kendalls_w_with_ties_is_friedmans_statistic():
    # M. Hollander and D. A. Wolfe (1973), Nonparametric Statistical Methods, ch. 7: statistic 11.14, p 0.0038.
    times = pd.read_csv(HERE / "first_base_times.csv").iloc[:, 1:].to_numpy().T
    found = kendall_w(times)
    assert found.statistic == pytest.approx(11.14, abs=0.005)
    assert found.statistic == pytest.approx(11.142857, abs=5e-7)
    assert found.p == pytest.approx(0.0038, abs=5e-5)
    assert found.w == pytest.approx(0.253247, abs=5e-7)


def test_six_intraclass_correlations():
    # P. E. Shrout and J. L. Fleiss (1979), Psychological Bulletin 86, 420-428. From memory.
    found = score_agreement(pd.read_csv(HERE / "icc_ratings.csv").iloc[:, 1:])
    squares = (found.between, found.within, found.people_ms, found.error)
    assert squares == pytest.approx((11.24, 6.26, 32.49, 1.02), abs=0.0051)
    assert found.table["icc"].to_numpy() == pytest.approx([0.17, 0.44, 0.29, 0.62, 0.71, 0.91], abs=0.0051)
    assert np.all(found.table["low"] < found.table["icc"])
    assert np.all(found.table["icc"] < found.table["high"])
