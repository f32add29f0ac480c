"""Classical checks beside the answer: what is fitted, what is left out and why."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.results import read_results
from doe.domain.study import Study
from doe.surfaces.checks import run_checks
from tests.shared import known_coupons


def _linear_hand(study: Study, coupons: int, seed: int) -> pd.DataFrame:
    """All coupons pass; hand-feel follows a known quadratic of coded settings, two people 0.5 apart."""
    from doe.domain.coding import code_frame

    frame = known_coupons(study, coupons, seed).assign(passed=True, side="")
    coded = code_frame(study.factors, frame)
    hand = 3.5 + 0.5 * coded[:, 0] - 0.5 * coded[:, 3] ** 2
    rng = np.random.default_rng(seed)
    for person, offset in (("ana", 0.25), ("ben", -0.25)):  # a dither keeps rounding to half steps unbiased
        frame[f"hand_{person}"] = np.round(2 * (hand + offset + rng.uniform(-0.25, 0.25, coupons))) / 2
    return frame


def test_the_hand_feel_quadratic_finds_known_terms_and_people(study: Study) -> None:
    checks = run_checks(study, read_results(study, _linear_hand(study, 60, seed=2)))
    assert checks.hand_kind == "quadratic"
    rows = checks.hand_model.coefficients.set_index("term")
    table = rows["estimate"]
    for term, truth in (("cure_temp", 0.5), ("dwell²", -0.5), ("cure_time", 0.0)):
        assert abs(table[term] - truth) < 3 * rows["se"][term]  # about 1 in 300 by chance; the seed is fixed
        assert rows["se"][term] < 0.15
    assert table["person ana"] == pytest.approx(0.25, abs=0.06)
    assert {"cure_batch", "press_batch"} <= set(checks.hand_model.components["component"])


def test_too_few_scores_fall_back_and_say_so(study: Study, coupons: pd.DataFrame) -> None:
    few = coupons[coupons["passed"]].head(9)
    checks = run_checks(study, read_results(study, few))
    assert checks.hand_kind == "main"
    assert any("main model was fitted instead" in note for note in checks.notes)
    none = run_checks(study, read_results(study, coupons.drop(columns=["hand_ana", "hand_ben"])))
    assert none.hand_model is None
    assert any("too few for a model" in note for note in none.notes)


def test_effects_come_from_corners_although_the_centre_is_rounded(study: Study) -> None:
    plan = doe.make_plan(study, coupons=20, kind="full", seed=1)
    frame = plan.coupons.assign(passed=True, side="")
    frame["hand_ana"] = np.where(frame["press_temp"] > 155, 4.5, 3.5)
    checks = run_checks(study, read_results(study, frame))
    effect = checks.effects.table.set_index("term")["effect"]
    assert effect["press_temp"] == pytest.approx(1.0)
    assert effect["dwell"] == pytest.approx(0.0, abs=1e-9)
    assert checks.curvature is not None
    assert checks.pass_effects is None  # every coupon passed: nothing to explain


def test_pass_effects_use_failed_coupons_too(study: Study) -> None:
    plan = doe.make_plan(study, coupons=20, kind="full", seed=1)
    frame = plan.coupons.assign(passed=lambda f: f["dwell"] > 10)
    frame["side"] = np.where(frame["passed"], "", "under")
    table = run_checks(study, read_results(study, frame)).pass_effects.table.set_index("term")["effect"]
    assert table["dwell"] == pytest.approx(1.0)


def test_the_logistic_quadratic_is_left_out_when_all_ended_alike(study: Study, coupons: pd.DataFrame) -> None:
    checks = run_checks(study, read_results(study, coupons.assign(passed=True, side="")))
    assert checks.firth is None
    assert any("ended alike" in note for note in checks.notes)
    assert doe.fit(study, coupons, particles=50).checks.firth is not None


def test_categorical_levels_enter_as_their_own_columns() -> None:
    names = ("press_temp", "dwell")
    study = Study("s", (*(doe.usual_factor(n) for n in names), doe.Factor("film", levels=("hot", "cold"))))
    rng = np.random.default_rng(0)
    frame = pd.DataFrame({"press_temp": rng.choice([140, 155, 170], 40), "dwell": rng.choice([8, 13, 20], 40)})
    frame["film"] = rng.choice(["hot", "cold"], 40)
    frame["passed"] = True
    frame["hand_ana"] = np.where(frame["film"] == "cold", 3.0, 4.0)
    checks = run_checks(study, read_results(study, frame))
    assert checks.hand_model.coefficients.set_index("term")["estimate"]["film cold"] == pytest.approx(-1.0, abs=1e-6)
    assert "film cold" in " ".join([checks.ordinal.problem, *checks.ordinal.coefficients["term"]])


def test_a_second_person_who_agrees_does_not_make_ordinal_scores_surer(study: Study) -> None:
    one = known_coupons(study, 60, seed=3).drop(columns="hand_ben")
    both = one.assign(hand_ben=one["hand_ana"])
    first, second = (run_checks(study, read_results(study, frame)).ordinal for frame in (one, both))
    assert not first.problem
    assert second.coefficients["se"].tolist() == pytest.approx(first.coefficients["se"].tolist())
    assert not any("person" in name for name in second.coefficients["term"])


def test_batches_that_are_not_recorded_are_said(study: Study, coupons: pd.DataFrame) -> None:
    coupons = coupons.assign(press_order=np.arange(1, len(coupons) + 1))
    known = run_checks(study, read_results(study, coupons))
    assert known.drift.batches == ("cure_batch", "press_batch")
    assert not any("on record" in note for note in known.notes)
    blank = run_checks(study, read_results(study, coupons.drop(columns="press_batch")))
    assert blank.drift.batches == ("cure_batch",)
    assert any("has its press batch on record" in note for note in blank.notes)
    none = run_checks(study, read_results(study, coupons.drop(columns=["press_batch", "cure_batch"])))
    assert none.drift.batches == ()
    assert "errors that a whole batch shares are not counted" in none.drift.note
