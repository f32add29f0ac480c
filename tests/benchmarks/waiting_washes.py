"""Whether the bound of an answer holds while washes are still to come.

Usage::

    python -m tests.benchmarks.waiting_washes --lines 30 --out washes.jsonl --write

A line of the population is tried with 20 coupons, all scored at the press. The washes of none, half or all of those
that passed there are still to come when the answer is given, each time the same coupons; the true rate is that after
every wash. Which failures only a wash shows depends on how they are simulated: no source. Answers are appended to
``--out`` line by line; started again with the same file, only what is missing is run. Families and seeds on which
choices may be made.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import doe
from doe.domain.outcome import HELD, LATE, WAITING
from doe.practice.coupons import Scoring
from doe.practice.lines import SimulatedLine
from doe.practice.population.draw import FAMILIES, draw_line
from doe.surfaces.washing import survives
from tests.benchmarks.decision_case import true_rate
from tests.benchmarks.population import draw_study
from tests.benchmarks.results import (
    Figures,
    append_records,
    arguments,
    cell,
    commit_now,
    made_at,
    mean,
    read_records,
    share,
    table,
    written,
)

FIRST_SEED, COUPONS = 9_700, 20
TO_COME = (0.0, 0.5, 1.0)
"""Shares of the coupons that passed at the press whose washes are still to come."""


def scored(line: SimulatedLine, seed: int, to_come: float) -> pd.DataFrame:
    """Scored coupons, a share of the washes still to come."""
    plan = doe.make_plan(line.study, coupons=COUPONS, seed=seed).coupons
    after, press = line.run(plan, seed), line.run(plan, seed, Scoring(washes=0))
    good = press["passed"].to_numpy(dtype=bool)
    order = np.random.default_rng([seed, 72]).permutation(np.flatnonzero(good))
    waiting = np.zeros(len(plan), dtype=bool)
    waiting[order[: round(to_come * len(order))]] = True
    told = after.where(~pd.Series(waiting), press)
    passed = told["passed"].to_numpy(dtype=bool)
    return told.assign(passed=passed, wash=np.where(waiting, WAITING, np.where(good, np.where(passed, HELD, LATE), "")))


def run_line(seed: int) -> list[dict[str, Any]]:
    """Every answer of one line, each a record that JSON takes."""
    family = tuple(FAMILIES)[seed % len(FAMILIES)]
    line = draw_line(family, seed, draw_study(seed))
    records = []
    for to_come in TO_COME:
        results = scored(line, seed, to_come)
        surfaces = doe.fit(line.study, results, seed=seed)
        answer = doe.recommend(line.study, surfaces, seed=seed)
        records.append(
            {
                "seed": seed,
                "family": family,
                "to_come": to_come,
                "waiting": int((results["wash"] == WAITING).sum()),
                "best": line.best().robust_pass,
                "true": true_rate(line, answer.setpoint),
                "stated": answer.pass_rate,
                "low": answer.pass_rate_low,
                "survives": survives(surfaces.results, answer.checks_pass_rate),
                "verdict": answer.verdict,
            }
        )
    return records


def by_share(rows: pd.DataFrame) -> tuple[str, Figures]:
    """One row a share of washes to come."""
    body: list[list[str]] = []
    figures: Figures = {}
    for to_come, part in rows.groupby("to_come"):
        held, off = share(part["true"] >= part["low"]), mean(part["stated"] - part["true"])
        can = part[part["best"] >= 0.97]
        figures |= {f"bound_{to_come:g}".replace(".", ""): held[0], f"off_{to_come:g}".replace(".", ""): off[0]}
        body.append(
            [
                f"{100 * float(str(to_come)):.0f} %",
                cell(mean(part["waiting"]), 1),
                cell(held),
                cell(off, 3),
                cell(mean(part["low"]), 3),
                cell(share(can["true"] >= 0.95)),
                cell(mean(can["true"]), 3),
                cell(share(part["verdict"] == "ready")),
            ]
        )
    head = ["washes to come", "coupons waiting", "90 % bound holds", "stated minus true rate", "bound", "true >= 0.95"]
    return table([*head, "mean true (0.97 possible)", "ready"], body), figures


def main() -> None:
    """Make what is missing, print the table."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=30)
    parser.add_argument("--out", type=Path, help="JSON-lines file to append to and to continue from")
    given = parser.parse_args()
    seeds = range(FIRST_SEED, FIRST_SEED + given.lines)
    lines = f"{given.lines} lines of the population, seeds from {FIRST_SEED}, {COUPONS} coupons"
    with written(given, __file__, __doc__, cases=lines) as figures:
        records, commit = read_records(given.out), commit_now()
        there = {r["seed"] for r in records}
        for seed in seeds:
            if seed not in there:
                made = [record | {"commit": commit} for record in run_line(seed)]
                records += made
                append_records(given.out, made)
        rows = [r for r in records if r["seed"] in seeds]
        text, found = by_share(pd.DataFrame(rows))
        print(f"{lines}{made_at(rows)}\n\n{text}")
        figures.update(found)


if __name__ == "__main__":
    main()
