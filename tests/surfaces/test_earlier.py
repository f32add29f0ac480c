"""Coupons of an earlier study with a discount: both ends of it hold exactly, and between them it is a power."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.results import read_results
from doe.domain.study import Study
from doe.surfaces.earlier import Earlier, pooled, read_earlier
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import WindowModel
from doe.words.study import setpoint as words
from tests.shared import known_coupons


@pytest.fixture(scope="module")
def before(study: Study) -> pd.DataFrame:
    """Twenty coupons of the same line on an earlier day, felt by ana and a third person."""
    return known_coupons(study, 20, seed=9).rename(columns={"hand_ben": "hand_cleo"})


def _model(study: Study, own: pd.DataFrame, earlier: Earlier | None) -> WindowModel:
    results = read_results(study, own)
    together, weights = (results, None) if earlier is None else pooled(results, read_earlier(study, earlier))
    hand = mean_hand(together, weights)
    return WindowModel(Scaling(study.factors), together, hand, weights=weights, own=results.coupons)


def _own_part(small: WindowModel, large: WindowModel, xi: np.ndarray) -> np.ndarray:
    """Parameters of the smaller model inside those of the larger: it knows fewer batches."""
    columns = [
        np.arange(part.start, part.stop)[: small.slices[name].stop - small.slices[name].start]
        for name, part in large.slices.items()
        if name in small.slices
    ]
    return xi[:, np.concatenate(columns)]


def test_towards_a_discount_of_nothing_the_likelihood_is_that_without_the_earlier_study(
    study: Study, coupons: pd.DataFrame, before: pd.DataFrame
) -> None:
    alone, nearly = _model(study, coupons, None), _model(study, coupons, Earlier(before, 1e-12))
    assert nearly.parameters > alone.parameters  # the earlier coupons' batches
    xi = np.random.default_rng(0).standard_normal((50, nearly.parameters))
    assert nearly.log_likelihood(xi) == pytest.approx(
        alone.log_likelihood(_own_part(alone, nearly, xi)), rel=1e-8, abs=1e-8
    )


@pytest.mark.parametrize("labels", ["one batch", "every coupon its own", "no label"])
def test_that_end_holds_whatever_batches_there_were(
    study: Study, coupons: pd.DataFrame, before: pd.DataFrame, labels: str
) -> None:
    own = {"one batch": 1, "every coupon its own": np.arange(len(coupons)), "no label": ""}[labels]
    frame = coupons.assign(cure_batch=own, press_batch=own)
    alone, nearly = _model(study, frame, None), _model(study, frame, Earlier(before, 1e-12))
    xi = np.random.default_rng(0).standard_normal((50, nearly.parameters))
    # without batches of its own the smaller model keeps none of the batch parameters
    part = np.concatenate([xi[:, : nearly.slices["batch_sd"].start]], axis=1)
    assert alone.parameters == part.shape[1]
    assert nearly.log_likelihood(xi) == pytest.approx(alone.log_likelihood(part), rel=1e-8, abs=1e-8)


def test_with_a_discount_of_one_the_coupons_are_pooled(
    study: Study, coupons: pd.DataFrame, before: pd.DataFrame
) -> None:
    own = coupons.assign(coupon=[f"R1-{i}" for i in range(len(coupons))])
    older = before.assign(coupon=[f"old-{i}" for i in range(len(before))])
    # names that sort last: the same batches stand in the same columns
    batches = {c: [f"old {label}" for label in older[c]] for c in ("cure_batch", "press_batch")}
    renamed = older.assign(**batches)
    one_frame = pd.concat([own, renamed], ignore_index=True)
    together = doe.fit(study, one_frame, seed=4, particles=120)
    discounted = doe.fit(study, own, seed=4, particles=120, earlier=Earlier(older, 1.0))
    assert discounted.draws.logit == pytest.approx(together.draws.logit, rel=1e-9)
    assert discounted.draws.hand == pytest.approx(together.draws.hand, rel=1e-9)
    assert discounted.log_evidence == pytest.approx(together.log_evidence)
    assert discounted.coupon_fit == pytest.approx(together.coupon_fit[:, : len(own)], rel=1e-7)


def test_between_the_ends_every_earlier_coupon_counts_for_its_power(
    study: Study, coupons: pd.DataFrame, before: pd.DataFrame
) -> None:
    # the slow way: a model of each study alone, each result multiplied by what it counts for
    own = coupons.drop(columns=["hand_ana", "hand_ben", "cure_batch", "press_batch"])
    older = before.drop(columns=["hand_ana", "hand_cleo", "cure_batch", "press_batch"])
    model = _model(study, own, Earlier(older, 0.3))
    xi = np.random.default_rng(1).standard_normal((5, model.parameters))
    for d in range(5):
        total = 0.0
        for frame, worth in ((own, 1.0), (older, 0.3)):
            for i in range(len(frame)):
                single = _model(study, frame.iloc[[i]], None)
                total += worth * float(single.log_likelihood(xi[[d]])[0])
        assert model.log_likelihood(xi)[d] == pytest.approx(total, rel=1e-9)


def test_the_draws_agree_with_weighting_the_draws_of_the_study_alone(study: Study) -> None:
    # With two coupons' worth of earlier results, weights exp(discount * log likelihood) on draws without them give the
    # same posterior. 4000 draws, of which more than a third stay effective: a mean is known to 0.025 sd each way.
    own, older = (
        known_coupons(study, n, seed=s).drop(columns=["cure_batch", "press_batch"]) for n, s in ((10, 1), (6, 2))
    )
    older = older.drop(columns=["hand_ana", "hand_ben"])
    alone = doe.fit(study, own, seed=1, particles=4000)
    used = doe.fit(study, own, seed=2, particles=4000, earlier=Earlier(older, 0.4))
    z = alone.scaling.z(read_results(study, older).settings)
    small = _model(study, older, None)
    eta = small.trial_error.average(alone.draws.eta(z), alone.draws.curve, alone.draws.peak).logit
    lapse, over = alone.draws.lapse[:, None], alone.draws.over_logit(z)
    assert set(older["side"]) <= {"", "under", "over"}
    sound, hot = 1 / (1 + np.exp(-eta)), 1 / (1 + np.exp(-over))
    wrong = alone.draws.wrong_side[:, None]
    named = np.where(older["side"] == "over", hot, 1 - hot)
    failed = 0.95 * (1 - lapse) * (1 - sound) * (named * (1 - wrong) + (1 - named) * wrong) + lapse * 0.1
    chance = np.where(older["passed"].to_numpy(), (1 - lapse) * sound, failed)
    weight = np.exp(0.4 * np.log(chance).sum(axis=1))
    assert used.log_evidence - alone.log_evidence == pytest.approx(np.log(weight.mean()), abs=0.25)
    weight /= weight.sum()
    assert 1 / (weight**2).sum() > 1300
    places = pd.DataFrame({f.name: [f.low, (f.low + f.high) / 2, f.high] for f in study.factors})
    expected = weight @ alone.pass_draws(places)
    spread = alone.pass_draws(places).std(axis=0)
    assert np.abs(used.pass_draws(places).mean(axis=0) - expected).max() < 5 * 0.04 * spread.max()


def test_the_more_earlier_coupons_count_the_surer_the_window(study: Study) -> None:
    own, older = known_coupons(study, 8, seed=1), known_coupons(study, 60, seed=2)
    at = pd.DataFrame(
        {f.name: [Scaling(study.factors).natural(np.full((1, 4), 0.1))[0, j]] for j, f in enumerate(study.factors)}
    )
    spreads = []
    for discount in (0.01, 0.3, 1.0):
        surfaces = doe.fit(study, own, seed=1, particles=300, earlier=Earlier(older, discount))
        spreads.append(float(surfaces.draws.peak[0].std(axis=0).mean()))
        assert surfaces.pass_draws(at).mean() > 0.5
    assert spreads == sorted(spreads, reverse=True)


def test_hand_feel_of_the_earlier_study_counts_too(study: Study, coupons: pd.DataFrame, before: pd.DataFrame) -> None:
    silent = coupons.drop(columns=["hand_ana", "hand_ben"])
    surfaces = doe.fit(study, silent, seed=1, particles=100, earlier=Earlier(before, 0.5))
    assert surfaces.has_hand
    assert surfaces.hand_draws(coupons) is not None


def test_offsets_of_people_end_at_those_of_each_study(coupons: pd.DataFrame, study: Study) -> None:
    harsh = known_coupons(study, 20, seed=9).assign(hand_dan=1.5)
    own = read_results(study, coupons)
    for discount, frame in ((1e-12, coupons), (1.0, pd.concat([coupons, harsh], ignore_index=True))):
        together, weights = pooled(own, read_earlier(study, Earlier(harsh, discount)))
        expected = mean_hand(read_results(study, frame)).offsets
        assert mean_hand(together, weights).offsets[: len(expected)] == pytest.approx(expected, abs=1e-9)


def test_the_fit_says_how_many_earlier_coupons_count_for_how_much(
    study: Study, coupons: pd.DataFrame, before: pd.DataFrame
) -> None:
    surfaces = doe.fit(study, coupons, particles=60, earlier=Earlier(before, 0.25))
    assert surfaces.earlier is not None
    assert (surfaces.earlier.coupons, surfaces.earlier.discount, surfaces.earlier.worth) == (20, 0.25, 5.0)
    said = words.said(study, surfaces.warnings)
    assert said[0] == "20 coupons of an earlier study count here too, each for 0.25 of a coupon."
    assert surfaces.results.coupons == len(coupons)
    assert surfaces.coupon_fit.shape == (60, len(coupons))
    assert len(surfaces.belief.p_left_out) == len(coupons)
    assert doe.fit(study, coupons, particles=60).earlier is None


def test_edges_that_only_the_earlier_coupons_saw_are_said_to_be_theirs(
    study: Study, coupons: pd.DataFrame, before: pd.DataFrame
) -> None:
    passed = coupons.assign(passed=True, side="")
    fitted = doe.fit(study, passed, particles=60, earlier=Earlier(before, 0.5))
    said = words.said(study, fitted.warnings)
    assert "Every coupon of this study passed: where the window lies and ends comes from the earlier coupons." in said
    assert not any("assumed" in text for text in said)
    all_passed = before.assign(passed=True, side="")
    fitted = doe.fit(study, passed, particles=60, earlier=Earlier(all_passed, 0.5))
    said = words.said(study, fitted.warnings)
    assert any(text.startswith("Every coupon passed: no edge") for text in said)


@pytest.mark.parametrize("discount", [0, -0.1, 1.01, float("nan"), float("inf")])
def test_a_discount_outside_its_range_is_refused(study: Study, coupons: pd.DataFrame, discount: float) -> None:
    with pytest.raises(doe.InputError, match="allowed: above 0 and up to 1"):
        doe.fit(study, coupons, earlier=Earlier(coupons, discount))


def test_an_earlier_study_without_scores_or_factors_is_refused(study: Study, coupons: pd.DataFrame) -> None:
    with pytest.raises(doe.InputError, match="earlier results: found no scored coupon"):
        doe.fit(study, coupons, earlier=Earlier(coupons.assign(passed=None), 0.5))
    with pytest.raises(doe.InputError, match="dwell"):
        doe.fit(study, coupons, earlier=Earlier(coupons.drop(columns=["dwell"]), 0.5))
