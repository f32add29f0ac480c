"""Which kind of plan leads to the best decisions: the same lines of the population, planned in different ways.

Usage::

    python -m tests.benchmarks.plan_kinds --lines 160 --first 3000 --out kinds.jsonl

Lines are of the tuning families (`doe.practice.population`), their ranges 5 to 14 setting errors wide; seeds below
10000 are for choices such as this one. Every kind sees the same lines, so differences are paired. Checks alone are
wanted, one round; `steps` are searches step by step up to 40 graded coupons whose first 12 are of that kind.

``--tables`` writes what `auto` and `doe plan` read, `templates/tables/plan_decisions.toml`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

import doe
from doe.domain.stack import DEFAULT_LINE
from doe.plans.build import add_round
from doe.practice.coupons import DEFAULT_SCORING, Scoring
from doe.practice.lines import SimulatedLine
from doe.practice.population.draw import FAMILIES
from tests.benchmarks.decision_case import FIRST_STEP, line_of, true_rate, warm_up
from tests.benchmarks.results import (
    Record,
    append_records,
    arguments,
    commit_now,
    read_records,
)

FIRST = "optimal"
CASES: dict[int, tuple[str, ...]] = {
    12: (FIRST, "d-optimal", "spread", "half"),
    20: (FIRST, "d-optimal", "spread", "full"),
    28: (FIRST, "d-optimal", "spread", "composite"),
}
STEPS, MOST = ("half", "spread"), 40
NARROW = 9.0
"""Ranges of fewer setting errors than this (mean over settings) are called narrow."""


def width(study: doe.Study) -> float:
    """Mean width of a study's ranges in setting errors."""
    return float(np.mean([(f.high - f.low) / f.setting_sd for f in study.numeric]))


def one(family: str, seed: int, commit: str) -> list[Record]:
    """Every case of one line."""
    warm_up()
    line = line_of(family, seed, hand=False)
    study = line.study
    head = {"family": family, "seed": seed, "best": line.best().robust_pass, "width": width(study), "commit": commit}
    found = []
    for coupons, kinds in CASES.items():
        for kind in kinds:
            plan = doe.make_plan(study, coupons=coupons, kind=kind, seed=seed)
            results = line.run(plan.coupons, seed, DEFAULT_SCORING)
            answer = doe.recommend(study, doe.fit(study, results, seed=seed), seed=seed)
            found.append(head | {"coupons": coupons, "kind": kind} | _record(line, answer, len(results)))
    for kind in STEPS:
        found.append(head | {"coupons": MOST, "kind": f"steps, {kind}"} | _steps(line, kind, seed))
    return found


def _steps(line: SimulatedLine, kind: str, seed: int) -> Record:
    study = replace(line.study, most_coupons=MOST)
    plan = doe.make_plan(study, coupons=FIRST_STEP, kind=kind, seed=seed)
    while True:
        results = line.run(plan.coupons, seed, Scoring(grades=True))
        answer = doe.recommend(study, doe.fit(study, results, seed=seed), seed=seed)
        if answer.next_coupons.empty:
            return _record(line, answer, len(results))
        plan = add_round(plan, answer.next_coupons, seed=seed, line=DEFAULT_LINE, repeat_centre=False)


def _record(line: SimulatedLine, answer: doe.Answer, made: int) -> Record:
    return {
        "true": true_rate(line, answer.setpoint),
        "verdict": answer.verdict,
        "pass_rate": answer.pass_rate,
        "pass_rate_low": answer.pass_rate_low,
        "p_target": answer.p_target,
        "p_reachable": answer.p_reachable,
        "best_pass_rate": answer.best_pass_rate,
        "made": made,
    }


def main() -> None:
    """Run what is missing, then print."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=160)
    parser.add_argument("--first", type=int, default=3000)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    records = read_records(given.out)
    done, families, commit = {r["seed"] for r in records}, list(FAMILIES), commit_now()
    seeds = range(given.first, given.first + given.lines)
    jobs = [(families[s % len(families)], s) for s in seeds if s not in done]
    parallel = Parallel(n_jobs=given.jobs, return_as="generator_unordered")
    for made in parallel(delayed(one)(family, seed, commit) for family, seed in jobs):
        records += made
        append_records(given.out, made)


if __name__ == "__main__":
    main()
