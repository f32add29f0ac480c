"""The sampler against a dense grid and long random walks; the bench `sampler_reference.py` looks longer."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.sampler_reference import grid_distance, walk_distance


def test_robust_rates_and_evidence_agree_with_a_dense_grid() -> None:
    # A mean of 600 independent draws has a standard error of 0.04 posterior sd, a 10 % quantile of about 0.07; those of
    # the nine settings go together. Measured on these four sets of coupons: 0.06, 0.01, 0.17, 0.10. A prior counted
    # twice gives 0.43, 0.18, 0.70 and 5.8, a likelihood raised to the power 1.5 gives 0.28, 0.06, 0.50 and 4.7.
    found = [grid_distance(seed) for seed in range(4)]
    assert max(np.abs(c.means).max() for c in found) < 0.18
    assert abs(np.mean([c.means for c in found])) < 0.05
    assert max(np.abs(c.quantiles).max() for c in found) < 0.4
    assert max(abs(c.evidence) for c in found) < 0.3


def test_robust_rates_of_the_whole_model_agree_with_long_random_walks() -> None:
    # The walks are worth some hundred independent draws themselves, so both sides are noisy. Measured: 0.13 and 0.20; a
    # prior counted twice gives 0.31 and 0.79, a likelihood raised to the power 1.5 gives 0.75 and 0.59.
    found = walk_distance(3)
    assert np.abs(found.means).max() < 0.28
    assert np.abs(found.quantiles).max() < 0.45
