"""Which coupons to make next? The same first rounds, followed by a second one chosen in two ways.

    python -m tests.benchmarks.second_rounds --lines 150 --first 7000

Chosen by what they are expected to do to the verdict, as the tool does (`doe/setpoint/next_coupons.py`), or all by
Thompson draws. 12 or 20 coupons first, then 8 of which two are centre coupons. Seeds below 10000 are for tuning choices
such as this one. Both ways see the same lines, so differences are paired. Rightly decided is a line called ready with a
setpoint that truly reaches the target, or called not reachable where nothing reaches it.
"""

# ruff: noqa: E402 - the number of threads must be known before NumPy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

import doe
from doe.plans.build import add_round
from doe.practice.lines import KINDS, SimulatedLine, make_line
from doe.setpoint.next_coupons import choose_coupons, choose_next
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from tests.benchmarks.decision_case import true_rate, usual_study

FIRST, LATER, CENTRES = (12, 20), 8, 2
WAYS = ("telling", "Thompson")
TARGET = 0.95


@dataclass(frozen=True)
class Ended:
    """One line after two rounds: truth and statement at the setpoint, verdict, seconds the choice took."""

    kind: str
    coupons: int
    best: float
    true: float
    low: float
    verdict: str
    seconds: float

    @property
    def able(self) -> bool:
        """Whether some setting is clearly good enough."""
        return self.best >= 0.97

    @property
    def reached(self) -> bool:
        """Whether the setpoint truly reaches the target."""
        return self.true >= TARGET

    @property
    def right(self) -> bool:
        """Whether it is rightly decided."""
        return (self.verdict == "ready" and self.reached) or (self.verdict == "not reachable" and self.best < TARGET)

    @property
    def wrong(self) -> bool:
        """Whether it is wrongly decided."""
        return (self.verdict == "ready" and not self.reached) or (
            self.verdict == "not reachable" and self.best >= TARGET
        )


def settings(way: str, rate: RobustRate, seed: int) -> pd.DataFrame:
    """Coupons of the second round, centres not counted."""
    found = find_setpoint(rate, rng=np.random.default_rng(seed))
    rng = np.random.default_rng(seed)  # both ways from the start of the same stream
    if way == "telling":
        return choose_coupons(rate, found, LATER - CENTRES, rng=rng)
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
            line.kind,
            coupons,
            line.best().robust_pass,
            true_rate(line, answer.setpoint),
            answer.pass_rate_low,
            answer.verdict,
            spent,
        )
    return ended


def report(found: list[dict[str, Ended]], title: str) -> str:
    """One line a way and the paired differences."""
    able = [pair for pair in found if pair[WAYS[0]].able]
    hopeless = [pair for pair in found if pair[WAYS[0]].best < TARGET]
    lines = [f"{title}: {len(found)} lines, {len(able)} of them where 0.97 is possible"]
    for way in WAYS:
        mine, every = [pair[way] for pair in able], [pair[way] for pair in found]
        true, low = np.array([e.true for e in mine]), np.array([e.low for e in mine])
        ready = np.array([e.verdict == "ready" for e in mine])
        called = sum(pair[way].verdict == "not reachable" for pair in hopeless)
        lines.append(
            f"  {way:8}: reached {np.mean(true >= TARGET):.3f}, mean true {true.mean():.4f}, below 0.80 "
            f"{np.mean(true < 0.80):.3f}, bound {low.mean():.3f} and held {np.mean(true >= low):.3f}, ready "
            f"{ready.mean():.3f} of which below 0.90 {int((true[ready] < 0.90).sum())}; unreachable so called {called} "
            f"of {len(hopeless)}; all lines: rightly decided {np.mean([e.right for e in every]):.3f}, wrongly "
            f"{np.mean([e.wrong for e in every]):.3f}; {np.mean([e.seconds for e in every]):.2f} s"
        )
    asked: tuple[tuple[str, list[dict[str, Ended]], Callable[[Ended], float]], ...] = (
        ("reached", able, lambda e: e.reached),
        ("mean true", able, lambda e: e.true),
        ("bound held", able, lambda e: e.true >= e.low),
        ("rightly decided", found, lambda e: e.right),
        ("wrongly decided", found, lambda e: e.wrong),
    )
    for name, pairs, what in asked:
        change = np.array([float(what(pair[WAYS[0]])) - float(what(pair[WAYS[1]])) for pair in pairs])
        lines.append(f"  {name}: {change.mean():+.4f} (standard error {change.std(ddof=1) / len(change) ** 0.5:.4f})")
    return "\n".join(lines)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=150)
    parser.add_argument("--first", type=int, default=7000)
    given = parser.parse_args()
    study, kinds = usual_study(), [k for k in KINDS if k != "borderline"]
    every: list[dict[str, Ended]] = []
    for coupons in FIRST:
        seeds = range(given.first, given.first + given.lines)
        found = [two_rounds(study, make_line(kinds[i % len(kinds)], i, study), i, coupons) for i in seeds]
        every += found
        print(report(found, f"{coupons} + {LATER} coupons"), flush=True)
    print(report(every, "both"))


if __name__ == "__main__":
    main()
