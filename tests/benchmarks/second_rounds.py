"""Which coupons to make next: the same first rounds, followed by a second one chosen in two ways.

Usage::

    python -m tests.benchmarks.second_rounds --lines 150 --first 7000

*Telling*: chosen by what they are expected to do to the verdict, as the tool does (`doe/setpoint/next_coupons.py`);
*Thompson*: all by Thompson draws. 12 or 20 coupons first, then 8 of which two are centre coupons. Seeds below 10000 are
for tuning choices such as this one. Both ways see the same lines, so differences are paired. Rightly decided is a line
called ready with a setpoint that truly reaches the target, or called not reachable where nothing reaches it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

import doe
from doe.plans.build import add_round
from doe.practice.lines import SimulatedLine, make_line
from doe.setpoint.next_coupons import choose_coupons, choose_next
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from tests.benchmarks.decision_case import true_rate, usual_study
from tests.benchmarks.results import LINE_KINDS, Figures, arguments, cell, mean, share, table, written

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


Pairs = list[dict[str, Ended]]

COMPARED: tuple[tuple[str, str, bool, Callable[[Ended], float | bool]], ...] = (
    # name in the JSON file, label, only lines where 0.97 is possible, figure of one line: a truth or an amount
    ("reached", "target truly reached (best >= 0.97)", True, lambda e: e.reached),
    ("mean_true", "mean true robust rate (same lines)", True, lambda e: e.true),
    ("bad", "truly below 0.80 (same lines)", True, lambda e: e.true < 0.80),
    ("bound", "lower bound held (same lines)", True, lambda e: e.true >= e.low),
    ("ready", "called ready (same lines)", True, lambda e: e.verdict == "ready"),
    ("right", "rightly decided, all lines", False, lambda e: e.right),
    ("wrong", "wrongly decided, all lines", False, lambda e: e.wrong),
    ("seconds", "processor seconds of the choice", False, lambda e: e.seconds),
)


AMOUNTS = ("mean_true", "seconds")


def report(found: Pairs) -> tuple[str, Figures]:
    """One row a figure: both ways, and the paired difference."""
    able = [pair for pair in found if pair[WAYS[0]].able]
    body, figures = [["lines (0.97 possible)", *[f"{len(found)} ({len(able)})"] * 2, ""]], {}
    for name, label, only_able, what in COMPARED:
        pairs = able if only_able else found
        values = [[float(what(pair[way])) for pair in pairs] for way in WAYS]
        change = mean(np.subtract(*values))
        each = [(mean if name in AMOUNTS else share)(v) for v in values]
        figures |= {f"{name}_telling": each[0][0], f"{name}_change": change[0], f"{name}_change_se": change[1]}
        body.append([label, *(cell(figure, 3) for figure in each), cell(change, 3)])
    for label, what in (
        ("of those called ready, truly below 0.90", lambda e: e.verdict == "ready" and e.true < 0.90),
        ("of the lines out of reach, called not reachable", lambda e: e.verdict == "not reachable" and e.best < TARGET),
    ):
        body.append([label, *(str(sum(what(pair[way]) for pair in found)) for way in WAYS), ""])
    body.append(["lines out of reach", *[str(sum(pair[WAYS[0]].best < TARGET for pair in found))] * 2, ""])
    return table(["", *WAYS, f"{WAYS[0]} minus {WAYS[1]}"], body), figures


def main() -> None:
    """Run and print."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=150)
    parser.add_argument("--first", type=int, default=7000)
    given = parser.parse_args()
    study = usual_study()
    every: Pairs = []
    cases = f"{given.lines} tuning lines, seeds {given.first} to {given.first + given.lines - 1}"
    with written(given, __file__, __doc__, cases=cases) as figures:
        for coupons in FIRST:
            seeds = range(given.first, given.first + given.lines)
            found = [two_rounds(study, make_line(LINE_KINDS[i % len(LINE_KINDS)], i, study), i, coupons) for i in seeds]
            every += found
            print(f"### {coupons} + {LATER} coupons\n\n{report(found)[0]}\n", flush=True)
        text, said = report(every)
        print(f"### Both, each line twice\n\n{text}")
        figures.update(said)


if __name__ == "__main__":
    main()
