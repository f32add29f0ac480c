"""Fitting few coupons: the contract of predictions, honest warnings, and odd sets of results."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.study import Study
from doe.surfaces.fitted import Surfaces
from doe.words.study import setpoint as words


@pytest.fixture(scope="module")
def surfaces(study: Study, coupons: pd.DataFrame) -> Surfaces:
    return doe.fit(study, coupons, seed=7)


def test_predict_gives_every_response_with_its_interval(surfaces: Surfaces, coupons: pd.DataFrame) -> None:
    predicted = surfaces.predict(coupons)
    names = [f"{r}{end}" for r in ("p_pass", "p_under", "p_over", "hand") for end in ("", "_low", "_high")]
    assert list(predicted.columns) == names
    for r in ("p_pass", "p_under", "p_over", "hand"):
        assert (predicted[f"{r}_low"] <= predicted[f"{r}_high"]).all()
    total = predicted["p_pass"] + predicted["p_under"] + predicted["p_over"] + surfaces.draws.lapse.mean()
    assert total.to_numpy() == pytest.approx(np.ones(len(coupons)))


def test_the_middle_of_a_known_window_is_predicted_better_than_its_edge(surfaces: Surfaces, study: Study) -> None:
    # the coupons were made with the peak at coded 0.1 in every factor
    middle = {f.name: [np.sqrt(f.low * f.high) if f.scale == "log" else (f.low + f.high) / 2] for f in study.factors}
    hot = {f.name: [f.high] for f in study.factors}
    assert surfaces.predict(pd.DataFrame(middle))["p_pass"][0] > 0.8
    assert surfaces.predict(pd.DataFrame(hot))["p_pass"][0] < 0.3
    cold = pd.DataFrame({f.name: [f.low] for f in study.factors})
    assert surfaces.predict(cold)["p_under"][0] > surfaces.predict(cold)["p_over"][0]


def test_the_same_seed_gives_the_same_fit_and_coupon_order_does_not_matter_much(
    study: Study, coupons: pd.DataFrame, surfaces: Surfaces
) -> None:
    again = doe.fit(study, coupons, seed=7)
    assert np.array_equal(again.draws.logit, surfaces.draws.logit)
    other = doe.fit(study, coupons.sample(frac=1, random_state=1), seed=7)
    gap = other.predict(coupons)["p_pass"] - surfaces.predict(coupons)["p_pass"]
    assert gap.abs().max() < 0.08  # only the draws differ: Monte Carlo noise of 600 of them


def test_measured_temperatures_replace_the_set_ones(study: Study, coupons: pd.DataFrame) -> None:
    frame = coupons.assign(actual_press_temp=coupons["press_temp"] - 5)
    results = doe.fit(study, frame, particles=100).results
    assert results.settings["press_temp"].to_numpy() == pytest.approx(coupons["press_temp"].to_numpy() - 5)
    assert results.measured["press_temp"].all()
    assert not results.measured["dwell"].any()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"passed": True, "side": ""}, "Every coupon passed"),
        ({"passed": False, "side": "under"}, "No coupon passed"),
        ({"hand_ana": np.nan, "hand_ben": np.nan}, "Hand-feel is in the spec but was not scored"),
    ],
)
def test_one_sided_results_are_fitted_and_said_to_be_so(
    study: Study, coupons: pd.DataFrame, change: dict[str, object], says: str
) -> None:
    surfaces = doe.fit(study, coupons.assign(**change), particles=200)
    assert any(says in warning for warning in words.said(study, surfaces.warnings))
    assert surfaces.predict(coupons)["p_pass"].between(0, 1).all()


def test_a_single_side_is_named(study: Study, coupons: pd.DataFrame) -> None:
    frame = coupons.copy()
    frame.loc[~frame["passed"], "side"] = "under"
    warnings = words.said(study, doe.fit(study, frame, particles=100).warnings)
    assert any("hot edge of the window is assumed" in w for w in warnings)


def test_one_coupon_is_fitted_and_said_to_be_little(study: Study, coupons: pd.DataFrame) -> None:
    surfaces = doe.fit(study, coupons.head(1), particles=200)
    assert any("Only 1 coupon scored" in w for w in words.said(study, surfaces.warnings))
    low, high = surfaces.predict(coupons)[["p_pass_low", "p_pass_high"]].iloc[5]
    assert high - low > 0.2


def test_no_scored_coupon_is_an_input_error(study: Study, coupons: pd.DataFrame) -> None:
    with pytest.raises(doe.InputError, match="at least one coupon with a pass/fail result"):
        doe.fit(study, coupons.assign(passed=None))


def test_every_bad_row_is_named_at_once(study: Study, coupons: pd.DataFrame) -> None:
    frame = coupons.astype({"dwell": object})
    frame.loc[2, "dwell"] = "long"
    frame.loc[4, "hand_ana"] = 6
    with pytest.raises(doe.InputError) as caught:
        doe.fit(study, frame)
    assert "row 3, dwell" in str(caught.value)
    assert "row 5, hand_ana: found 6; allowed: 1 to 5 in half steps" in str(caught.value)


def test_coupons_moved_together_are_said_to_be_inseparable(study: Study, coupons: pd.DataFrame) -> None:
    frame = coupons.copy()
    f, g = study.factor("cure_temp"), study.factor("cure_time")
    share = (frame["cure_temp"] - f.low) / (f.high - f.low)
    frame["cure_time"] = g.low * (g.high / g.low) ** share
    said = " ".join(words.said(study, doe.fit(study, frame, particles=200).belief.facts))
    assert "cannot separate cure time from cure temperature" in said


def test_a_real_window_beats_the_pass_share_and_noise_does_not(study: Study, coupons: pd.DataFrame) -> None:
    real = doe.fit(study, coupons, particles=400).belief
    rng = np.random.default_rng(5)
    noise = coupons.assign(passed=rng.permutation(coupons["passed"].to_numpy()), side="")
    noisy = doe.fit(study, noise.drop(columns=["hand_ana", "hand_ben"]), particles=400).belief
    assert real.score - real.score_no_factor > noisy.score - noisy.score_no_factor
    assert real.right > noisy.right


def test_leave_one_out_by_weights_agrees_with_refitting(study: Study, coupons: pd.DataFrame) -> None:
    frame = coupons.head(14).drop(columns=["cure_batch", "press_batch", "hand_ana", "hand_ben"])
    surfaces = doe.fit(study, frame, particles=1600)
    for left in (0, 5, 9):
        refit = doe.fit(study, frame.drop(index=left), particles=1600)
        direct = refit.predict(frame.iloc[[left]])["p_pass"].iloc[0]
        assert surfaces.belief.p_left_out[left] == pytest.approx(direct, abs=0.06)
