"""Which coupons to make next? The same first rounds, followed by a second one chosen in two ways.

    python tests/bench/second_rounds.py --lines 100 --first 5000

Chosen by what they are expected to do to the chance of meeting the target (`telling_coupons.py`), or by Thompson draws,
as the tool does (`doe/setpoint/next_coupons.py`). 12 or 20 coupons first, then 8 of which two are centre coupons. Seeds
below 10000 are for tuning choices such as this one. Both ways see the same lines, so differences are paired.
"""

# ruff: noqa: E402 - the number of threads must be known before NumPy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import time
from dataclasses import dataclass

import numpy as np
import pandas as pd
from decision_case import true_rate, usual_study
from telling_coupons import choose_telling

import doe
from doe.plans import add_round
from doe.practice import KINDS, SimulatedLine, make_line
from doe.setpoint.next_coupons import choose_next
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint

FIRST, LATER, CENTRES = (12, 20), 8, 2
WAYS = ("telling", "Thompson")


@dataclass(frozen=True)
class Ended:
    """One line after two rounds: truth and statement at the setpoint, verdict, seconds the choice took."""

    kind: str
    best: float
    true: float
    low: float
    verdict: str
    seconds: float


def settings(way: str, rate: RobustRate, seed: int) -> pd.DataFrame:
    """Coupons of the second round, centres not counted."""
    rng = np.random.default_rng(seed)
    found = find_setpoint(rate, rng=rng)
    if way == "telling":
        return choose_telling(rate, found, LATER - CENTRES, rng=rng)
    return choose_next(rate.study, found.best_at, LATER - CENTRES, rng=rng)


def two_rounds(study: doe.Study, line: SimulatedLine, seed: int, coupons: int) -> dict[str, Ended]:
    """Both ways on one line."""
    plan = doe.make_plan(study, coupons=coupons, seed=seed)
    rate = RobustRate(study, doe.fit(study, line.run(plan.coupons, seed), seed=seed))
    ended = {}
    for way in WAYS:
        started = time.process_time()
        chosen = settings(way, rate, seed)
        spent = time.process_time() - started
        longer = add_round(plan, chosen, seed=seed, repeat_centre=True)
        answer = doe.recommend(study, doe.fit(study, line.run(longer.coupons, seed), seed=seed), seed=seed)
        ended[way] = Ended(
            line.kind, line.best().robust_pass, true_rate(line, answer.setpoint), answer.pass_rate_low, answer.verdict,
            spent,
        )  # fmt: skip
    return ended


def report(found: list[dict[str, Ended]], coupons: int) -> str:
    """One line a way and the paired differences."""
    lines = []
    able = [pair for pair in found if pair[WAYS[0]].best >= 0.97]
    for way in WAYS:
        mine = [pair[way] for pair in able]
        true, low = np.array([e.true for e in mine]), np.array([e.low for e in mine])
        ready = np.array([e.verdict == "ready" for e in mine])
        lines.append(
            f"{coupons} + {LATER} coupons, {way:8}: reached {np.mean(true >= 0.95):.3f}, mean true {true.mean():.4f}, "
            f"below 0.80 {np.mean(true < 0.80):.3f}, bound {low.mean():.3f} and held {np.mean(true >= low):.3f}, ready "
            f"{ready.mean():.3f} of which below 0.90 {int((true[ready] < 0.90).sum())}, "
            f"{np.mean([e.seconds for e in mine]):.2f} s"
        )
    pairs = np.array([[pair[way].true for way in WAYS] for pair in able])
    for name, values in (("reached", (pairs >= 0.95).astype(float)), ("mean true", pairs)):
        change = values[:, 0] - values[:, 1]
        lines.append(f"  {name}: {change.mean():+.4f} (standard error {change.std() / len(change) ** 0.5:.4f})")
    return "\n".join(lines) + f"\n  {len(able)} lines of {len(found)} where 0.97 is possible"


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=100)
    parser.add_argument("--first", type=int, default=5000)
    given = parser.parse_args()
    study, kinds = usual_study(), [k for k in KINDS if k != "borderline"]
    for coupons in FIRST:
        seeds = range(given.first, given.first + given.lines)
        found = [two_rounds(study, make_line(kinds[i % len(kinds)], i, study), i, coupons) for i in seeds]
        print(report(found, coupons), flush=True)


if __name__ == "__main__":
    main()
