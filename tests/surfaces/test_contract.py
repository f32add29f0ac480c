"""Another kind of pass surface in the place of the closing window: fit, prediction, answer, reasons and page."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

import doe
from doe.domain.results import Results
from doe.domain.study import Study
from doe.practice.lines import make_line
from doe.setpoint.curves import profile, robust_map
from doe.setpoint.why import explain_answer
from doe.surfaces.contract import PRIOR_GROUPS, SurfaceModel
from doe.surfaces.fitted import Surfaces
from doe.surfaces.hand_scores import HandScores
from doe.surfaces.mechanism_model import MechanismModel
from doe.surfaces.outcomes import expit
from doe.surfaces.scaling import Scaling
from doe.surfaces.shop import ShopHistory
from doe.surfaces.window_gradient import ClosingWindow
from doe.surfaces.window_model import WindowModel
from doe.words.study.why import why_parts
from reports.study.page import study_report
from reports.study.whatif import what_if
from tests.reports.study.samples import sample
from tests.shared import untapped


def dose_mechanisms(
    scaling: Scaling,
    results: Results,
    hand: HandScores,
    *,
    weights: NDArray[np.float64] | None = None,
    own: int | None = None,
    shop: ShopHistory | None = None,
) -> MechanismModel:
    """A `ModelMaker` of the second kind of surface."""
    return MechanismModel(WindowModel(scaling, results, hand, weights=weights, own=own))


KINDS = {"closing window": ClosingWindow, "dose mechanisms": dose_mechanisms}


@pytest.fixture(scope="module")
def answered(study: Study) -> tuple[Surfaces, doe.Answer]:
    """Dose mechanisms fitted to forty coupons of a simulated line, and the answer they give."""
    results = make_line("easy", 4, study).run(doe.make_plan(study, coupons=40, seed=1).coupons, 1)
    surfaces = doe.fit(study, results, seed=4, particles=300, model=dose_mechanisms)
    return surfaces, doe.recommend(study, surfaces, seed=4)


@pytest.mark.parametrize("kind", KINDS)
def test_a_model_keeps_the_contract(kind: str, study: Study, coupons: pd.DataFrame) -> None:
    surfaces = doe.fit(study, coupons, seed=1, particles=60, model=KINDS[kind])
    model: SurfaceModel | None = surfaces.model
    assert model is not None
    assert model.name == kind
    n, k = len(coupons), len(study.numeric)
    xi = np.random.default_rng(2).standard_normal((50, model.parameters))
    draws = model.unpack(xi)
    z = np.random.default_rng(3).uniform(-1, 1, (7, k))
    assert draws.count == 50
    assert [getattr(draws, name).shape for name in ("lapse", "wrong_side", "hand_sd")] == [(50,)] * 3
    assert draws.peak.shape == (1, 50, k)
    for values in (draws.eta(z), draws.over_logit(z), draws.mean_hand(z)):
        assert values.shape == (50, 7)
        assert np.isfinite(values).all()
    assert np.array_equal(draws.thin(10).eta(z), draws.eta(z)[np.linspace(0, 49, 10).astype(int)])
    assert model.place_sd == pytest.approx(draws.peak[0].std(axis=0), rel=0.35)
    assert model.weights.shape == (n,)
    passed = surfaces.results.passed
    likely, chance = model.coupon_log_likelihood(xi), model.pass_log_chance(xi)
    assert likely.shape == chance.shape == (50, n)
    assert likely[:, passed] == pytest.approx(chance[:, passed])
    assert (likely[:, ~passed] <= np.log(-np.expm1(chance[:, ~passed])) + 1e-9).all()
    assert model.hand_log_likelihood(xi).shape == (50, len(model.hand.rows))
    grouped = np.concatenate(list(model.prior_groups.values()))
    assert set(model.prior_groups) <= set(PRIOR_GROUPS)
    assert len(set(grouped)) == len(grouped)
    assert set(np.concatenate(list(model.quantities.values()))) <= set(grouped)
    assert {name: len(model.quantities[name]) for name in ("place", "steepness")} == {"place": k, "steepness": k}


def test_too_much_heat_is_told_from_too_little_as_the_mechanisms_say(study: Study, coupons: pd.DataFrame) -> None:
    surfaces = doe.fit(study, coupons, seed=1, particles=60, model=dose_mechanisms)
    frame = coupons[list(study.factor_names)].head(6)
    under, over = surfaces.side_draws(frame)
    total = surfaces.pass_draws(frame) + under + over + surfaces.draws.lapse[:, None]
    assert total == pytest.approx(np.ones_like(total))
    hot, cold = frame.copy(), frame.copy()
    for f in study.numeric:
        hot[f.name], cold[f.name] = f.high, f.low
    assert (expit(surfaces.draws.over_logit(surfaces.scaling.z(hot))).mean(axis=0) > 0.7).all()
    assert (expit(surfaces.draws.over_logit(surfaces.scaling.z(cold))).mean(axis=0) < 0.3).all()


def test_it_predicts_and_can_be_believed(answered: tuple[Surfaces, doe.Answer], study: Study) -> None:
    surfaces, answer = answered
    corner = {f.name: f.high for f in study.numeric}
    here, there = surfaces.predict(pd.DataFrame([dict(answer.setpoint), corner])).to_dict("records")
    assert here["p_pass_low"] < here["p_pass"] < here["p_pass_high"]
    assert here["p_pass"] > 0.7 > there["p_pass"]
    assert there["p_over"] > there["p_under"]
    assert 3 < here["hand"] < 5
    belief = surfaces.belief
    assert belief.score > belief.score_no_factor
    assert set(belief.learned) == set(study.factor_names)
    assert max(belief.learned.values()) > 0.3


def test_it_answers(answered: tuple[Surfaces, doe.Answer], study: Study) -> None:
    surfaces, answer = answered
    assert make_line("easy", 4, study).robust_pass(pd.DataFrame([dict(answer.setpoint)]))[0] > 0.9
    assert answer.verdict == "ready"
    assert 0.8 < answer.pass_rate_low < answer.pass_rate < 1
    assert answer.method["model"] == "dose mechanisms"
    assert {c.direction for c in answer.cliffs} == {"lower", "higher"}
    assert {c.side for c in answer.cliffs if c.direction == "lower"} <= {"under"}
    assert {c.side for c in answer.cliffs if c.direction == "higher"} <= {"over"}
    assert answer.window is not None
    assert (answer.window.bounds["low"] < answer.window.bounds["high"]).any()
    curve = profile(study, surfaces, answer, "dwell")
    assert curve.pass_rate.max() > answer.pass_rate - 0.05 > curve.pass_rate.min()
    assert robust_map(study, surfaces, answer, "dwell", "press_temp", n=7).pass_rate.shape == (7, 7)


def test_a_second_round_is_chosen(answered: tuple[Surfaces, doe.Answer], study: Study) -> None:
    surfaces, _ = answered
    hard = replace(study, spec=replace(study.spec, pass_rate=0.97))
    answer = doe.recommend(hard, surfaces, seed=4)
    assert answer.verdict == "more coupons"
    assert len(answer.next_coupons) == 8


def test_its_reasons_are_given(answered: tuple[Surfaces, doe.Answer], study: Study) -> None:
    surfaces, answer = answered
    why = explain_answer(study, surfaces, answer)
    assert why.now.rate == pytest.approx(answer.pass_rate)
    assert why.before is not None
    assert why.before.rate < answer.pass_rate
    assert len(why.coupons) == 40
    # a pass holds the rate up, and more so than a failure, over all coupons
    by_pass, by_failure = ([c.rate_change for c in why.coupons if c.passed == end] for end in (True, False))
    assert np.mean(by_pass) > max(0.0, np.mean(by_failure) + 0.001)
    assert {p.group for p in why.priors} == {"every", "height", "place", "width", "sides", "stray", "hand"}
    assert {x.factor for x in why.learned if x.quantity == "steepness"} == set(study.factor_names)
    assert all(0 < x.left < 1.4 for x in why.learned)
    assert why.averaged is None
    assert "What these numbers rest on" in [part.title for part in why_parts(study, why)]


def test_a_page_says_that_it_cannot_compute_it_and_shows_the_rest() -> None:
    usual = sample()
    surfaces = doe.fit(usual.study, usual.results, seed=3, particles=100, model=dose_mechanisms)
    report = replace(usual, surfaces=surfaces, answer=doe.recommend(usual.study, surfaces, seed=3))
    panel = what_if(report)
    assert json.loads(panel.data)["kind"] == "grid"
    assert "Surfaces of this kind cannot be computed in a page. Read off a coarse grid" in panel.intro
    page = untapped(study_report(report))
    assert "Pass or fail is described by walls of too little and of too much heat" in page
    assert "described by a closing window" not in page
    assert ">margin<" in page


def test_what_a_model_does_not_know_is_said_before_anything_is_drawn(study: Study, coupons: pd.DataFrame) -> None:
    earlier = doe.Earlier(coupons, 0.5)
    with pytest.raises(doe.InputError, match="no earlier coupons"):
        doe.fit(study, coupons, particles=20, earlier=earlier, model=dose_mechanisms)
