"""An answer does not hang on the order in which factors and levels are typed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doe.domain.factors import Factor
from doe.domain.results import read_results
from doe.domain.study import Study
from doe.surfaces.fitted import fit
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_gradient import TemperedWindow
from doe.surfaces.window_model import WindowModel


def model_of(study: Study, frame: pd.DataFrame) -> WindowModel:
    results = read_results(study, frame)
    return WindowModel(Scaling(study.factors), results, mean_hand(results))


def reordered(study: Study) -> Study:
    return replace(study, factors=tuple(reversed(study.factors)))


def test_the_likelihood_is_the_same_whichever_factor_is_typed_first(study: Study, coupons: pd.DataFrame) -> None:
    first, second = model_of(study, coupons), model_of(reordered(study), coupons)
    xi = np.random.default_rng(1).standard_normal((9, first.parameters))
    one, other = TemperedWindow(first).slopes(xi), TemperedWindow(second).slopes(xi)
    assert other[0] == pytest.approx(one[0], rel=1e-10)
    assert other[1] == pytest.approx(one[1], rel=1e-8, abs=1e-9)


def test_a_fit_says_the_same_whichever_factor_is_typed_first(study: Study, coupons: pd.DataFrame) -> None:
    found = [fit(s, coupons, seed=4).predict(coupons[list(study.factor_names)]) for s in (study, reordered(study))]
    for name in ("p_pass", "p_pass_low", "p_over", "hand"):
        assert found[1][name].to_numpy() == pytest.approx(found[0][name].to_numpy(), abs=0.002), name


def test_levels_alike_in_truth_get_answers_alike_whichever_is_typed_first(study: Study, coupons: pd.DataFrame) -> None:
    frame = coupons.assign(film=np.where(np.arange(len(coupons)) % 2, "matt", "gloss"))
    ways = [
        replace(study, factors=(*study.factors, Factor("film", levels=levels)))
        for levels in (("matt", "gloss"), ("gloss", "matt"))
    ]
    found = [fit(s, frame, seed=4).predict(frame) for s in ways]
    assert found[1]["p_pass"].to_numpy() == pytest.approx(found[0]["p_pass"].to_numpy(), abs=0.002)


def test_no_level_is_surer_before_any_coupon_than_another(study: Study, coupons: pd.DataFrame) -> None:
    levels = ("matt", "gloss", "clear")
    made = replace(study, factors=(*study.factors, Factor("film", levels=levels)))
    frame = coupons.assign(film=[levels[i % 3] for i in range(len(coupons))])
    model = model_of(made, frame)
    draws = model.unpack(np.random.default_rng(2).standard_normal((4000, model.parameters)))
    spread = [peak.std(axis=0) for peak in draws.peak]
    assert spread[1] == pytest.approx(spread[0], rel=0.05)
    assert spread[2] == pytest.approx(spread[0], rel=0.05)
