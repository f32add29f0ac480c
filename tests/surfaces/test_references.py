"""Our numbers beside those of scikit-learn, which stands as a reference in tests only."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import accuracy_score, log_loss
from sklearn.preprocessing import PolynomialFeatures

import doe
from doe.domain.study import Study
from doe.surfaces.scaling import quadratic_features


@pytest.mark.parametrize("k", [2, 4, 6])
def test_the_quadratic_basis_is_that_of_polynomial_features(k: int) -> None:
    z = np.random.default_rng(k).uniform(-1, 1, (30, k))
    assert quadratic_features(z) == pytest.approx(PolynomialFeatures(2).fit_transform(z))


def test_the_leave_one_out_score_is_the_log_loss_and_the_calls_are_the_accuracy(
    study: Study, coupons: pd.DataFrame
) -> None:
    belief = doe.fit(study, coupons, particles=300).belief
    passed = coupons["passed"].to_numpy(dtype=bool)
    assert belief.score == pytest.approx(-len(passed) * log_loss(passed, belief.p_left_out))
    assert belief.right == accuracy_score(passed, belief.p_left_out > 0.5, normalize=False)
    # the share of passes among the others, with half a pass and half a fail added, is the model that knows no factor
    share = np.array([(np.delete(passed, i).sum() + 0.5) / len(passed) for i in range(len(passed))])
    assert belief.score_no_factor == pytest.approx(-len(passed) * log_loss(passed, share))
