"""What a setpoint and the next coupons are chosen by, on families that had no say.

Usage::

    python -m tests.benchmarks.criteria --lines 126 --first 4800 --out criteria.jsonl --write

Lines of the tuning families (`doe.practice.population`), checks alone, 20 coupons of the tool's own plan. From the same
draws the setpoint is searched by several criteria; a line is worth 1 where the setpoint truly reaches the target, and
only lines where 0.97 is possible are asked. Then eight more coupons, of which different shares are chosen by what they
tell (`doe/setpoint/next_coupons.py`, the others by Thompson draws), and a new answer; a line is worth 1 where that is
rightly decided (called ready, and truly reaching the target; called not reachable, and nothing does), -4 where it
misleads (called ready and truly below 0.90; called not reachable where 0.97 is possible), else 0. Each family is judged
with the way that all others would choose. Answers are appended to ``--out`` line by line; started again with the same
file, only what is missing is run.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

import doe
from doe.plans.build import add_round
from doe.setpoint import next_coupons, search
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from tests.benchmarks.decision_case import WORLDS, line_of, true_rate, warm_up
from tests.benchmarks.results import (
    Figures,
    Record,
    append_records,
    arguments,
    cell,
    commit_now,
    made_at,
    mean,
    read_records,
    share,
    table,
    tuning_only,
    written,
)

FloatArray = NDArray[np.float64]
COUPONS, LATER, CENTRES = 20, 8, 2
POSSIBLE, LEAST, WRONG = 0.97, 0.90, -4.0

Merit = Callable[[doe.Study, FloatArray], FloatArray]


in_the_tool = search.merit


def chance(width: float) -> Merit:
    """The tool's criterion, the target reached more or less sharply."""

    def merit(study: doe.Study, rates: FloatArray) -> FloatArray:
        with patch.object(search, "SHARP", width):
            return in_the_tool(study, rates)

    return merit


def least(study: doe.Study, rates: FloatArray) -> FloatArray:
    """The rate's lower quantile."""
    return np.asarray(np.quantile(rates, 1 - study.spec.assurance, axis=0))


def expected(study: doe.Study, rates: FloatArray) -> FloatArray:
    """The expected rate."""
    return np.asarray(rates.mean(axis=0))


SETPOINT: Mapping[str, Merit] = {
    "chance of the target, smooth (the tool)": chance(search.SHARP),
    "the same, sharp": chance(search.SHARP / 4),
    "the same, smoother": chance(search.SHARP * 4),
    "lower quantile of the rate": least,
    "expected rate": expected,
}
TOLD: Mapping[str, float] = {
    "two thirds (the tool)": next_coupons.TOLD,
    "none": 0.0,
    "one third": 1 / 3,
    "all": 1.0,
}


def run_line(family: str, seed: int, commit: str) -> list[Record]:
    """Every answer of one line, each a record that JSON takes."""
    warm_up()
    line = line_of(family, seed, hand=False)
    study, best = line.study, line.best().robust_pass
    plan = doe.make_plan(study, coupons=COUPONS, seed=seed)
    rate = RobustRate(study, doe.fit(study, line.run(plan.coupons, seed), seed=seed))
    told = {"family": family, "seed": seed, "best": best, "target": study.spec.pass_rate, "commit": commit}
    records = []
    for way, merit in SETPOINT.items():
        with patch.object(search, "merit", merit):
            found = find_setpoint(rate, rng=np.random.default_rng(seed))
        true = true_rate(line, {name: found.setpoint[name].iloc[0] for name in study.factor_names})
        records.append(told | {"what": "setpoint", "way": way, "true": true, "verdict": ""})
    found = find_setpoint(rate, rng=np.random.default_rng(seed))
    for way, portion in TOLD.items():
        chosen = following(rate, found, portion, seed)
        longer = add_round(plan, chosen, seed=seed, repeat_centre=True)
        answer = doe.recommend(study, doe.fit(study, line.run(longer.coupons, seed), seed=seed), seed=seed)
        true = true_rate(line, answer.setpoint)
        records.append(told | {"what": "next coupons", "way": way, "true": true, "verdict": answer.verdict})
    return records


def following(rate: RobustRate, found: search.Found, portion: float, seed: int) -> pd.DataFrame:
    """Eight more coupons less the centre's, this share of them chosen by what they tell."""
    rng = np.random.default_rng(seed)
    if not portion:
        return next_coupons.choose_next(rate.study, found.best_at, LATER - CENTRES, rng=rng)
    with patch.object(next_coupons, "TOLD", portion):
        return next_coupons.choose_coupons(rate, found, LATER - CENTRES, rng=rng)


def setpoint_worth(r: Record) -> float:
    """What a setpoint is worth; nothing is asked of a line that has none."""
    return float("nan") if r["best"] < POSSIBLE else float(r["true"] >= r["target"])


def verdict_worth(r: Record) -> float:
    """What a decision is worth."""
    if r["verdict"] == "ready":
        return 1.0 if r["true"] >= r["target"] else WRONG if r["true"] < LEAST else 0.0
    if r["verdict"] == "not reachable":
        return 1.0 if r["best"] < r["target"] else WRONG if r["best"] >= POSSIBLE else 0.0
    return 0.0


WORTH: Mapping[str, Callable[[Record], float]] = {"setpoint": setpoint_worth, "next coupons": verdict_worth}


def each_way(records: Sequence[Record], what: str) -> str:
    """What each way leads to, all families together, beside the tool's line by line."""
    rows = []
    ways = list(SETPOINT if what == "setpoint" else TOLD)
    by = {way: [r for r in records if r["way"] == way] for way in ways}
    own = worths(by[ways[0]], what)
    for way in ways:
        able = [r for r in by[way] if r["best"] >= POSSIBLE]
        reached, poor = ([r["true"] >= r["target"] for r in able], [r["true"] < 0.80 for r in able])
        found = worths(by[way], what)
        rows.append([way, cell(share(reached)), cell(mean([r["true"] for r in able]), 3), cell(share(poor))])
        rows[-1] += [cell(mean(known(found)), 3), cell(mean(known(found - own)), 3)]
    head = [what, "truly reaches the target", "mean true rate", "truly below 0.80", "worth a line"]
    return table([*head, "minus the tool's"], rows)


def worths(records: Sequence[Record], what: str) -> FloatArray:
    """What each line is worth, by seed."""
    return np.array([WORTH[what](r) for r in sorted(records, key=lambda r: r["seed"])])


def known(values: FloatArray) -> FloatArray:
    """Those of the lines that are asked."""
    return values[np.isfinite(values)]


def left_out(records: Sequence[Record], what: str) -> tuple[str, Figures]:
    """Each family judged with the way the others choose, beside the tool's; both over all families."""
    ways = list(SETPOINT if what == "setpoint" else TOLD)
    rows, chosen, own = [], [], []
    for family in sorted({r["family"] for r in records}):
        others, here = (
            {
                way: worths([r for r in records if r["way"] == way and (r["family"] == family) is mine], what)
                for way in ways
            }
            for mine in (False, True)
        )
        best = max(ways, key=lambda way: (known(others[way]).mean(), way == ways[0]))
        chosen.append(known(here[best]))
        own.append(known(here[ways[0]]))
        rows.append([family, str(len(own[-1])), best, *(cell(mean(found[-1])) for found in (chosen, own))])
    together = np.concatenate(chosen), np.concatenate(own)
    difference = mean(together[0] - together[1])
    rows.append(["all", str(len(together[0])), "", *(cell(mean(found), 3) for found in together)])
    rows.append(["difference", "", "", cell(difference, 3), ""])
    stem = what.replace(" ", "_")
    figures = {f"{stem}_chosen": float(together[0].mean()), f"{stem}_tool": float(together[1].mean())}
    figures |= {f"{stem}_difference": difference[0], f"{stem}_difference_se": difference[1]}
    return table(
        [f"{what}: family left out", "lines", "chosen on the others", "its worth", "the tool's"], rows
    ), figures


def main() -> None:
    """Run what is missing, print the tables."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=126)
    parser.add_argument("--first", type=int, default=4800)
    parser.add_argument("--out", type=Path, help="JSON-lines file to append to and to continue from")
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.lines)
    cases = f"{given.lines} lines, seeds from {given.first}, {COUPONS} coupons, then {LATER} more"
    with written(given, __file__, __doc__, cases=cases) as figures:
        records = [r for r in tuning_only(run(given, seeds)) if r["seed"] in seeds]
        print(f"{len({r['seed'] for r in records})} lines{made_at(records)}")
        for what in WORTH:
            mine = [r for r in records if r["what"] == what]
            text, found = left_out(mine, what)
            print(f"\n{each_way(mine, what)}\n\n{text}")
            figures.update(found)


def run(given: argparse.Namespace, seeds: range) -> list[Record]:
    """Run the lines that are missing; every record there is."""
    records, families = read_records(given.out), WORLDS["tuning"]
    there, commit = {r["seed"] for r in records}, commit_now()
    parallel = Parallel(n_jobs=given.jobs, return_as="generator_unordered")
    todo = [seed for seed in seeds if seed not in there]
    for made in parallel(delayed(run_line)(families[seed % len(families)], seed, commit) for seed in todo):
        records += made
        append_records(given.out, made)
    return records


if __name__ == "__main__":
    main()
