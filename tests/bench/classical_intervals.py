"""How often intervals of the classical fits hold on simulated coupons.

Run: ``python tests/bench/classical_intervals.py``. Prints two tables:

1. mixed model on random strip plots: share of 90 % intervals that hold the true effect of a factor set
   once a cure batch, once a press batch, and on every coupon; the same for ordinary least squares;
2. Firth's profile limits: share that many random starts show to be too narrow, by number of terms.
"""

from __future__ import annotations

import time

import numpy as np

from doe.surfaces.classical import build_terms, fit_firth, fit_least_squares, fit_mixed
from doe.surfaces.classical.firth_likelihood import maximise

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


if __name__ == "__main__":
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
    print("Firth's 95 % profile limits on 20 to 28 coupons, tried again from 9 starts")
    for factors, kind in ((3, "main"), (3, "interactions"), (3, "quadratic"), (4, "quadratic")):
        print(measure_firth(factors, kind))
