from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.results import read_results
from doe.practice.coupons import _SEEN, Habits, Scoring
from doe.practice.lines import SimulatedLine, make_line
from doe.symptoms.catalogue import side_of


def many(line: SimulatedLine, rows: int, **settings: float) -> pd.DataFrame:
    """Coupons of one setting, each its own batch and garment."""
    at = {f.name: (f.low + f.high) / 2 for f in line.study.numeric} | settings
    return pd.DataFrame([at]).loc[[0] * rows].reset_index(drop=True)


@pytest.fixture(scope="module")
def thermal(without_hand) -> SimulatedLine:
    return make_line("thermal", 11, without_hand)


def half_passing(line: SimulatedLine) -> dict[str, float]:
    """Settings at which about 60 of 100 coupons pass, some of the others failing each way."""
    rng = np.random.default_rng(2)
    columns = {f.name: rng.uniform(f.low, f.high, 400) for f in line.study.numeric}
    frame = pd.DataFrame(columns)
    row = frame.iloc[int(np.abs(line.robust_pass(frame) - 0.6).argmin())]
    return {str(k): float(v) for k, v in row.items()}


@pytest.mark.parametrize("kind", ["thermal", "smooth", "sharp", "wiggly"])
def test_passes_of_many_coupons_agree_with_the_truth(kind, without_hand):
    line = make_line(kind, 12, without_hand)
    coupons = many(line, 4000, **half_passing(line))
    expected = line.robust_pass(coupons.iloc[[0]])[0]
    # three standard errors of 4000 coupons (chance 0.3 %, at a fixed seed) and 0.012 for the nodes at a sharp wall
    assert line.run(coupons, 1)["passed"].mean() == pytest.approx(expected, abs=3 * 0.5 / 4000**0.5 + 0.012)


def test_sides_of_many_coupons_agree_with_the_truth(thermal):
    honest = replace(thermal, habits=replace(thermal.habits, unknown=0.0, wrong_side=0.0, lapse=0.03))
    coupons = many(honest, 4000, **half_passing(honest))
    side = honest.run(coupons, 1)["side"]
    rng = np.random.default_rng(1)
    real = coupons + rng.normal(size=coupons.shape) * [f.setting_sd for f in honest.study.numeric]
    for name, true in (("under", honest.true_under), ("over", honest.true_over), ("other", honest.true_other)):
        assert (side == name).mean() == pytest.approx(true(real).mean(), abs=3 * 0.5 * (2 / 4000) ** 0.5)


def test_some_sides_are_unknown_and_some_wrong_as_often_as_stated(thermal):
    cold = {f.name: f.low / 2 if f.scale == "log" else f.low - 50 for f in thermal.study.numeric}
    sloppy = replace(thermal, habits=Habits(unknown=0.2, wrong_side=0.1, lapse=0.0))
    side = sloppy.run(many(sloppy, 3000, **cold), 1)["side"]
    assert (side == "unknown").mean() == pytest.approx(0.2, abs=0.025)
    assert (side == "over").mean() == pytest.approx(0.1, abs=0.02)


def test_a_coupons_luck_does_not_depend_on_its_company(study):
    line, plan = make_line("smooth", 1, study), doe.make_plan(study, coupons=20, seed=4)
    whole = line.run(plan.coupons, 5)
    part = line.run(plan.coupons.iloc[[3, 11, 17]], 5)
    pd.testing.assert_frame_equal(part, whole.iloc[[3, 11, 17]].reset_index(drop=True), check_dtype=False)
    assert not whole["passed"].equals(line.run(plan.coupons, 6)["passed"])


def test_a_batch_shares_the_stated_part_of_the_setting_error(thermal):
    line = replace(thermal, habits=replace(thermal.habits, batch_share=0.6))
    coupons = many(line, 3000).assign(cure_batch=np.repeat(np.arange(1500), 2))
    made = line.run(coupons, 3, Scoring(measured=("cure_temp", "cure_time"), gauge_sd=0.0))
    error = (made["actual_cure_temp"] - made["cure_temp"]).to_numpy().reshape(-1, 2)
    assert error.std() == pytest.approx(4, rel=0.06)
    assert np.corrcoef(error.T)[0, 1] == pytest.approx(0.6, abs=0.06)
    time = (made["actual_cure_time"] - made["cure_time"]).to_numpy().reshape(-1, 2)
    assert np.corrcoef(time.T)[0, 1] == pytest.approx(0.0, abs=0.08)


def test_coupons_on_one_garment_pass_and_fail_together_more_often(without_hand):
    steady = replace(without_hand, factors=tuple(replace(f, setting_sd=0) for f in without_hand.factors))
    line = make_line("smooth", 2, steady)
    line = replace(line, habits=replace(line.habits, garment_share=0.8))
    coupons = many(line, 2000, **half_passing(line))

    def agreement(garment: np.ndarray) -> float:
        pairs = line.run(coupons.assign(garment=garment), 1)["passed"].to_numpy(dtype=float).reshape(-1, 2)
        return float(np.corrcoef(pairs.T)[0, 1])

    assert agreement(np.repeat(np.arange(1000), 2)) > 0.3
    assert abs(agreement(np.arange(2000))) < 0.1


def test_hand_is_in_half_steps_and_missing_only_when_nothing_transferred(study):
    line = make_line("smooth", 3, study)
    made = line.run(many(line, 400, **half_passing(line)), 1)
    hand = made[["hand_ana", "hand_ben"]]
    assert hand.isna().any(axis=1).equals(made["release"].eq(False))
    values = hand.to_numpy()
    assert np.isin(values[np.isfinite(values)], np.arange(1, 5.5, 0.5)).all()
    assert made["release"].eq(False).any()
    assert made["passed"].eq(False).sum() > made["release"].eq(False).sum()


def test_scorers_keep_their_bias_from_day_to_day(study):
    line = make_line("easy", 3, study)
    line = replace(line, habits=replace(line.habits, hand_bias_sd=0.8))
    at = {str(k): float(v) for k, v in line.best().settings.items()}
    gaps = []
    for seed in (1, 2):
        made = line.run(many(line, 500, **at), seed)
        gaps.append((made["hand_ana"] - made["hand_ben"]).mean())
    assert gaps[0] == pytest.approx(gaps[1], abs=0.1)


def test_washes_come_later_and_only_take_passes_away(study):
    line = make_line("smooth", 3, study)
    coupons = many(line, 400, **half_passing(line))
    rates = [line.run(coupons, 1, Scoring(washes=w)) for w in (0, 1, 5)]
    assert rates[0]["wash_1"].isna().all()
    assert rates[1]["wash_5"].isna().all()
    assert rates[2].equals(line.run(coupons, 1))
    for earlier, later in pairwise(rates):
        assert not (earlier["passed"].eq(False) & later["passed"].eq(True)).any()
        assert earlier["passed"].eq(True).sum() > later["passed"].eq(True).sum()
    waiting = rates[0]["passed"].eq(True) & rates[2]["passed"].eq(False)
    assert (rates[0].loc[waiting, "side"] == "").all()


def test_checks_stop_at_the_first_failure(study):
    line = make_line("smooth", 3, study)
    made = line.run(many(line, 300, **half_passing(line)), 1)
    checks = made[[c.name for c in study.spec.checks]]
    assert (checks.eq(False).sum(axis=1) == made["passed"].eq(False)).all()
    for _, row in checks.iterrows():
        seen = [v for v in row if v is not None]
        assert seen[:-1] == [True] * (len(seen) - 1)


def test_results_can_be_read_as_results(study):
    line, plan = make_line("unreachable", 1, study), doe.make_plan(study, coupons=20, seed=1)
    results = read_results(study, line.run(plan.coupons, 1, Scoring(measured=("press_temp",))))
    assert results.coupons == 20
    assert results.people == ("ana", "ben")
    assert results.measured["press_temp"].all()
    assert set(results.batches["garment"]) == {str(g) for g in plan.coupons["garment"]}


def test_symptoms_are_in_the_catalogue_and_say_the_recorded_side(study):
    for (side, machine), groups in _SEEN.items():
        for key in (k for group in groups for k in group):
            assert side_of([key]) in (side, "unknown"), (side, machine, key)
    line = make_line("sharp", 1, study)
    made = line.run(many(line, 300, **half_passing(line)), 1)
    assert ((made["symptom"] == "") == made["passed"].eq(True)).all()
    known = made[made["side"].isin(["under", "over", "other"])]
    assert all(side_of([k]) in (s, "unknown") for k, s in zip(known["symptom"], known["side"], strict=True))
