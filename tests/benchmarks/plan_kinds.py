"""Which kind of plan leads to the best setpoint? The same simulated lines, planned in different ways.

    python -m tests.benchmarks.plan_kinds --lines 105 --first 0

Seeds below 10000 are for tuning choices such as this one. Every kind sees the same lines, so differences are paired.
"""

# ruff: noqa: E402 - the number of threads must be known before NumPy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse

import numpy as np

import doe
from doe.practice.lines import KINDS, make_line
from tests.benchmarks.decision_case import true_rate, usual_study

CASES = {20: ("optimal", "d-optimal", "full"), 28: ("composite", "optimal", "d-optimal", "box-behnken")}


def run(lines: int, first: int) -> None:
    """Print one line a case: success where it is possible, mean true pass rate, bad answers."""
    study = usual_study()
    found: dict[tuple[int, str], list[float]] = {(n, kind): [] for n, kinds in CASES.items() for kind in kinds}
    best = []
    for i in range(first, first + lines):
        line = make_line(KINDS[i % len(KINDS)], i, study)
        best.append(line.best().robust_pass)
        for (coupons, kind), rates in found.items():
            plan = doe.make_plan(study, coupons=coupons, kind=kind, seed=i)
            answer = doe.recommend(study, doe.fit(study, line.run(plan.coupons, i), seed=i), seed=i)
            rates.append(true_rate(line, answer.setpoint))
    possible = np.array(best) >= 0.97
    print(f"{lines} lines from seed {first}, {possible.sum()} of them with a best robust pass rate of 0.97 or more")
    for (coupons, kind), rates in found.items():
        true = np.array(rates)[possible]
        reference = np.array(found[coupons, CASES[coupons][0]])[possible]
        change = true - reference
        print(
            f"{coupons} coupons, {kind:12}: target reached {np.mean(true >= 0.95):.2f}, mean true {true.mean():.3f}, "
            f"below 0.80 {np.mean(true < 0.80):.2f}; against {CASES[coupons][0]} "
            f"{change.mean():+.3f} (standard error {change.std() / len(change) ** 0.5:.3f})"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=int, default=105)
    parser.add_argument("--first", type=int, default=0)
    arguments = parser.parse_args()
    run(arguments.lines, arguments.first)
