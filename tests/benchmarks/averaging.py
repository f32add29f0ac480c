"""Whether averaging over models would help: the closing window, and averages of it with dose mechanisms.

Usage::

    python -m tests.benchmarks.averaging --lines 49 --coupons 20,28

For each simulated line (tuning seeds; the trial chooses a model) the same coupons are fitted with the closing window
(`doe.fit`) and with dose mechanisms (`mechanism_model`, which `doe recommend --why` shows). Averages take draws of
both by weight:

- ``stacking``: the weight that predicts left-out coupons best (Yao, Vehtari, Simpson and Gelman 2018, Bayesian Analysis
  13, 917-1007), a coupon left out by truncated importance weights; a Dirichlet(2, 2) prior keeps it from the ends;
- ``evidence``: the posterior probability of the model, both being as likely beforehand;
- ``quarter``: a quarter of the draws from the mechanisms, whatever the coupons say.

The setpoint is then searched as `doe.recommend` does; ``only stated`` means that the closing window chooses it and
the average only says how good it is. Printed: how often the true rate there reaches 0.95 (where the best is 0.97 or
more), how often the lower bound holds, the mean squared error of the stated chance to reach the target (Brier 1950,
Monthly Weather Review 78, 1-3), how often the line would be called ready, and what a fit costs. A run goes on where
it stopped when it is given the same ``--out``.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import doe
from doe.domain.results import read_results
from doe.practice.lines import make_line
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from doe.setpoint.verdict import READY_LOW_SHORTFALL
from doe.surfaces.averaging import left_out, stacking_weight
from doe.surfaces.fitted import PARTICLES, Surfaces
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.mechanism_model import MechanismModel
from doe.surfaces.sampler import sample
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import WindowModel
from tests.benchmarks.decision_case import usual_study
from tests.benchmarks.decision_table import SUCCESS, lower_bound_holds, reachable, worst_kind
from tests.benchmarks.decisions import key, wanted_lines
from tests.benchmarks.results import (
    LINE_KINDS,
    Figures,
    Record,
    append_records,
    arguments,
    cell,
    commit_now,
    made_at,
    mean,
    numbers,
    read_records,
    share,
    table,
    written,
)

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


def fits(study: doe.Study, surfaces: Surfaces, seed: int) -> tuple[dict[str, Draws], float, float]:
    """Draws by way, processor seconds of the mechanisms' fit, and their stacking weight."""
    results = surfaces.results
    mechanism = MechanismModel(WindowModel(Scaling(study.factors), results, mean_hand(results)))
    start = time.process_time()
    wall = sample(mechanism.log_likelihood, mechanism.parameters, rng=np.random.default_rng([seed, 1]))
    seconds = time.process_time() - start
    walls, hill = mechanism.unpack(wall.draws), surfaces.draws
    stacked = stacking_weight(left_out(surfaces.coupon_fit), left_out(mechanism.coupon_log_likelihood(wall.draws)))
    likely = 1 / (1 + np.exp(np.clip(surfaces.log_evidence - wall.log_evidence, -50, 50)))
    ways: dict[str, Draws] = {
        "closing window": hill,
        "mechanisms alone": walls,
        "average, stacking": average(hill, walls, stacked),
        "average, evidence": average(hill, walls, float(likely)),
        "average, a quarter": average(hill, walls, 0.25),
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
    ways, seconds["mechanisms alone"], stacked = fits(study, surfaces, seed)
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


def by_way(lines: Sequence[dict[str, Record]]) -> tuple[str, Figures]:
    """One row a way."""
    rows, figures = [], {}
    for way in lines[0]:
        of = [line[way] for line in lines]
        good = reachable(of)
        reached, error = share(r["true"] >= SUCCESS for r in good), mean(r["pass_rate"] - r["true"] for r in of)
        brier = mean((r["p_target"] - (r["true"] >= r["target"])) ** 2 for r in of)
        name = way.replace(",", "").replace(" ", "_")
        figures |= {f"reached_{name}": reached[0], f"stated_minus_true_{name}": error[0], f"brier_{name}": brier[0]}
        rows.append(
            [
                way,
                cell(reached),
                cell(mean(r["true"] for r in good), 3),
                cell(lower_bound_holds(of)),
                worst_kind(of),
                cell(error, 3),
                cell(brier, 3),
                cell(share(_ready(r) for r in good)),
                f"{mean(r['seconds'] for r in of)[0]:.2f}",
            ]
        )
    head = ["way", "true >= 0.95 (best >= 0.97)", "mean true (same lines)", "bound holds", "worst kind"]
    return table([*head, "stated minus true", "Brier", "ready (best >= 0.97)", "fit, s"], rows), figures


def stacked_by_kind(records: Sequence[Record]) -> str:
    """Mean stacking weight of the mechanisms by kind of line."""
    kinds = dict.fromkeys(r["kind"] for r in records)
    return ", ".join(f"{k} {np.mean([r['weight'] for r in records if r['kind'] == k]):.2f}" for k in kinds)


def main() -> None:
    """Run the lines and print a table a number of coupons."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=49)
    parser.add_argument("--first", type=int, default=5000, help="number of the first line, of the tuning seeds")
    parser.add_argument("--coupons", type=numbers, default=[20, 28], help="comma list")
    parser.add_argument("--out", type=Path, help="JSON-lines file to append to and to continue from")
    given = parser.parse_args()
    wanted = wanted_lines(given.lines, "tuning", LINE_KINDS, given.first)
    cases = f"{given.lines} tuning lines, seeds {given.first} to {given.first + given.lines - 1}"
    with written(given, __file__, __doc__, cases=cases) as figures:
        records, commit = read_records(given.out), commit_now()
        done = {key(r) for r in records}
        for kind, seed in wanted:
            for coupons in given.coupons:
                if (kind, seed, coupons, 1) not in done:
                    records.append(run_line(kind, seed, coupons) | {"commit": commit})
                    append_records(given.out, records[-1:])
        for coupons in given.coupons:
            kept = [r for r in records if (r["kind"], r["seed"]) in wanted and r["coupons"] == coupons]
            lines = [r["said"] for r in kept]
            text, found = by_way(lines)
            shares = stacked_by_kind([r["closing window"] for r in lines])
            print(f"### {coupons} coupons, {len(lines)} lines{made_at(kept)}\n\n{text}\n")
            print(f"Stacking weight of the mechanisms: {shares}.\n")
            figures.update({f"{name}_{coupons}": value for name, value in found.items()})


if __name__ == "__main__":
    main()
