"""When a search step by step should end: every look of searches that go on to 40 coupons, and rules tried on them.

Usage::

    python -m tests.benchmarks.stopping --lines 150 --first 5000 --out looks.jsonl

Lines of the tuning families (`doe.practice.population`), checks alone, graded coupons: 12, then 4 at a time where they
tell most, to 40 without stopping. Each look keeps what the answer said and what is true, so that any rule can be tried
afterwards. A rule is named by the chance above which it says *ready*, the chance below which it says *not reachable*,
and from how many coupons on each.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

import doe
from doe.domain.stack import DEFAULT_LINE
from doe.domain.study import STEP_COUPONS
from doe.plans.build import add_round
from doe.practice.coupons import Scoring
from doe.practice.population.draw import FAMILIES
from doe.setpoint.next_coupons import choose_coupons
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from tests.benchmarks.decision_case import FIRST_STEP, line_of, true_rate, warm_up
from tests.benchmarks.results import Record, append_records, arguments, commit_now, read_records

MOST = 40


def one(family: str, seed: int, commit: str) -> list[Record]:
    """Every look of one search that never stops before its budget is spent."""
    warm_up()
    line = line_of(family, seed, hand=False)
    study = replace(line.study, most_coupons=MOST)
    plan = doe.make_plan(study, coupons=FIRST_STEP, seed=seed)
    head = {"family": family, "seed": seed, "best": line.best().robust_pass, "commit": commit}
    looks = []
    while True:
        results = line.run(plan.coupons, seed, Scoring(grades=True))
        surfaces = doe.fit(study, results, seed=seed)
        answer = doe.recommend(study, surfaces, seed=seed)
        looks.append(
            head
            | {
                "made": len(results),
                "true": true_rate(line, answer.setpoint),
                "verdict": answer.verdict,
                "pass_rate": answer.pass_rate,
                "pass_rate_low": answer.pass_rate_low,
                "p_target": answer.p_target,
                "p_reachable": answer.p_reachable,
                "best_pass_rate": answer.best_pass_rate,
            }
        )
        if len(results) >= MOST:
            return looks
        following = answer.next_coupons
        if following.empty:
            rate, rng = RobustRate(study, surfaces), np.random.default_rng(seed)
            following = choose_coupons(rate, find_setpoint(rate, rng=rng), STEP_COUPONS, rng=rng)
        plan = add_round(plan, following, seed=seed, line=DEFAULT_LINE, repeat_centre=False)


def main() -> None:
    """Run what is missing."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=150)
    parser.add_argument("--first", type=int, default=5000)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    records = read_records(given.out)
    done, families, commit = {r["seed"] for r in records}, list(FAMILIES), commit_now()
    jobs = [(families[s % len(families)], s) for s in range(given.first, given.first + given.lines) if s not in done]
    for made in Parallel(n_jobs=given.jobs, return_as="generator_unordered")(delayed(one)(*j, commit) for j in jobs):
        records += made
        append_records(given.out, made)


if __name__ == "__main__":
    main()
