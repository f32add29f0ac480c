"""When a search step by step should end: every look of searches that go on to 40 coupons, and rules tried on them.

Usage::

    python -m tests.benchmarks.stopping --lines 216 --first 5000 --out looks.jsonl

Lines of the tuning families (`doe.practice.population`), by turns with checks alone on plain coupons, on graded ones,
and graded with hand-feel: 12, then 4 at a time where they tell most, to 40 without stopping. Each look keeps what the
answer said and what is true, so that any rule can be tried afterwards. A rule is named by the chance from which it says
*ready*, the chance below which it says *not reachable*, from how many coupons on each, and the latter at the end. A
search is worth 1 when it ends well (its setpoint truly reaches the target, or none does and it is not called ready),
-1 when it misleads (called ready below 0.90, or not reachable where 0.97 is possible), less 0.01 a coupon. Chosen: the
rule that is worth most, of those by which at most 0.02 of what is called ready is below 0.90 and at most 0.03 of lines
that can reach 0.97 are called not reachable, or which come nearest to that. Left out: the rule so chosen on all other
families, tried on the family that had no say. The tool's rule gives way only to one that is better there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import product
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

import doe
from doe.domain.coding import FloatArray
from doe.domain.stack import DEFAULT_LINE
from doe.domain.study import STEP_COUPONS
from doe.plans.build import add_round
from doe.practice.coupons import Scoring
from doe.practice.population.draw import FAMILIES
from doe.setpoint.next_coupons import choose_coupons
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from doe.setpoint.verdict import (
    OUT_OF_REACH,
    OUT_OF_REACH_GAP,
    READY_LOW_SHORTFALL,
    STEP_OUT_FROM,
    STEP_OUT_OF_REACH,
    STEP_READY,
    STEP_READY_FROM,
)
from tests.benchmarks.decision_case import FIRST_STEP, line_of, true_rate, warm_up
from tests.benchmarks.results import (
    Figures,
    Record,
    append_records,
    arguments,
    cell,
    commit_now,
    mean,
    read_records,
    share,
    table,
    tuning_only,
    written,
)

MOST, TARGET, POSSIBLE = 40, 0.95, 0.97
WAYS = ("checks", "graded", "graded, hand-feel")
WANTED_BELOW, WANTED_AWAY = 0.02, 0.03
"""Wanted shares: truly below 0.90 of those called ready, not reachable said where 0.97 is possible."""


def way_of(seed: int) -> str:
    """How the search of one line is scored; every family meets all ways."""
    return WAYS[seed // len(FAMILIES) % len(WAYS)]


def one(family: str, seed: int, commit: str) -> list[Record]:
    """Every look of one search that never stops before its budget is spent."""
    warm_up()
    way = way_of(seed)
    grades, hand = way != "checks", way == "graded, hand-feel"
    line = line_of(family, seed, hand=hand)
    study = replace(line.study, most_coupons=MOST, grades=grades)
    plan = doe.make_plan(study, coupons=FIRST_STEP, seed=seed)
    head = {"family": family, "seed": seed, "way": way, "best": line.best().robust_pass, "commit": commit}
    looks = []
    while True:
        results = line.run(plan.coupons, seed, Scoring(grades=grades))
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


@dataclass(frozen=True)
class Rule:
    """When a search ends.

    It is *ready* from this chance that the setpoint reaches the target and so many coupons on; *not reachable* below
    the other chance from so many on, and below the last at the end.
    """

    ready: float
    ready_from: float
    out: float
    out_from: float
    out_at_end: float

    def name(self) -> list[str]:
        """Its two halves in words."""
        return [
            f"{self.ready:.2f} from {self.ready_from:.0f}",
            f"{self.out:.2f} from {self.out_from:.0f}, {self.out_at_end:.2f} at the end",
        ]


IN_THE_TOOL = Rule(STEP_READY, STEP_READY_FROM, STEP_OUT_OF_REACH, STEP_OUT_FROM, OUT_OF_REACH)
TRIED: dict[str, tuple[float, ...]] = {
    "ready": (0.70, 0.75, 0.80, 0.85, 0.90),
    "ready_from": (12, 16, 20, 24),
    "out": (0.10, 0.20, 0.30),
    "out_from": (16, 20, 24),
    "out_at_end": (0.50, 0.40, 0.30, 0.20),
}
RULES = tuple(Rule(*rule) for rule in product(*TRIED.values()))
READY, OUT, OPEN = 1, -1, 0


class Searches:
    """Every look of many searches as arrays of shape (searches, looks)."""

    def __init__(self, records: Sequence[Record]) -> None:
        found: dict[int, list[Record]] = {}
        for record in sorted(records, key=lambda r: (r["seed"], r["made"])):
            found.setdefault(record["seed"], []).append(record)
        whole = [looks for looks in found.values() if looks[-1]["made"] >= MOST]
        self.family = np.array([looks[0]["family"] for looks in whole])
        self.way = np.array([looks[0]["way"] for looks in whole])
        self.best = np.array([looks[0]["best"] for looks in whole])
        self._of = {
            name: np.array([[look[name] for look in looks] for looks in whole])
            for name in ("made", "true", "pass_rate", "pass_rate_low", "p_target", "p_reachable", "best_pass_rate")
        }

    def __len__(self) -> int:
        return len(self.best)

    def end(self, rule: Rule) -> Ends:
        """How all of them end by a rule."""
        at = self._of
        made = at["made"]
        ready = (at["pass_rate"] >= TARGET) & (at["pass_rate_low"] >= TARGET - READY_LOW_SHORTFALL)
        ready &= (made >= rule.ready_from) & (at["p_target"] >= rule.ready)
        limit = np.where(made >= MOST, rule.out_at_end, np.where(made >= rule.out_from, rule.out, 0.0))
        out = ~ready & (at["best_pass_rate"] < TARGET - OUT_OF_REACH_GAP) & (at["p_reachable"] < limit)
        last = np.argmax(ready | out | (made >= MOST), axis=1)
        rows = np.arange(len(made))
        said = np.where(ready[rows, last], READY, np.where(out[rows, last], OUT, OPEN))
        return Ends(made[rows, last], at["true"][rows, last], said, self.best)

    def going_on(self) -> str:
        """What is reached with so many coupons, whatever is said on the way."""
        good = self.best >= POSSIBLE
        rows = [
            [str(made), cell(share(true >= TARGET)), cell(share(true < 0.80))]
            for made, true in zip(self._of["made"][0], self._of["true"][good].T, strict=True)
        ]
        return table(["coupons, never stopping", "true >= 0.95", "true < 0.80"], rows)


@dataclass(frozen=True)
class Ends:
    """How searches end: coupons, true rate at the setpoint, what is said, the best there is; all (searches,)."""

    made: FloatArray
    true: FloatArray
    said: NDArray[np.int_]
    best: FloatArray

    def part(self, those: NDArray[np.bool_]) -> Ends:
        """Those of some searches."""
        return Ends(self.made[those], self.true[those], self.said[those], self.best[those])

    @property
    def worth(self) -> FloatArray:
        """What each is worth."""
        misled = ((self.said == READY) & (self.true < 0.90)) | ((self.said == OUT) & (self.best >= POSSIBLE))
        well = (self.true >= TARGET) | ((self.best < TARGET) & (self.said != READY))
        return np.where(misled, -1.0, well) - self.made / 100

    @property
    def too_wrong(self) -> float:
        """By how much the shares that mislead are above what is wanted."""
        ready, good = self.said == READY, self.best >= POSSIBLE
        below = (self.true < 0.90)[ready].mean() if ready.any() else 0.0
        away = (self.said == OUT)[good].mean() if good.any() else 0.0
        return float(max(0.0, below - WANTED_BELOW) + max(0.0, away - WANTED_AWAY))

    def row(self) -> list[str]:
        """Cells of a table, see `HEAD`."""
        good, poor, ready = self.best >= POSSIBLE, self.best < TARGET, self.said == READY
        return [
            cell(mean(self.made), 1),
            cell(share((self.true >= TARGET)[good])),
            cell(share((self.true < 0.80)[good])),
            cell(share(ready[good])),
            cell(share((self.true < TARGET)[ready])),
            cell(share((self.true < 0.90)[ready])),
            cell(share((self.said == OUT)[poor])),
            cell(share((self.said == OUT)[good])),
            cell(mean(self.worth)),
        ]


HEAD = ["coupons", "true >= 0.95", "true < 0.80", "called ready", "ready, true < 0.95", "ready, true < 0.90"]
HEAD += ["not reachable where true", "where 0.97 is possible", "worth"]


def choose(ends: dict[Rule, Ends], those: NDArray[np.bool_]) -> Rule:
    """The rule that is worth most on some searches, of those that mislead no more often than is wanted there."""
    found = {rule: end.part(those) for rule, end in ends.items()}
    return max(found, key=lambda rule: (-round(found[rule].too_wrong, 6), found[rule].worth.mean()))


def left_out(searches: Searches, ends: dict[Rule, Ends]) -> str:
    """One row a family: the rule chosen without it, and what it and the tool's own rule lead to there."""
    rows, tried = [], []
    for family in FAMILIES:
        here = searches.family == family
        chosen = choose(ends, ~here)
        tried.append(ends[chosen].part(here))
        own = ends[IN_THE_TOOL].part(here)
        rows.append([family, str(here.sum()), *chosen.name(), cell(mean(tried[-1].worth)), cell(mean(own.worth))])
    pooled = Ends(*(np.concatenate([getattr(end, f.name) for end in tried]) for f in fields(Ends)))
    head = ["left out", "lines", "ready", "not reachable", "its worth here", "the tool's rule"]
    return f"{table(head, rows)}\n\n{table(['all left out in turn', *HEAD], [['', *pooled.row()]])}"


def told(records: Sequence[Record]) -> tuple[str, Figures]:
    """The tool's rule way by way, those that were better or near it, families left out, and what goes on to the end."""
    searches = Searches(records)
    ends = {rule: searches.end(rule) for rule in {IN_THE_TOOL, *RULES}}
    own, everywhere = ends[IN_THE_TOOL], np.ones(len(searches), dtype=bool)
    ways = [[way, *own.part(searches.way == way).row()] for way in WAYS]
    chosen = choose(ends, everywhere)
    near = [replace(chosen, **{name: value}) for name, values in TRIED.items() for value in values]
    rows = [[*rule.name(), *ends[rule].row()] for rule in dict.fromkeys((chosen, IN_THE_TOOL, *near))]
    figures = Figures(
        lines=float(len(searches)),
        coupons=float(own.made.mean()),
        ready=float((own.said == READY)[own.best >= POSSIBLE].mean()),
        ready_below_90=float((own.true < 0.90)[own.said == READY].mean()),
    )
    parts = (
        f"The tool's rule, {'; '.join(IN_THE_TOOL.name())}:",
        table(["scored", *HEAD], [*ways, ["all", *own.row()]]),
        f"Of {len(ends)} rules the one chosen, the tool's, and those that differ from the chosen one in one thing:",
        table(["ready", "not reachable", *HEAD], rows),
        left_out(searches, ends),
        searches.going_on(),
    )
    return "\n\n".join(parts), figures


def main() -> None:
    """Run what is missing, then try the rules."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=150)
    parser.add_argument("--first", type=int, default=5000)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    records = list(tuning_only(read_records(given.out)))
    done, families, commit = {r["seed"] for r in records}, list(FAMILIES), commit_now()
    seeds = range(given.first, given.first + given.lines)
    with written(given, __file__, __doc__, cases=f"{given.lines} lines, seeds {seeds[0]} to {seeds[-1]}") as figures:
        jobs = [(families[s % len(families)], s) for s in seeds if s not in done]
        parallel = Parallel(n_jobs=given.jobs, return_as="generator_unordered")
        for made in parallel(delayed(one)(*job, commit) for job in jobs):
            records += made
            append_records(given.out, made)
        text, found = told([r for r in records if r["seed"] in seeds])
        print(text)
        figures.update(found)


if __name__ == "__main__":
    main()
