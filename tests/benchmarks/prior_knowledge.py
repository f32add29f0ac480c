"""What an earlier study's coupons are worth in a retune.

Usage::

    python -m tests.benchmarks.prior_knowledge --lines 60 --out retunes.jsonl

A line is tuned with 28 coupons; then its material changes: prints take some degC more or less at oven and press, by
chance and by how much the materials differ (invented; no source). The new stack is tuned in ranges around the old
setpoint with 12 or 20 coupons of its own, each old one counting for the discount. Answers are appended to ``--out``
line by line; started again with the same file, only what is missing is run. Seeds from 40000 up; no choice was made on
them.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import qmc

import doe
from doe.domain.coding import code, decode_frame
from doe.practice.lines import SimulatedLine, make_line
from doe.surfaces.earlier import Earlier
from tests.benchmarks.decision_case import true_rate, usual_study
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

KINDS = ("smooth", "thermal", "sharp", "ridge", "wiggly", "easy")
SHIFTS_DEGC = {"lot": 2.0, "supplier": 5.0, "material": 12.0}
"""Standard deviation of the change at each machine."""
TRIED = {12: (0.0, 0.1, 0.3, 0.5, 1.0), 20: (0.0, 0.3, 1.0)}
FIRST_SEED = 40_000


def around(study: doe.Study, setpoint: dict[str, Any]) -> doe.Study:
    """The same widths around a setpoint."""
    factors = []
    for f in study.factors:
        low, high = _span(f, float(code(f, np.array([float(setpoint[f.name])]))[0]))
        factors.append(replace(f, low=low, high=min(high, 199.0) if f.is_temperature else high))
    return replace(study, factors=tuple(factors))


def _span(f: doe.Factor, here: float) -> tuple[float, float]:
    if f.scale == "log":
        ratio = (f.high / f.low) ** 0.5
        middle = (f.low * f.high) ** 0.5 * ratio**here
        return middle / ratio, middle * ratio
    half = (f.high - f.low) / 2
    middle = (f.low + f.high) / 2 + half * here
    return middle - half, middle + half


def best_in(line: SimulatedLine, study: doe.Study) -> float:
    """Best true robust pass rate in the new ranges, over a spread of points."""
    coded = 2 * qmc.Sobol(len(study.factors), rng=3).random(1024) - 1
    return float(line.robust_pass(decode_frame(study.factors, coded), nodes=64).max())


def cases(seed: int, kind: str) -> list[dict[str, Any]]:
    """Every answer of one line."""
    study = usual_study()
    line = make_line(kind, seed, study)
    plan = doe.make_plan(study, coupons=28, kind="auto", seed=seed)
    old = line.run(plan.coupons, seed)
    recipe = doe.recommend(study, doe.fit(study, old, seed=seed), seed=seed)
    again = around(study, dict(recipe.setpoint))
    found = []
    for number, (change, spread) in enumerate(SHIFTS_DEGC.items()):
        rng = np.random.default_rng([seed, number])
        offset = {name: float(rng.normal(0, spread)) for name in ("cure_temp", "press_temp")}
        new = replace(line, display_offset=offset)
        best, unchanged = best_in(new, again), true_rate(new, recipe.setpoint)
        for coupons, discounts in TRIED.items():
            made = doe.make_plan(again, coupons=coupons, kind="auto", seed=seed + 1)
            results = new.run(made.coupons, seed + 2)
            for discount in discounts:
                earlier = Earlier(old, discount) if discount else None
                answer = doe.recommend(again, doe.fit(again, results, seed=seed, earlier=earlier), seed=seed)
                found.append(
                    {
                        "seed": seed,
                        "kind": kind,
                        "change": change,
                        "coupons": coupons,
                        "discount": discount,
                        "best": best,
                        "old_setpoint": unchanged,
                        "true": true_rate(new, answer.setpoint),
                        "stated": answer.pass_rate,
                        "low": answer.pass_rate_low,
                        "verdict": answer.verdict,
                    }
                )
    return found


def by_change(rows: pd.DataFrame) -> tuple[str, Figures]:
    """One row a change, number of coupons and discount; then what keeping the old setpoint would have given."""
    body: list[list[str]] = []
    figures: Figures = {}
    for (change, coupons, discount), part in rows.groupby(["change", "coupons", "discount"], sort=False):
        can, ready = part[part["best"] >= 0.97], part[part["verdict"] == "ready"]
        reached, held = share(can["true"] >= 0.95), share(part["true"] >= part["low"])
        name = f"{change}_{coupons}_{discount:g}".replace(".", "")
        figures |= {f"reached_{name}": reached[0], f"bound_{name}": held[0]}
        body.append(
            [
                str(change),
                str(coupons),
                f"{discount:g}",
                cell(reached),
                cell(mean(can["true"]), 3),
                cell(share(can["true"] < 0.80)),
                cell(held),
                cell(share(part["verdict"] == "ready")),
                cell(share(ready["true"] < 0.90)),
            ]
        )
    for change, part in rows.drop_duplicates(["seed", "change"]).groupby("change", sort=False):
        kept = part[part["best"] >= 0.97]["old_setpoint"]
        cells = [cell(share(kept >= 0.95)), cell(mean(kept), 3), cell(share(kept < 0.80))]
        body.append([str(change), "the old setpoint kept", "", *cells, "", "", ""])
    head = ["change", "coupons", "discount", "true >= 0.95 (best >= 0.97)", "mean true (same lines)"]
    more = ["true < 0.80 (same lines)", "lower bound holds", "ready", "ready, truly < 0.90"]
    return table([*head, *more], body), figures


def main() -> None:
    """Make what is missing, print the table."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=60)
    parser.add_argument("--out", type=Path, help="JSON-lines file to append to and to continue from")
    given = parser.parse_args()
    seeds = range(FIRST_SEED, FIRST_SEED + given.lines)
    lines = f"{given.lines} lines of {len(KINDS)} kinds, seeds from {FIRST_SEED}"
    with written(given, __file__, __doc__, cases=lines) as figures:
        records, commit = read_records(given.out), commit_now()
        there = {r["seed"] for r in records}
        for i, seed in enumerate(seeds):
            if seed not in there:
                made = [record | {"commit": commit} for record in cases(seed, KINDS[i % len(KINDS)])]
                records += made
                append_records(given.out, made)
        asked = [r for r in records if r["seed"] in seeds]
        text, found = by_change(pd.DataFrame(asked))
        print(f"{lines}{made_at(asked)}\n\n{text}")
        figures.update(found)


if __name__ == "__main__":
    main()
