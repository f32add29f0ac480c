"""One simulated line: plan, make coupons, fit, recommend, and hold the answer against the truth."""

from __future__ import annotations

import time
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
from scipy.stats import qmc

import doe
from doe.domain.finding import Finding
from doe.domain.stack import DEFAULT_LINE
from doe.plans.build import add_round
from doe.practice.coupons import DEFAULT_SCORING, Scoring, lean
from doe.practice.lines import SimulatedLine, make_line
from doe.practice.materials import CLOTHS, POWDERS
from doe.practice.population.draw import FAMILIES, draw_line
from doe.practice.world import workshop_line
from doe.setpoint.answer import Window
from doe.setpoint.chances import HAND_LOWER, lower_hand, said_chance, share_of_draws
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from doe.setpoint.verdict import Chance, Gaps, judge
from tests.benchmarks.baselines import best_coupon, one_factor_at_a_time
from tests.benchmarks.decision_baselines import FITS, claim
from tests.benchmarks.locked_families import LOCKED, locked_hand
from tests.benchmarks.population import draw_study
from tests.benchmarks.results import LINE_KINDS, Record

WORKSHOP = "workshop"
WORLDS: dict[str, tuple[str, ...]] = {
    "kinds": LINE_KINDS,
    "tuning": tuple(FAMILIES),
    "locked": tuple(LOCKED),
}
"""Lines by world: the kinds of `doe.practice.make_line` over the usual ranges; the families of the population on which
choices may be made, and those on which none may, each over ranges of its own."""
STEPWISE = 9
"""Stands for the number of rounds of a case that goes step by step; its coupons are the most that it may make."""
FIRST_STEP = 12
"""Coupons that a search step by step begins with."""
LEAST_FIRST = 10
"""Coupons that a first round of four factors needs at least."""

BATCH_COLUMNS = ["cure_batch", "press_batch"]
OVEN_ERRORS: dict[str, float | None] = {"usual": None, "whole": 1.0}
"""Share of a temperature's error variance that a batch has in common: what the line's shop has, or all of it."""


def usual_study() -> doe.Study:
    """The usual four factors over the usual ranges; default spec."""
    return doe.Study(
        name="benchmark",
        factors=(
            doe.Factor("cure_temp", "degC", low=110, high=140, setting_sd=4, hard_to_change=True),
            doe.Factor("cure_time", "s", low=90, high=210, setting_sd=5, scale="log"),
            doe.Factor("press_temp", "degC", low=140, high=170, setting_sd=5, hard_to_change=True),
            doe.Factor("dwell", "s", low=8, high=20, setting_sd=1, scale="log"),
        ),
        spec=doe.Spec(pass_rate=0.95, hand_min=3.5, assurance=0.90),
    )


def line_of(kind: str, seed: int, *, hand: bool = True) -> SimulatedLine:
    """A line of a kind or family, with its study; ``workshop`` is one of the practice world, cloth and powder drawn.

    ``hand``: whether the spec asks for a hand-feel of 3.5.
    """
    if kind in FAMILIES or kind in LOCKED:
        study = draw_study(seed, hand_min=3.5 if hand else None)
        if kind in LOCKED:
            return draw_line(kind, seed, study, families=LOCKED, hands=locked_hand)
        return draw_line(kind, seed, study)
    study = usual_study()
    if not hand:
        study = replace(study, spec=replace(study.spec, hand_min=None))
    if kind != WORKSHOP:
        return make_line(kind, seed, study)
    rng = np.random.default_rng([seed, 41])
    return workshop_line(CLOTHS[rng.integers(len(CLOTHS))], POWDERS[rng.integers(len(POWDERS))], seed, study)


def second_round(coupons: int) -> int:
    """Coupons kept for a second round: 8, or a third of the budget if less, or what a first round leaves."""
    return min(8, coupons // 3, coupons - LEAST_FIRST)


def true_rate(line: SimulatedLine, setpoint: Mapping[str, float | str]) -> float:
    """True robust pass rate at one setpoint."""
    return float(line.robust_pass(pd.DataFrame([dict(setpoint)]))[0])


def true_hand(line: SimulatedLine, setpoint: Mapping[str, float | str]) -> float:
    """True mean hand-feel at one setpoint, on the scale of the people who score: their own lean is in it."""
    there = line.true_hand(pd.DataFrame([dict(setpoint)]))[0]
    return float(np.clip(there + np.mean([lean(line, person) for person in DEFAULT_SCORING.people]), 1, 5))


def share_below(line: SimulatedLine, window: Window | None, setpoint: Mapping[str, float | str]) -> float | None:
    """Share of a window's volume where the true robust pass rate is below target; None without a window."""
    if window is None:
        return None
    bounds = window.bounds
    unit = qmc.Sobol(len(bounds), rng=5).random(128)
    inside = bounds["low"].to_numpy() + unit * (bounds["high"] - bounds["low"]).to_numpy()
    frame = pd.DataFrame(inside, columns=list(bounds.index))
    for f in line.study.categorical:
        frame[f.name] = setpoint[f.name]
    return float((line.robust_pass(frame, nodes=128) < line.study.spec.pass_rate).mean())


def run_line(
    kind: str, seed: int, cases: Sequence[tuple[int, int]], *, baselines: bool, hand: bool = True, grades: bool = False
) -> list[Record]:
    """All cases (coupons, rounds) of one line, each a record that JSON takes.

    A case that raises is a record with ``error``: it is counted, never dropped.
    """
    line = line_of(kind, seed, hand=hand)
    study = replace(line.study, grades=grades)
    best = line.best()
    records = []
    for coupons, rounds in cases:
        record: Record = {
            "kind": kind,
            "seed": seed,
            "coupons": coupons,
            "rounds": rounds,
            "best": best.robust_pass,
            "target": study.spec.pass_rate,
        }
        try:
            how = Scoring(grades=grades)
            if rounds == STEPWISE:
                record |= _steps(study, line, coupons, seed, how)
            else:
                record |= _case(study, line, coupons, rounds, seed, how, baselines=baselines)
        except Exception:
            record["error"] = traceback.format_exc()
        records.append(record)
    return records


def _steps(study: doe.Study, line: SimulatedLine, most: int, seed: int, how: Scoring) -> Record:
    """A search step by step until its verdict stands or the most coupons are made."""
    study = replace(study, most_coupons=most)
    plan = doe.make_plan(study, coupons=FIRST_STEP, seed=seed)
    while True:
        results = line.run(plan.coupons, seed, how)
        start = time.process_time()
        surfaces = doe.fit(study, results, seed=seed)
        fitted = time.process_time()
        answer = doe.recommend(study, surfaces, seed=seed)
        spent = fitted - start, time.process_time() - fitted
        if answer.next_coupons.empty:
            return _record(line, study, results, answer) | {"fit_s": spent[0], "recommend_s": spent[1]}
        plan = add_round(plan, answer.next_coupons, seed=seed, line=DEFAULT_LINE, repeat_centre=False)


def _case(
    study: doe.Study,
    line: SimulatedLine,
    coupons: int,
    rounds: int,
    seed: int,
    how: Scoring,
    *,
    baselines: bool,
) -> Record:
    later = second_round(coupons) if rounds == 2 else 0
    plan = doe.make_plan(study, coupons=coupons - later, seed=seed)
    results = line.run(plan.coupons, seed, how)
    first_verdict = None
    if later:
        surfaces = doe.fit(study, results, seed=seed)
        first_verdict = doe.recommend(study, surfaces, seed=seed).verdict
        plan = doe.extend_plan(study, plan, surfaces, coupons=later, seed=seed)
        results = line.run(plan.coupons, seed, how)
    start = time.process_time()  # one thread: what it takes on a core of its own, however busy the machine is
    surfaces = doe.fit(study, results, seed=seed)
    fitted = time.process_time()
    answer = doe.recommend(study, surfaces, seed=seed)
    done = time.process_time()
    record = _record(line, study, results, answer) | {
        "first_verdict": first_verdict,
        "fit_s": fitted - start,
        "recommend_s": done - fitted,
    }
    return record | (usual_ways(study, line, results, coupons, seed) if baselines else {})


def of_draws(hand: float, hand_low: float) -> float:
    """The lower limit of the draws behind the one that is said."""
    return hand - (hand - hand_low) / HAND_LOWER


def _record(line: SimulatedLine, study: doe.Study, results: pd.DataFrame, answer: doe.Answer) -> Record:
    """An answer beside the truth."""
    limits = {f.code for f in answer.limits_on_certainty if isinstance(f, Finding)}
    return {
        "made": len(results),
        "passed": int(results["passed"].sum()),
        "setpoint": dict(answer.setpoint),
        "true": true_rate(line, answer.setpoint),
        "pass_rate": answer.pass_rate,
        "pass_rate_low": answer.pass_rate_low,
        "verdict": answer.verdict,
        "at_odds": "contradicted" in limits,
        "doubts": sorted({"predicts_alike", "predicts_worse", "too_mixed"} & limits),
        "p_target": answer.p_target,
        "p_reachable": answer.p_reachable,
        "share_target": share_of_draws(study, answer.p_target, "setpoint reaches"),
        "share_reachable": share_of_draws(study, answer.p_reachable, "any reaches"),
        "best_pass_rate": answer.best_pass_rate,
        "window_flat": None if answer.window is None else bool((answer.window.bounds.diff(axis=1)["high"] <= 0).any()),
        "window_below": share_below(line, answer.window, answer.setpoint),
        "assured_below": share_below(line, answer.assured_window, answer.setpoint),
        "hand": answer.hand,
        "hand_low": answer.hand_low,
        "hand_low_of_draws": None if answer.hand is None else of_draws(answer.hand, answer.hand_low or answer.hand),
        "hand_high": answer.hand_high,
        "hand_true": true_hand(line, answer.setpoint),
    }


def usual_ways(study: doe.Study, line: SimulatedLine, results: pd.DataFrame, coupons: int, seed: int) -> Record:
    """True rate at the setpoint of each usual way with as many coupons, and what it claims."""
    truth = {"best coupon of the plan": true_rate(line, best_coupon(study, results))}
    claimed = {}
    truth["one factor at a time"] = true_rate(line, one_factor_at_a_time(line, coupons, seed).setpoint)
    for name in FITS:
        said = claim(study, results, name)
        truth[name], claimed[name] = true_rate(line, said.setpoint), said.pass_rate
    return {"baselines": truth, "claims": claimed}


def judged(record: Record, *, hand: bool = True, grades: bool = False) -> Record:
    """A record with its verdict by today's thresholds; a round's first verdict, which chose coupons, stays."""
    if "verdict" not in record:
        return record
    # every coupon of a plan lies in the region, so nothing stands against "ready"
    most = record["coupons"] if record["rounds"] == STEPWISE else None
    study = replace(usual_study(), most_coupons=most, grades=grades)
    if not hand:
        study = replace(study, spec=replace(study.spec, hand_min=None))
    # records from before chances were moved hold the shares of draws as chances
    reached, reachable = (record.get(f"share_{name}", record[f"p_{name}"]) for name in ("target", "reachable"))
    chance = Chance(
        float(said_chance(study, reached, "setpoint reaches")),
        float(said_chance(study, reachable, "any reaches")),
        record["best_pass_rate"],
    )
    said = judge(study, chance, record["pass_rate"], record["pass_rate_low"], coupons=record["made"])
    said = Gaps(at_odds=("some coupon",) * record.get("at_odds", False)).hold_back(said)
    shares = {"share_target": reached, "share_reachable": reachable}
    if record.get("hand") is not None and "hand_low_of_draws" not in record:
        shares["hand_low_of_draws"] = record["hand_low"]
        record = record | {"hand_low": lower_hand(record["hand"], record["hand_low"])}
    return record | shares | {"verdict": said, "p_target": chance.p_target, "p_reachable": chance.p_reachable}


def run_oven(kind: str, seed: int, coupons: Sequence[int]) -> list[Record]:
    """The same coupons fitted with and without batch errors, for each of `OVEN_ERRORS`; records that JSON takes.

    ``rounds`` is 0 in these records: they are no case of the main table.
    """
    study = usual_study()
    usual = make_line(kind, seed, study)
    best = usual.best().robust_pass
    records = []
    for count in coupons:
        record: Record = {
            "kind": kind,
            "seed": seed,
            "coupons": count,
            "rounds": 0,
            "best": best,
            "target": study.spec.pass_rate,
        }
        try:
            plan = doe.make_plan(study, coupons=count, seed=seed)
            for name, share in OVEN_ERRORS.items():
                habits = usual.habits if share is None else replace(usual.habits, batch_share=share)
                made = replace(usual, habits=habits).run(plan.coupons, seed)
                record[name] = {
                    "with": _bound(study, usual, made, seed),
                    "without": _bound(study, usual, made.drop(columns=BATCH_COLUMNS), seed),
                }
        except Exception:
            record["error"] = traceback.format_exc()
        records.append(record)
    return records


def _bound(study: doe.Study, line: SimulatedLine, results: pd.DataFrame, seed: int) -> Record:
    """What a fit states at its setpoint, and what is true there; as `doe.recommend` finds and states it."""
    rate = RobustRate(study, doe.fit(study, results, seed=seed))
    found = find_setpoint(rate, rng=np.random.default_rng(seed))
    low = float(np.quantile(found.rates, 1 - study.spec.assurance))
    true = float(line.robust_pass(found.setpoint)[0])
    return {"true": true, "pass_rate": float(found.rates.mean()), "pass_rate_low": low}


@cache
def warm_up() -> None:
    """Import and fill what is filled once a process, so that the seconds are those of a running tool."""
    study = usual_study()
    results = make_line("easy", 0, study).run(doe.make_plan(study, coupons=12).coupons, 0)
    doe.recommend(study, doe.fit(study, results))
