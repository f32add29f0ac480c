"""Measure what an earlier study's coupons are worth: `python -m tests.benchmarks.prior_knowledge --lines 60`.

A line is tuned with 28 coupons; then its material changes: prints take some degC more or less at oven and press, by
chance and by how much the materials differ. The new stack is tuned in ranges around the old setpoint with 12 or 20
coupons of its own, the old ones counting for nothing, a little, or as much. Each row of FILE is one answer
held against the truth; lines that are there already are not made again, so a stopped run goes on. Without --lines the
table of FILE is printed. Seeds from 40000 up; no choice was made on them.
"""

from __future__ import annotations

import argparse
import csv
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

KINDS = ("smooth", "thermal", "sharp", "ridge", "wiggly", "easy")
SHIFTS_DEGC = {"lot": 2.0, "supplier": 5.0, "material": 12.0}
"""Standard deviation of the change at each machine (invented; no source)."""
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


def table(rows: pd.DataFrame) -> str:
    """Counts by change, coupons and discount, with standard errors."""
    out = [
        f"{rows['seed'].nunique()} lines of {rows['kind'].nunique()} kinds",
        "| change | coupons | discount | true >= 0.95 (best >= 0.97) | mean true | true < 0.80 | lower bound holds | "
        "ready | ready, truly < 0.90 |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]

    def share(hit: pd.Series) -> str:
        if not len(hit):
            return "none"
        p = hit.mean()
        return f"{p:.2f} ± {np.sqrt(max(p * (1 - p), 0.25 / len(hit) * 0.1) / len(hit)):.2f}"

    for (change, coupons, discount), part in rows.groupby(["change", "coupons", "discount"], sort=False):
        can = part[part["best"] >= 0.97]
        ready = part[part["verdict"] == "ready"]
        out.append(
            f"| {change} | {coupons} | {discount:g} | {share(can['true'] >= 0.95)} | {can['true'].mean():.3f} | "
            f"{share(can['true'] < 0.80)} | {share(part['true'] >= part['low'])} | "
            f"{share(part['verdict'] == 'ready')} | {share(ready['true'] < 0.90)} |"
        )
    same = rows.drop_duplicates(["seed", "change"])
    for change, part in same.groupby("change", sort=False):
        can = part[part["best"] >= 0.97]
        out.append(
            f"| {change} | the old setpoint kept | | {share(can['old_setpoint'] >= 0.95)} | "
            f"{can['old_setpoint'].mean():.3f} | {share(can['old_setpoint'] < 0.80)} | | | |"
        )
    return "\n".join(out)


def main() -> None:
    """Make what is missing, print the table."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--lines", type=int, default=0)
    ask.add_argument("--out", type=Path, required=True)
    given = ask.parse_args()
    there = set(pd.read_csv(given.out)["seed"]) if given.out.exists() else set()
    for i in range(given.lines):
        if FIRST_SEED + i in there:
            continue
        made = cases(FIRST_SEED + i, KINDS[i % len(KINDS)])
        new = not given.out.exists()
        with given.out.open("a", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(made[0]), lineterminator="\n")
            if new:
                writer.writeheader()
            writer.writerows(made)
    print(table(pd.read_csv(given.out)))


if __name__ == "__main__":
    main()
