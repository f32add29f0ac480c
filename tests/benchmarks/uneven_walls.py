"""Whether coupons ask for windows that close faster on one side of a setting than on the other.

Usage::

    python -m tests.benchmarks.uneven_walls --lines 36 --first 6500 --out uneven.jsonl

Lines of the tuning families (`doe.practice.population`), whose walls are drawn steep or soft each for itself, checks
alone. In the closing window the distance from the peak along a setting is stretched by ``exp(tilt)`` above it and by
``exp(-tilt)`` below it; a tilt is normal around 0 for each setting. No second fit is needed: the ratio of likelihoods
with and without tilts, averaged over the draws of the fit and tilts of their prior, is the ratio of the evidences
(importance sampling), and the same weights turn the draws into those of the uneven window. Each record keeps what the
even window, the uneven one, and both mixed by their evidence (as likely beforehand) lead to on the same coupons.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

import doe
from doe.practice.coupons import DEFAULT_SCORING
from doe.practice.population.draw import FAMILIES
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from doe.surfaces.contract import thinned_rows
from doe.surfaces.fitted import Surfaces
from doe.surfaces.window_model import WindowDraws, WindowModel
from tests.benchmarks.decision_case import line_of, true_rate, warm_up
from tests.benchmarks.results import (
    Figures,
    Record,
    append_records,
    arguments,
    cell,
    commit_now,
    mean,
    numbers,
    read_records,
    share,
    table,
    tuning_only,
    written,
)

FloatArray = NDArray[np.float64]

TILTS: tuple[float, ...] = (0.35, 0.7)
"""Prior spreads of a tilt: the sides of a setting differ in steepness by a factor of 2, or of 4, at one spread."""
MIXED_AT = 0.35
EACH = 24
"""Tilts a draw."""
_AT_ONCE = 8
TARGET, POSSIBLE, BOUND = 0.95, 0.97, 0.10


@dataclass(frozen=True)
class UnevenDraws:
    """Draws of a closing window with a tilt for each setting, (draws, k); as `doe.surfaces.contract.SurfaceDraws`."""

    even: WindowDraws
    tilt: FloatArray

    @property
    def count(self) -> int:
        """Number of draws."""
        return len(self.tilt)

    @property
    def lapse(self) -> FloatArray:
        """Share lost to other reasons, shape (draws,)."""
        return self.even.lapse

    @property
    def peak(self) -> FloatArray:
        """Middle of each draw's window, shape (1, draws, k)."""
        return self.even.peak

    def thin(self, count: int) -> UnevenDraws:
        """Every so many-th draw."""
        return UnevenDraws(self.even.thin(count), self.tilt[thinned_rows(self.count, count)])

    def eta(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of a sound print, shape (draws, rows)."""
        peak, curve, found = self.even.peak[combination], self.even.curve, np.empty((self.count, len(z)))
        for i in range(0, self.count, _AT_ONCE):  # a few draws at a time stay in the processor's cache
            some = slice(i, i + _AT_ONCE)
            away, _ = stretched(peak[some], self.tilt[some], z)
            found[some] = np.einsum("drk,drk->dr", away, away @ curve[some])
        return np.asarray(self.even.top[:, None] - found)


def stretched(peak: FloatArray, tilt: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distances from the peak with the tilt, and how much each was stretched, both (draws, rows, k)."""
    away = z[None] - peak[:, None, :]
    factor = np.where(away > 0, np.exp(tilt)[:, None, :], np.exp(-tilt)[:, None, :])
    return away * factor, factor


def picked(draws: WindowDraws, rows: NDArray[np.intp]) -> WindowDraws:
    """Some of the draws, repeated where asked for."""
    by_draw = {name: value[rows] for name, value in vars(draws).items() if len(value) == draws.count}
    return replace(draws, **by_draw, **{n: getattr(draws, n)[:, rows] for n in ("logit", "heat", "hand", "peak")})


def log_likelihood(model: WindowModel, xi: FloatArray, tilt: FloatArray) -> FloatArray:
    """Log likelihood of the coupons with tilts (draws, k); with none of them that of the closing window, (draws,)."""
    draws = model.unpack(xi)
    _, over = model.coupon_logits(draws)
    away, factor = stretched(draws.peak[0], tilt, model.z)
    pulled = away @ draws.curve
    eta = draws.top[:, None] - (away * pulled).sum(axis=2)
    model.in_batches(xi, draws, eta, over)  # what batches share is put as it lies on even walls
    error = model.own_variance()[None] * factor**2
    spread = 4 * (pulled**2 * error).sum(axis=2) + 2 * (error * (error @ draws.curve**2)).sum(axis=2)
    shrunk = 1 / np.sqrt(1 + np.pi / 8 * spread)
    logit = (eta - (error * np.diagonal(draws.curve, axis1=1, axis2=2)[:, None, :]).sum(axis=2)) * shrunk
    late = model.to_come.late(xi[:, model.slices["late"]])
    found = model.outcomes().log_chance(logit, over, draws.lapse, draws.wrong_side, model.cuts(draws) * shrunk, late)
    return np.asarray(found @ model.weights)


@dataclass(frozen=True)
class Uneven:
    """What tilts of one prior spread come to.

    ``log_ratio``: log of the ratio of evidences, uneven over even, with its standard error ``error``; ``effective``:
    draws that the weights are worth; ``tilt`` (draws, tilts, k) and ``weights`` (draws, tilts), which add up to 1.
    """

    log_ratio: float
    error: float
    effective: float
    tilt: FloatArray
    weights: FloatArray


def uneven(surfaces: Surfaces, spread: float, rng: np.random.Generator) -> Uneven:
    """Evidence of the uneven window over that of the even one, by the draws of the even one."""
    model, xi = surfaces.model, surfaces.xi
    assert isinstance(model, WindowModel)
    assert xi is not None
    half = spread * rng.standard_normal((len(xi), EACH // 2, model.k))
    tilt = np.concatenate([half, -half], axis=1)
    even = log_likelihood(model, xi, np.zeros((len(xi), model.k)))
    ratio = np.stack([np.exp(log_likelihood(model, xi, tilt[:, m]) - even) for m in range(EACH)], axis=1)
    by_draw = ratio.mean(axis=1)
    middle = float(by_draw.mean())
    weights = ratio / ratio.sum()
    own = weights.sum(axis=1)
    error = float(by_draw.std(ddof=1) / np.sqrt(len(by_draw)) / middle)
    return Uneven(float(np.log(middle)), error, float(1 / (own**2).sum()), tilt, weights)


def mixed(surfaces: Surfaces, found: Uneven, part: float, rng: np.random.Generator) -> Surfaces:
    """The surfaces with this part of their draws uneven."""
    assert isinstance(surfaces.draws, WindowDraws)
    count = surfaces.draws.count
    bent = rng.random(count) < part
    flat = rng.choice(found.weights.size, size=count, p=found.weights.ravel())
    rows, m = np.unravel_index(flat, found.weights.shape)
    tilt = np.where(bent[:, None], found.tilt[rows, m], 0.0)
    draws = picked(surfaces.draws, np.where(bent, rows, np.arange(count)))
    return replace(surfaces, draws=UnevenDraws(draws, tilt))  # type: ignore[arg-type] # no hand-feel is asked of them


def one(family: str, seed: int, sizes: Sequence[int], commit: str) -> list[Record]:
    """Every size of one line."""
    warm_up()
    line = line_of(family, seed, hand=False)
    study = line.study
    head = {"family": family, "seed": seed, "best": line.best().robust_pass, "commit": commit}
    records = []
    for coupons in sizes:
        plan = doe.make_plan(study, coupons=coupons, seed=seed)
        surfaces = doe.fit(study, line.run(plan.coupons, seed, DEFAULT_SCORING), seed=seed)
        asked = {"even": surfaces}
        record: Record = {}
        for spread in TILTS:
            rng = np.random.default_rng([seed, coupons, 71])
            found = uneven(surfaces, spread, rng)
            values = {"log_ratio": found.log_ratio, "error": found.error, "effective": found.effective}
            record |= {f"{name}_{spread}": value for name, value in values.items()}
            if spread == MIXED_AT:
                part = 1 / (1 + np.exp(-found.log_ratio))
                asked |= {"mixed": mixed(surfaces, found, part, rng), "uneven": mixed(surfaces, found, 1.0, rng)}
        for name, which in asked.items():
            best = find_setpoint(RobustRate(study, which), rng=np.random.default_rng(seed))
            record[name] = {
                "true": true_rate(line, dict(best.setpoint.iloc[0])),
                "low": float(np.quantile(best.rates, BOUND)),
                "reached": float((best.rates >= TARGET).mean()),
            }
        records.append(head | {"coupons": coupons} | record)
    return records


def told(records: Sequence[Record]) -> tuple[str, Figures]:
    """What the evidence says, by size and family, and what each window leads to."""
    sizes = sorted({r["coupons"] for r in records})
    rows, figures = [], Figures()
    for coupons in sizes:
        for spread in TILTS:
            for family in ("all", *FAMILIES):
                at = [r for r in records if r["coupons"] == coupons and family in ("all", r["family"])]
                ratio = np.array([r[f"log_ratio_{spread}"] for r in at])
                if family == "all":
                    figures[f"log_ratio_{coupons}_{100 * spread:.0f}"] = float(ratio.mean())
                rows.append(
                    [
                        str(coupons),
                        f"{spread}",
                        family,
                        cell(mean(ratio)),
                        f"{ratio.sum():.1f}",
                        cell(share(ratio > np.log(3))),
                        cell(share(ratio < -np.log(3))),
                        f"{np.median([r[f'effective_{spread}'] for r in at]):.0f}",
                    ]
                )
    head = ["coupons", "spread of a tilt", "family", "log ratio of evidences, mean", "sum", "above 3", "below 1/3"]
    evidence = table([*head, "draws they are worth, median"], rows)
    rows = []
    for coupons in sizes:
        at = [r for r in records if r["coupons"] == coupons]
        good = [r for r in at if r["best"] >= POSSIBLE]
        for name in ("even", "mixed", "uneven"):
            true, base = (np.array([r[which]["true"] for r in good]) for which in (name, "even"))
            hits = np.array([r[name]["true"] >= TARGET for r in at])
            gain = (true >= TARGET).astype(float) - (base >= TARGET)
            figures[f"reached_{coupons}_{name}"] = float((true >= TARGET).mean())
            rows.append(
                [
                    str(coupons),
                    name,
                    str(len(good)),
                    cell(share(true >= TARGET)),
                    cell(mean(true), 3),
                    "" if name == "even" else cell(mean(gain)),
                    "" if name == "even" else cell(mean(true - base), 3),
                    cell(share(np.array([r[name]["true"] >= r[name]["low"] for r in at]))),
                    cell(mean((np.array([r[name]["reached"] for r in at]) - hits) ** 2), 3),
                ]
            )
    head = ["coupons", "window", "lines with 0.97 possible", "true >= 0.95", "mean true"]
    head += ["minus even: true >= 0.95", "minus even: mean true", "lower bound of the draws holds (0.90)"]
    return f"{evidence}\n\n{table([*head, 'squared error of the share of draws'], rows)}", figures


def main() -> None:
    """Run what is missing, then print."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=36)
    parser.add_argument("--first", type=int, default=6500)
    parser.add_argument("--coupons", type=numbers, default=[20, 28, 60])
    parser.add_argument("--out", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    records = list(tuning_only(read_records(given.out)))
    done, families, commit = {r["seed"] for r in records}, list(FAMILIES), commit_now()
    seeds = range(given.first, given.first + given.lines)
    with written(given, __file__, __doc__, cases=f"{given.lines} lines, seeds {seeds[0]} to {seeds[-1]}") as figures:
        jobs = [(families[s % len(families)], s) for s in seeds if s not in done]
        parallel = Parallel(n_jobs=given.jobs, return_as="generator_unordered")
        for made in parallel(delayed(one)(*job, given.coupons, commit) for job in jobs):
            records += made
            append_records(given.out, made)
        asked = [r for r in records if r["seed"] in seeds and r["coupons"] in given.coupons]
        text, found = told(asked)
        print(f"{len({r['seed'] for r in asked})} of {given.lines} lines\n\n{text}")
        figures.update(found)


if __name__ == "__main__":
    main()
