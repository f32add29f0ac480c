"""The models of the averaging trial are what they say, so that its table can be believed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from doe.domain.results import read_results
from doe.domain.study import Study
from doe.surfaces.averaging import left_out, stacking_weight
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.mechanism_model import MechanismModel
from doe.surfaces.outcomes import expit
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import WindowModel
from tests.benchmarks import averaging


def _mechanisms(study: Study, frame: pd.DataFrame) -> MechanismModel:
    results = read_results(study, frame)
    return MechanismModel(WindowModel(Scaling(study.factors), results, mean_hand(results)))


def test_the_ways_a_coupon_can_end_add_up_to_one_with_mechanisms(study: Study, coupons: pd.DataFrame) -> None:
    frame = coupons.head(4).drop(columns=["cure_batch", "press_batch"])
    frame[list(study.factor_names)] = coupons[list(study.factor_names)].iloc[0].to_numpy()
    frame["passed"], frame["side"] = [True, False, False, False], ["", "under", "over", "other"]
    model = _mechanisms(study, frame)
    xi = np.random.default_rng(3).standard_normal((50, model.parameters))
    assert np.exp(model.coupon_log_likelihood(xi)).sum(axis=1) == pytest.approx(np.ones(50))


def test_each_wall_is_monotone_in_its_own_machine_and_blind_to_the_other(study: Study, coupons: pd.DataFrame) -> None:
    model = _mechanisms(study, coupons)
    slopes = model.unpack(np.random.default_rng(4).standard_normal((30, model.parameters))).walls[:, :, 1:]
    own = np.array([[f.stage == machine for f in study.factors] for machine in ("cure", "press")])
    assert (slopes[:, :2][:, own] > 0).all()
    assert (slopes[:, 2:][:, own] < 0).all()
    assert (slopes[:, :2][:, ~own] == 0).all()
    assert (slopes[:, 2:][:, ~own] == 0).all()


def test_without_trial_error_and_batches_mechanisms_fit_what_they_evaluate(study: Study, coupons: pd.DataFrame) -> None:
    bare = coupons.drop(columns=["cure_batch", "press_batch"]).assign(passed=True, side="")
    measured = bare.assign(**{f"actual_{n}": bare[n] for n in study.factor_names})
    model = _mechanisms(study, measured)
    xi = np.random.default_rng(5).standard_normal((10, model.parameters))
    draws = model.unpack(xi)
    sound = (1 - draws.lapse)[:, None] * expit(draws.eta(model.window.z))
    assert np.exp(model.coupon_log_likelihood(xi)) == pytest.approx(sound, abs=1e-9)


def test_stacking_goes_to_the_model_that_predicts_better() -> None:
    good, poor = np.log(np.full(30, 0.8)), np.log(np.full(30, 0.4))
    assert stacking_weight(good, poor) < 0.1
    assert stacking_weight(poor, good) > 0.9
    assert stacking_weight(good, good) == pytest.approx(0.5, abs=0.01)


def test_leaving_out_by_weights_agrees_with_the_exact_answer_of_a_conjugate_case() -> None:
    # passes of n coupons with a uniform prior: without one pass, the chance of a pass is k / (n + 1)
    n, k = 12, 7
    p = np.random.default_rng(7).beta(1 + k, 1 + n - k, 200_000)
    left = left_out(np.log(np.column_stack([p, 1 - p])))
    assert np.exp(left) == pytest.approx([k / (n + 1), (n - k) / (n + 1)], abs=0.005)


def test_an_average_keeps_its_proportion_when_thinned(study: Study, coupons: pd.DataFrame) -> None:
    model = _mechanisms(study, coupons)
    rng = np.random.default_rng(8)
    walls = model.unpack(rng.standard_normal((600, model.parameters)))
    hill = model.window.unpack(rng.standard_normal((600, model.window.parameters)))
    mixed = averaging.average(hill, walls, 0.25)
    thin = mixed.thin(200)
    assert [p.count for p in mixed.parts] == [450, 150]
    assert [p.count for p in thin.parts] == [150, 50]
    assert thin.eta(model.window.z).shape == (200, len(coupons))
    assert averaging.average(hill, walls, 0.0).parts == (hill,)
