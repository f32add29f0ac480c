"""Would averaging over models help? The closing window, averages of it with dose mechanisms, and a smooth departure.

    python -m tests.benchmarks.averaging --lines 49 --coupons 20,28

For each simulated line (tuning seeds; the trial chooses a model) the same coupons are fitted with the closing window
(`doe.fit`), with dose mechanisms (`mechanism_model`) and with the closing window plus a small smooth departure on the
logit scale (`departure_model`). Averages take draws of the first two by weight:

- ``stacking``: the weight that predicts left-out coupons best (Yao, Vehtari, Simpson and Gelman 2018, Bayesian Analysis
  13, 917-1007), a coupon left out by truncated importance weights; a Dirichlet(2, 2) prior keeps it from the ends;
- ``evidence``: the posterior probability of the model, both being as likely beforehand;
- ``quarter``: a quarter of the draws from the mechanisms, whatever the coupons say.

The setpoint is then searched as `doe.recommend` does; ``only stated`` means that the closing window chooses it and the
average only says how good it is. Printed: how often the true rate there reaches 0.95 (where the best is 0.97 or more),
how often the lower bound holds, the mean squared error of the stated chance to reach the target (Brier 1950, Monthly
Weather Review 78, 1-3), how often the line would be called ready, and what a fit costs. A run goes on where it stopped
when it is given the same ``--out``.
"""

# ruff: noqa: E402 - the number of threads must be known before NumPy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import doe
from doe.domain.results import read_results
from doe.practice import KINDS, make_line
from doe.setpoint import RobustRate
from doe.setpoint.search import find_setpoint
from doe.setpoint.verdict import READY_LOW_SHORTFALL
from doe.surfaces import PARTICLES, Surfaces
from doe.surfaces.averaging import left_out, stacking_weight
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.mechanism_model import MechanismModel
from doe.surfaces.sampler import Cloud, sample
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import WindowModel
from tests.benchmarks.decision_case import usual_study
from tests.benchmarks.decision_table import SUCCESS, Record, lower_bound_holds, reachable
from tests.benchmarks.decisions import append_records, key, numbers, read_records, wanted_lines
from tests.benchmarks.departure_model import DepartureModel

FloatArray = NDArray[np.float64]


class Draws(Protocol):
    """What a pass surface must offer to be searched; `WindowDraws` does."""

    @property
    def lapse(self) -> FloatArray: ...
    @property
    def peak(self) -> FloatArray: ...
    @property
    def count(self) -> int: ...
    def thin(self, count: int) -> Draws: ...
    def eta(self, z: FloatArray, combination: int = 0) -> FloatArray: ...
    def mean_hand(self, z: FloatArray, combination: int = 0) -> FloatArray: ...


@dataclass(frozen=True)
class Averaged:
    """Draws of several models, one below the other."""

    parts: tuple[Draws, ...]

    @property
    def count(self) -> int:
        """Number of draws."""
        return sum(p.count for p in self.parts)

    @property
    def lapse(self) -> FloatArray:
        """Share lost to other reasons, shape (draws,)."""
        return np.concatenate([p.lapse for p in self.parts])

    @property
    def peak(self) -> FloatArray:
        """Middle of each draw's window, shape (1, draws, k)."""
        return np.concatenate([p.peak for p in self.parts], axis=1)

    def thin(self, count: int) -> Averaged:
        """Fewer draws in the same proportion."""
        if count >= self.count:
            return self
        kept = [round(count * p.count / self.count) for p in self.parts[:-1]]
        each = [*kept, count - sum(kept)]
        return Averaged(tuple(p.thin(n) for p, n in zip(self.parts, each, strict=True) if n))

    def eta(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of a sound print, shape (draws, rows)."""
        return np.concatenate([p.eta(z, combination) for p in self.parts])

    def mean_hand(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Mean hand-feel, shape (draws, rows)."""
        return np.concatenate([p.mean_hand(z, combination) for p in self.parts])


def average(first: Draws, second: Draws, weight: float) -> Averaged:
    """As many draws as usual, a share ``weight`` of them from the second."""
    count = round(weight * PARTICLES)
    parts = (first.thin(PARTICLES - count) if count < PARTICLES else None, second.thin(count) if count else None)
    return Averaged(tuple(p for p in parts if p is not None))


def fits(study: doe.Study, surfaces: Surfaces, seed: int) -> tuple[dict[str, Draws], dict[str, float], float]:
    """Draws by way, processor seconds of each model's fit, and the stacking weight of the mechanisms."""
    results = surfaces.results
    hand = mean_hand(results)
    window = WindowModel(Scaling(study.factors), results, hand)
    mechanism, departure = MechanismModel(window), DepartureModel(Scaling(study.factors), results, hand)
    seconds = {}

    def run(name: str, model: Any, number: int) -> Cloud:
        start = time.process_time()
        cloud = sample(model.log_likelihood, model.parameters, rng=np.random.default_rng([seed, number]))
        seconds[name] = time.process_time() - start
        return cloud

    wall, bumpy = run("mechanisms alone", mechanism, 1), run("with a departure", departure, 2)
    walls, hill = mechanism.unpack(wall.draws), surfaces.draws
    stacked = stacking_weight(left_out(surfaces.coupon_fit), left_out(mechanism.coupon_log_likelihood(wall.draws)))
    likely = 1 / (1 + np.exp(np.clip(surfaces.log_evidence - wall.log_evidence, -50, 50)))
    ways: dict[str, Draws] = {
        "closing window": hill,
        "mechanisms alone": walls,
        "average, stacking": average(hill, walls, stacked),
        "average, evidence": average(hill, walls, float(likely)),
        "average, a quarter": average(hill, walls, 0.25),
        "with a departure": departure.with_departure(bumpy.draws),
    }
    return ways, seconds, stacked


def run_line(kind: str, seed: int, coupons: int) -> Record:
    """What each way states on one line, and what is true there; a record that JSON takes."""
    study = usual_study()
    line = make_line(kind, seed, study)
    results = line.run(doe.make_plan(study, coupons=coupons, seed=seed).coupons, seed)
    start = time.process_time()
    surfaces = doe.fit(study, read_results(study, results), seed=seed)
    seconds = {"closing window": time.process_time() - start}
    ways, more, stacked = fits(study, surfaces, seed)
    seconds |= more
    said = {}

    def say(way: str, setpoint: pd.DataFrame, rates: FloatArray, fitted: Sequence[str]) -> None:
        said[way] = {
            "kind": kind,
            "seed": seed,
            "best": line.best().robust_pass,
            "target": study.spec.pass_rate,
            "true": float(line.robust_pass(setpoint)[0]),
            "pass_rate": float(rates.mean()),
            "pass_rate_low": float(np.quantile(rates, 1 - study.spec.assurance)),
            "weight": stacked,
            "p_target": float((rates >= study.spec.pass_rate).mean()),
            "seconds": sum(seconds[f] for f in fitted),
        }

    for way, draws in ways.items():
        rate = RobustRate(study, replace(surfaces, draws=draws))
        found = find_setpoint(rate, rng=np.random.default_rng(seed))
        both = ("closing window", "mechanisms alone") if way.startswith("average") else (way,)
        say(way, found.setpoint, found.rates, both)
        if way == "closing window":
            chosen = found.setpoint
        elif len(both) > 1:
            say(f"{way}, only stated", chosen, rate.draws(chosen, nodes=64)[:, 0], both)
    return {"kind": kind, "seed": seed, "coupons": coupons, "rounds": 1, "said": said}


def _ready(record: Record) -> bool:
    target = record["target"]
    return bool(record["pass_rate"] >= target and record["pass_rate_low"] >= target - READY_LOW_SHORTFALL)


def table(lines: Sequence[dict[str, Record]]) -> str:
    """One row a way."""
    head = [
        "way",
        "true >= 0.95",
        "mean true",
        "bound holds",
        "worst kind",
        "stated minus true",
        "Brier",
        "ready",
        "fit, s",
    ]
    rows = [head, ["---"] * len(head)]
    for way in lines[0]:
        of = [line[way] for line in lines]
        good = reachable(of)
        held = {k: lower_bound_holds(r for r in of if r["kind"] == k)[0] for k in {r["kind"] for r in of}}
        worst = min(held, key=lambda k: (held[k], k))
        rows.append(
            [
                way,
                f"{np.mean([r['true'] >= SUCCESS for r in good]):.2f}",
                f"{np.mean([r['true'] for r in good]):.3f}",
                f"{lower_bound_holds(of)[0]:.2f}",
                f"{held[worst]:.2f} ({worst})",
                f"{np.mean([r['pass_rate'] - r['true'] for r in of]):+.3f}",
                f"{np.mean([(r['p_target'] - (r['true'] >= r['target'])) ** 2 for r in of]):.3f}",
                f"{np.mean([_ready(r) for r in good]):.2f}",
                f"{np.mean([r['seconds'] for r in of]):.2f}",
            ]
        )
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def stacked_by_kind(records: Sequence[Record]) -> str:
    """Mean stacking weight of the mechanisms by kind of line."""
    kinds = dict.fromkeys(r["kind"] for r in records)
    return ", ".join(f"{k} {np.mean([r['weight'] for r in records if r['kind'] == k]):.2f}" for k in kinds)


def main() -> None:
    """Run the lines and print a table a number of coupons."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=49)
    parser.add_argument("--first", type=int, default=5000, help="number of the first line, of the tuning seeds")
    parser.add_argument("--coupons", type=numbers, default=[20, 28], help="comma list")
    parser.add_argument("--out", type=Path, help="JSON-lines file to append to and to continue from")
    given = parser.parse_args()
    kinds: list[str] = [k for k in KINDS if k != "borderline"]
    records = read_records(given.out)
    done = {key(r) for r in records}
    wanted = wanted_lines(given.lines, "tuning", kinds, given.first)
    for kind, seed in wanted:
        for coupons in given.coupons:
            if (kind, seed, coupons, 1) not in done:
                records.append(run_line(kind, seed, coupons))
                if given.out is not None:
                    append_records(given.out, records[-1:])
    for coupons in given.coupons:
        lines = [r["said"] for r in records if (r["kind"], r["seed"]) in wanted and r["coupons"] == coupons]
        shares = stacked_by_kind([r["closing window"] for r in lines])
        print(
            f"{coupons} coupons, {len(lines)} lines\n\n{table(lines)}\n\nStacking weight of the mechanisms: {shares}\n"
        )


if __name__ == "__main__":
    main()
