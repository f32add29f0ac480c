"""When a search step by step should end: every look of searches that go on to 40 coupons, and rules tried on them.

Usage::

    python -m tests.benchmarks.stopping --lines 150 --first 5000 --out looks.jsonl

Lines of the tuning families (`doe.practice.population`), checks alone, graded coupons: 12, then 4 at a time where they
tell most, to 40 without stopping. Each look keeps what the answer said and what is true, so that any rule can be tried
afterwards. A rule is named by the chance above which it says *ready*, the chance below which it says *not reachable*,
and from how many coupons on each. Left out: the rule that is worth most on all other families, tried on the family
that had no say. A search is worth 1 when it ends well (its setpoint truly reaches the target, or none does and it is
not called ready), -1 when it misleads (called ready below 0.90, or not reachable where 0.97 is possible), less 0.01 a
coupon.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

import doe
from doe.domain.stack import DEFAULT_LINE
from doe.domain.study import STEP_COUPONS
from doe.plans.build import add_round
from doe.practice.coupons import Scoring
from doe.practice.population.draw import FAMILIES
from doe.setpoint.chances import said_chance, share_of_draws
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
from tests.benchmarks.decision_case import FIRST_STEP, line_of, true_rate, usual_study, warm_up
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
                "share_target": share_of_draws(study, answer.p_target, "setpoint reaches"),
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
    """A rule: chance and coupons from which it is *ready*, the same for *not reachable*, that chance at the end."""

    ready: float
    ready_from: int
    out: float
    out_from: int
    out_at_end: float

    def ends(self, look: Record) -> str:
        """What the search says at this look; empty where it goes on."""
        reached, reachable = look["p_target"], look["p_reachable"]
        holds = look["pass_rate"] >= TARGET and look["pass_rate_low"] >= TARGET - READY_LOW_SHORTFALL
        is_last = look["made"] >= MOST
        if holds and look["made"] >= self.ready_from and reached >= self.ready:
            return "ready"
        limit = self.out_at_end if is_last else self.out if look["made"] >= self.out_from else 0.0
        if look["best_pass_rate"] < TARGET - OUT_OF_REACH_GAP and reachable < limit:
            return "not reachable"
        return "more coupons" if is_last else ""


IN_THE_TOOL = Rule(STEP_READY, STEP_READY_FROM, STEP_OUT_OF_REACH, STEP_OUT_FROM, OUT_OF_REACH)
RULES = (
    IN_THE_TOOL,
    replace(IN_THE_TOOL, ready=0.87),
    replace(IN_THE_TOOL, ready=0.85, ready_from=20),
    replace(IN_THE_TOOL, ready=0.90),
    replace(IN_THE_TOOL, out=0.10, out_from=24),
    replace(IN_THE_TOOL, out=0.30),
    replace(IN_THE_TOOL, ready=0.87, out=0.55, out_at_end=0.55),
)


def chances(record: Record) -> Record:
    """A look with its chances; looks from before chances were moved hold shares of draws."""
    if "share_target" in record:
        return record
    study = usual_study()
    study = replace(study, spec=replace(study.spec, hand_min=None))
    reached = float(said_chance(study, record["p_target"], "setpoint reaches"))
    reachable = float(said_chance(study, record["p_reachable"], "any reaches"))
    return record | {"p_target": reached, "p_reachable": reachable}


def worth(look: Record, said: str) -> float:
    """What a search that ends like this is worth."""
    if (said == "ready" and look["true"] < 0.90) or (said == "not reachable" and look["best"] >= POSSIBLE):
        return -1.0 - float(look["made"]) / 100
    ends_well = look["true"] >= TARGET or (look["best"] < TARGET and said != "ready")
    return float(ends_well) - float(look["made"]) / 100


def left_out(ends: dict[Rule, list[tuple[Record, str]]]) -> str:
    """One row a family: the rule chosen without it, and what it and the tool's own rule are worth there."""
    rows = []
    for family in FAMILIES:
        value = {
            rule: np.mean([worth(*end) for end in found if end[0]["family"] != family]) for rule, found in ends.items()
        }
        chosen = max(value, key=lambda rule: value[rule])
        here = [
            np.array([worth(*end) for end in ends[rule] if end[0]["family"] == family])
            for rule in (chosen, IN_THE_TOOL)
        ]
        name = f"{chosen.ready:.2f} from {chosen.ready_from}; {chosen.out:.2f} from {chosen.out_from}"
        rows.append([family, str(len(here[0])), name, *(cell(mean(found)) for found in here)])
    return table(["left out", "lines", "rule chosen on the others", "its worth here", "the tool's rule"], rows)


def told(records: Sequence[Record]) -> tuple[str, Figures]:
    """One row a rule, and what goes on to 40 coupons."""
    searches: dict[int, list[Record]] = {}
    for record in sorted(map(chances, records), key=lambda r: (r["seed"], r["made"])):
        searches.setdefault(record["seed"], []).append(record)
    rows, figures = [], Figures(lines=float(len(searches)))
    every = {
        rule: [next((look, said) for look in looks if (said := rule.ends(look))) for looks in searches.values()]
        for rule in RULES
    }
    for rule, ends in every.items():
        good = [(look, said) for look, said in ends if look["best"] >= POSSIBLE]
        poor = [(look, said) for look, said in ends if look["best"] < TARGET]
        called = [look for look, said in ends if said == "ready"]
        rows.append(
            [
                f"{rule.ready:.2f} from {rule.ready_from}",
                f"{rule.out:.2f} from {rule.out_from}, {rule.out_at_end:.2f} at the end",
                cell(mean(np.array([look["made"] for look, _ in ends])), 1),
                cell(share(np.array([look["true"] >= TARGET for look, _ in good]))),
                cell(share(np.array([look["true"] < 0.80 for look, _ in good]))),
                cell(share(np.array([said == "ready" for _, said in good]))),
                cell(share(np.array([look["true"] < TARGET for look in called]))),
                cell(share(np.array([look["true"] < 0.90 for look in called]))),
                cell(share(np.array([said == "not reachable" for _, said in poor]))),
                cell(share(np.array([said == "not reachable" for _, said in good]))),
            ]
        )
        if rule is IN_THE_TOOL:
            figures["coupons"] = float(np.mean([look["made"] for look, _ in ends]))
            figures["ready"] = float(np.mean([said == "ready" for _, said in good]))
    head = ["ready", "not reachable", "coupons", "true >= 0.95", "true < 0.80", "called ready", "ready, true < 0.95"]
    head += ["ready, true < 0.90", "not reachable where true", "where 0.97 is possible"]
    looks = [
        [
            str(made),
            cell(share(np.array([r["true"] >= TARGET for r in at]))),
            cell(share(np.array([r["true"] < 0.80 for r in at]))),
        ]
        for made in range(FIRST_STEP, MOST + 1, STEP_COUPONS)
        if (at := [r for looks in searches.values() for r in looks if r["made"] == made and r["best"] >= POSSIBLE])
    ]
    going_on = table(["coupons, never stopping", "true >= 0.95", "true < 0.80"], looks)
    return f"{table(head, rows)}\n\n{left_out(every)}\n\n{going_on}", figures


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
