"""How often intervals of the classical fits hold on simulated coupons.

Run: ``python -m tests.benchmarks.classical_intervals [intervals] [alarms] [limits]`` (default: all). Three tables:

1. mixed model on random strip plots: share of 90 % intervals that hold the true effect of a factor set
   once a cure batch, once a press batch, and on every coupon; the same for ordinary least squares;
2. hand-feel checks of our own plans where batches share errors (batch sd = coupon sd = 0.25 points): how often drift,
   curvature and a main effect are said to be more than chance explains where nothing is there, and how often a drift of
   0.8 points over the run and a rise of 0.5 points at the centre are found; with the batches and by least squares;
3. Firth's profile limits: share that many random starts show to be too narrow, by number of terms.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

import doe
from doe.domain.outcome import BATCH_COLUMNS
from doe.domain.results import read_results
from doe.surfaces.checks import ClassicalChecks, run_checks
from doe.surfaces.classical.firth import fit_firth
from doe.surfaces.classical.firth_likelihood import maximise
from doe.surfaces.classical.least_squares import fit_least_squares
from doe.surfaces.classical.mixed import fit_mixed
from doe.surfaces.classical.terms import build_terms

FACTORS = ("cure_temp", "cure_time", "press_temp", "dwell")


def strip_plot(rng: np.random.Generator, coupons: int, batches: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Coded settings, cure batch and press batch of a random strip plot."""
    cure, press = (rng.permutation(np.arange(coupons) % batches) for _ in range(2))
    settings = np.column_stack(
        [
            rng.integers(-1, 2, size=(batches, 2))[cure],
            rng.integers(-1, 2, size=batches)[press],
            rng.integers(-1, 2, size=coupons),
        ]
    )
    return settings.astype(float), cure, press


def measure_mixed(kind: str, coupons: int, batches: int, batch_sd: float, plans: int = 300) -> str:
    rng = np.random.default_rng(1)
    terms = build_terms(FACTORS, kind)
    held, held_ordinary, took = [], [], 0.0
    while len(held) < plans:
        settings, cure, press = strip_plot(rng, coupons, batches)
        X = terms.matrix(settings)
        y = batch_sd * (rng.normal(size=batches)[cure] + rng.normal(size=batches)[press])
        y = y + 0.5 * rng.normal(size=coupons)
        if np.linalg.matrix_rank(X) < X.shape[1]:
            continue
        start = time.perf_counter()
        mixed = fit_mixed(X, y, {"cure": cure, "press": press}, terms.names, assurance=0.9).coefficients
        took += time.perf_counter() - start
        ordinary = fit_least_squares(X, y, terms.names, assurance=0.9).coefficients
        for table, kept in ((mixed, held), (ordinary, held_ordinary)):
            rows = table.iloc[[1, 3, 4]]
            kept.append(((rows["low"] <= 0) & (rows["high"] >= 0)).to_numpy())
    ours, theirs = np.mean(held, axis=0), np.mean(held_ordinary, axis=0)
    return (
        f"{kind:12s} {coupons} coupons, {batches:2d} + {batches:2d} batches, batch sd {batch_sd:3.1f} (coupon 0.5): "
        f"mixed {ours.round(2)}, ordinary {theirs.round(2)}, {1000 * took / plans:.0f} ms a fit"
    )


WHOLE = ("cure_temp", "press_temp")  # set once a batch; the other two differ within batches
DRIFT, RISE = 0.8, 0.5


def alarms(checks: ClassicalChecks) -> list[float]:
    """Whether p < 0.05 for drift, curvature, effects set once a batch (mean), effects within batches (mean)."""
    found = [
        judged is not None and judged.p is not None and judged.p < 0.05 for judged in (checks.drift, checks.curvature)
    ]
    if checks.effects is None:
        return [*map(float, found), np.nan, np.nan]
    p = checks.effects.table.set_index("term")["p"]
    small = p[list(FACTORS)] < 0.05  # no p is no alarm
    whole = np.array([name in WHOLE for name in FACTORS])
    return [*map(float, found), float(small[whole].mean()), float(small[~whole].mean())]


def measure_alarms(
    kind: str, coupons: int, order: str, *, batch_sd: float = 0.25, coupon_sd: float = 0.25, runs: int = 240
) -> str:
    study = doe.Study("bench", tuple(doe.usual_factor(name) for name in FACTORS))
    name = f"{kind} {coupons}{'' if order == 'batched' else f', {order}'}"
    rows: dict[tuple[bool, bool], list[list[float]]] = {}
    start = time.perf_counter()
    for seed in range(12):
        frame = doe.make_plan(study, coupons=coupons, kind=kind, seed=seed, order=order).coupons.assign(
            passed=True, side="", hand_a=3.0
        )
        results = read_results(study, frame)
        centre = frame["role"].str.contains("centre").to_numpy()
        share = (results.order - results.order.min()) / np.ptp(results.order)
        batches = [np.unique(results.batches[c], return_inverse=True)[1] for c in ("cure_batch", "press_batch")]
        blank = results.batches.assign(**dict.fromkeys(BATCH_COLUMNS, ""))
        rng = np.random.default_rng(seed)
        for real in (False, True):
            for _ in range(runs // 12):
                y = 3.0 + coupon_sd * rng.normal(size=len(share)) + real * (DRIFT * share + RISE * centre)
                y = y + batch_sd * sum(rng.normal(size=b.max() + 1)[b] for b in batches)
                scored = replace(results, hand=y[:, None])
                for known, labels in ((True, results.batches), (False, blank)):
                    checks = run_checks(study, replace(scored, batches=labels), order=results.order)
                    rows.setdefault((known, real), []).append(alarms(checks))
    share_of = {key: np.mean(values, axis=0) for key, values in rows.items()}
    lines = []
    for known, way in ((True, "with batches"), (False, "least squares")):
        false, found = share_of[known, False], share_of[known, True]
        cells = [f"{share:.3f}" for share in (*false, *found[:2])]
        lines.append(f"| {name} | {way} | {' | '.join(cells)} |")
    print(f"({name}: {runs} rounds of 12 plans a column, {time.perf_counter() - start:.0f} s)", file=sys.stderr)
    return "\n".join(lines)


def measure_firth(factors: int, kind: str, sets: int = 12) -> str:
    terms = build_terms(FACTORS[:factors], kind)
    narrow, limits, took = 0, 0, 0.0
    for seed in range(sets):
        rng = np.random.default_rng(seed)
        coupons = (20, 24, 28)[seed % 3]
        settings = rng.uniform(-1, 1, (coupons, factors)) if seed % 2 else rng.integers(-1, 2, (coupons, factors))
        settings = np.asarray(settings, dtype=float)
        chance = 1 / (1 + np.exp(-(2 - 3 * (settings**2).sum(axis=1) + 2 * settings[:, 0])))
        start = time.perf_counter()
        fit = fit_firth(terms.matrix(settings), rng.uniform(size=coupons) < chance, terms.names)
        took += time.perf_counter() - start
        p = len(fit.estimates)
        for j in range(p):
            free = np.array([i for i in range(p) if i != j])
            for limit in fit.coefficients[["low", "high"]].iloc[j]:
                starts = [fit.estimates, np.zeros(p), *(fit.estimates + 3 * rng.normal(size=(7, p)))]
                best = -np.inf
                for beta in starts:
                    held = np.asarray(beta, dtype=float).copy()
                    held[j] = limit
                    best = max(best, maximise(fit.data, held, free).value)
                limits += 1
                narrow += 2 * (fit.penalised - best) < 3.841459 - 1e-3
    return f"{len(terms):2d} terms: {narrow} of {limits} limits too narrow, {1000 * took / sets:.0f} ms a fit"


def main(wanted: set[str]) -> None:
    if "intervals" in wanted:
        print("90 % intervals that hold: factor set once a cure batch, once a press batch, on every coupon")
        for case in (
            ("main", 24, 6, 0.0),
            ("main", 24, 6, 0.3),
            ("main", 24, 6, 1.0),
            ("interactions", 28, 8, 0.3),
            ("quadratic", 28, 9, 0.3),
            ("quadratic", 28, 12, 0.5),
        ):
            print(measure_mixed(*case))
    if "alarms" in wanted:
        print("Hand-feel checks that say more than chance explains (p < 0.05), batch sd = coupon sd = 0.25")
        print(
            "| plan | judged | drift, none there | curvature, none there | effect set once a batch, none there | "
            "effect within batches, none there | drift of 0.8 found | rise of 0.5 at the centre found |"
        )
        print("| --- " * 8 + "|")
        for kind, coupons, order in (
            ("full", 20, "batched"),
            ("half", 20, "batched"),
            ("optimal", 24, "batched"),
            ("composite", 28, "batched"),
            ("composite", 28, "repeated"),
        ):
            print(measure_alarms(kind, coupons, order), flush=True)
    if "limits" in wanted:
        print("Firth's 95 % profile limits on 20 to 28 coupons, tried again from 9 starts")
        for factors, size in ((3, "main"), (3, "interactions"), (3, "quadratic"), (4, "quadratic")):
            print(measure_firth(factors, size))


if __name__ == "__main__":
    main(set(sys.argv[1:]) or {"intervals", "alarms", "limits"})
