"""This tool beside the usual ways and its previous version: the same coupons of the same simulated lines.

Usage::

    git worktree add --detach ../previous ba92b9c      # version 0.2.0
    python -m tests.benchmarks.side_by_side --lines 300 --previous ../previous --out side.jsonl

Every way gets the results of the same 20 coupons (an optimal plan; checks alone are wanted), but one factor at a time,
which chooses its own 20. Lines are of the locked families by default, on which no choice was ever made, seeds 10000 on;
what a way claims is the pass rate that it expects at its own setpoint. Version 0.2.0 runs in a process of its own.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

import doe
from doe.practice.coupons import DEFAULT_SCORING
from tests.benchmarks.decision_case import WORLDS, line_of, true_rate, usual_ways
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
    written,
)

COUPONS, FIRST = 20, 10_000
THIS, PREVIOUS = "this tool", "version 0.2.0"

OTHER = """
import json, sys
import pandas as pd
import doe
for line in sys.stdin:
    asked = json.loads(line)
    factors = tuple(doe.Factor(**f) for f in asked["factors"])
    study = doe.Study(name="asked", factors=factors, spec=doe.Spec(pass_rate=asked["pass_rate"], hand_min=None))
    results = pd.DataFrame(asked["results"])
    answer = doe.recommend(study, doe.fit(study, results, seed=asked["seed"]), seed=asked["seed"])
    print(json.dumps({"setpoint": dict(answer.setpoint), "pass_rate": float(answer.pass_rate)}), flush=True)
"""
"""What the process of the previous version does: a question a line, an answer a line."""


class Other:
    """Another version of the tool, in a process of its own."""

    def __init__(self, folder: Path) -> None:
        """Start it; ``folder`` is a checkout."""
        command = [sys.executable, "-c", OTHER]
        pipe = subprocess.PIPE
        self.process = subprocess.Popen(command, cwd=folder, stdin=pipe, stdout=pipe, text=True)

    def answer(self, study: doe.Study, results: pd.DataFrame, seed: int) -> Record:
        """Its setpoint and the pass rate it expects there, from the results of numeric factors."""
        fields = ("name", "unit", "low", "high", "setting_sd", "scale", "hard_to_change")
        factors = [{name: getattr(f, name) for name in fields} for f in study.numeric]
        known = results.drop(columns=[c for c in results.columns if c.startswith("grade")])
        asked = {"factors": factors, "pass_rate": study.spec.pass_rate, "seed": seed}
        told = json.dumps(asked | {"results": json.loads(known.to_json(orient="records"))})
        if self.process.stdin is None or self.process.stdout is None:
            raise RuntimeError("the other version was started without pipes")
        print(told, file=self.process.stdin, flush=True)
        answered: Record = json.loads(self.process.stdout.readline())
        return answered


def one(family: str, seed: int, other: Other | None) -> Record:
    """Truth at the setpoint of each way on one line, and what each claims there."""
    line = line_of(family, seed, hand=False)
    study = line.study
    plan = doe.make_plan(study, coupons=COUPONS, kind="optimal", seed=seed)
    results = line.run(plan.coupons, seed, DEFAULT_SCORING)
    answer = doe.recommend(study, doe.fit(study, results, seed=seed), seed=seed)
    usual = usual_ways(study, line, results, COUPONS, seed)
    truth, claims = {THIS: true_rate(line, answer.setpoint)}, {THIS: answer.pass_rate}
    if other is not None:
        said = other.answer(study, results, seed)
        truth[PREVIOUS], claims[PREVIOUS] = true_rate(line, said["setpoint"]), said["pass_rate"]
    best = line.best().robust_pass
    return {
        "family": family,
        "seed": seed,
        "best": best,
        "truth": truth | usual["baselines"],
        "claims": claims | usual["claims"],
    }


def told(records: Sequence[Record]) -> tuple[str, Figures]:
    """One row a way, on the lines where 0.97 is possible; every difference is paired."""
    possible = [r for r in records if r["best"] >= 0.97]
    ours = np.array([r["truth"][THIS] for r in possible])
    rows, figures = [], {"lines": float(len(records)), "possible": float(len(possible))}
    for way in possible[0]["truth"]:
        true = np.array([r["truth"][way] for r in possible])
        over = np.array([r["claims"][way] - r["truth"][way] for r in records if way in r["claims"]])
        gain = (ours >= 0.95).astype(float) - (true >= 0.95)
        name = way.replace(" ", "_").replace(".", "_")
        figures[f"reached_{name}"] = float((true >= 0.95).mean())
        figures[f"bad_{name}"] = float((true < 0.80).mean())
        rows.append(
            [
                way,
                cell(share(true >= 0.95)),
                cell(mean(true), 3),
                cell(share(true < 0.80)),
                cell(mean(over), 3) if len(over) else "",
                cell(mean(gain)) if way != THIS else "",
            ]
        )
    head = [
        "way",
        "true >= 0.95",
        "mean true",
        "true < 0.80",
        "claims minus truth, all lines",
        "this tool reaches more",
    ]
    return f"{len(possible)} of {len(records)} lines where 0.97 is possible\n\n{table(head, rows)}", figures


def main() -> None:
    """Run what is missing, then print."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=300)
    parser.add_argument("--world", choices=WORLDS, default="locked")
    parser.add_argument("--previous", type=Path, help="checkout of version 0.2.0")
    parser.add_argument("--out", type=Path)
    given: argparse.Namespace = parser.parse_args()
    families = WORLDS[given.world]
    records = read_records(given.out)
    done = {r["seed"] for r in records}
    other = Other(given.previous) if given.previous else None
    seeds = range(FIRST, FIRST + given.lines)
    with written(given, __file__, __doc__, cases=f"{given.lines} lines, seeds {FIRST} on, {given.world}") as figures:
        for seed in (s for s in seeds if s not in done):
            record = one(families[(seed - FIRST) % len(families)], seed, other) | {"commit": commit_now()}
            records.append(record)
            append_records(given.out, [record])
        text, found = told(sorted((r for r in records if r["seed"] in seeds), key=lambda r: r["seed"]))
        print(text)
        figures.update(found)


if __name__ == "__main__":
    main()
