"""How often intervals of the classical fits hold on simulated coupons.

Usage::

    python -m tests.benchmarks.classical_intervals --tables intervals,alarms,limits --plans 300 --rounds 240 --sets 12

Three tables:

1. mixed model on random strip plots: share of 90 % intervals that hold the true effect of a factor set
   once a cure batch, once a press batch, and on every coupon; the same for ordinary least squares;
2. hand-feel checks of our own plans where batches share errors (batch sd = coupon sd = 0.25 points): how often drift,
   curvature and a main effect are said to be more than chance explains where nothing is there, and how often a drift of
   0.8 points over the run and a rise of 0.5 points at the centre are found; with the batches and by least squares;
3. Firth's profile limits: share that many random starts show to be too narrow, by number of terms.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

import doe
from doe.domain.outcome import BATCH_COLUMNS
from doe.domain.results import read_results
from doe.surfaces.checks import ClassicalChecks, run_checks
from doe.surfaces.classical.firth import fit_firth, maximise
from doe.surfaces.classical.least_squares import fit_least_squares
from doe.surfaces.classical.mixed import fit_mixed
from doe.surfaces.classical.terms import build_terms
from tests.benchmarks.results import arguments, table, written

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


def measure_mixed(kind: str, coupons: int, batches: int, batch_sd: float, plans: int) -> list[str]:
    """A row: shares of intervals that hold."""
    rng = np.random.default_rng(1)
    terms = build_terms(FACTORS, kind)
    held, held_ordinary = [], []
    while len(held) < plans:
        settings, cure, press = strip_plot(rng, coupons, batches)
        X = terms.matrix(settings)
        y = batch_sd * (rng.normal(size=batches)[cure] + rng.normal(size=batches)[press])
        y = y + 0.5 * rng.normal(size=coupons)
        if np.linalg.matrix_rank(X) < X.shape[1]:
            continue
        mixed = fit_mixed(X, y, {"cure": cure, "press": press}, terms.names, assurance=0.9).coefficients
        ordinary = fit_least_squares(X, y, terms.names, assurance=0.9).coefficients
        for estimates, kept in ((mixed, held), (ordinary, held_ordinary)):
            rows = estimates.iloc[[1, 3, 4]]
            kept.append(((rows["low"] <= 0) & (rows["high"] >= 0)).to_numpy())
    shares = [" / ".join(f"{s:.2f}" for s in np.mean(kept, axis=0)) for kept in (held, held_ordinary)]
    return [f"{kind}, {coupons} coupons, {batches} + {batches} batches", f"{batch_sd:.1f}", *shares]


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
    kind: str, coupons: int, order: str, *, runs: int, batch_sd: float = 0.25, coupon_sd: float = 0.25
) -> list[list[str]]:
    """Two rows: shares of rounds with an alarm, with the batches and by least squares."""
    study = doe.Study("bench", tuple(doe.usual_factor(name) for name in FACTORS))
    name = f"{kind} {coupons}{'' if order == 'batched' else f', {order}'}"
    rows: dict[tuple[bool, bool], list[list[float]]] = {}
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
                    checks = run_checks(study, replace(scored, batches=labels))
                    rows.setdefault((known, real), []).append(alarms(checks))
    share_of = {key: np.mean(values, axis=0) for key, values in rows.items()}
    lines = []
    for known, way in ((True, "with batches"), (False, "least squares")):
        false, found = share_of[known, False], share_of[known, True]
        cells = [f"{share:.3f}" for share in (*false, *found[:2])]
        lines.append([name, way, *cells])
    return lines


def measure_firth(factors: int, kind: str, sets: int) -> list[str]:
    """A row: limits that other starts show to be too narrow."""
    terms = build_terms(FACTORS[:factors], kind)
    narrow, limits = 0, 0
    for seed in range(sets):
        rng = np.random.default_rng(seed)
        coupons = (20, 24, 28)[seed % 3]
        settings = rng.uniform(-1, 1, (coupons, factors)) if seed % 2 else rng.integers(-1, 2, (coupons, factors))
        settings = np.asarray(settings, dtype=float)
        chance = 1 / (1 + np.exp(-(2 - 3 * (settings**2).sum(axis=1) + 2 * settings[:, 0])))
        fit = fit_firth(terms.matrix(settings), rng.uniform(size=coupons) < chance, terms.names)
        p = len(fit.estimates)
        for j in range(p):
            for limit in fit.coefficients[["low", "high"]].iloc[j]:
                starts = [fit.estimates, np.zeros(p), *(fit.estimates + 3 * rng.normal(size=(7, p)))]
                best = -np.inf
                for beta in starts:
                    held = np.asarray(beta, dtype=float).copy()
                    held[j] = limit
                    best = max(best, maximise(fit.data, held, held=j)[1])
                limits += 1
                narrow += 2 * (fit.penalised - best) < 3.841459 - 1e-3
    return [str(len(terms)), str(narrow), str(limits)]


def intervals(given: argparse.Namespace) -> str:
    """First table."""
    cases = (
        ("main", 24, 6, 0.0),
        ("main", 24, 6, 0.3),
        ("main", 24, 6, 1.0),
        ("interactions", 28, 8, 0.3),
        ("quadratic", 28, 9, 0.3),
        ("quadratic", 28, 12, 0.5),
    )
    head = ["model", "batch sd (coupon sd 0.5)", "mixed: cure / press / coupon", "ordinary least squares: the same"]
    return table(head, [measure_mixed(*case, given.plans) for case in cases])


def alarm_rates(given: argparse.Namespace) -> str:
    """Second table."""
    plans = (
        ("full", 20, "batched"),
        ("half", 20, "batched"),
        ("optimal", 24, "batched"),
        ("composite", 28, "batched"),
        ("composite", 28, "repeated"),
    )
    none = ["drift", "curvature", "effect set once a batch", "effect within batches"]
    head = ["plan", "judged", *(f"{what}, none there" for what in none)]
    rows = [row for plan in plans for row in measure_alarms(*plan, runs=given.rounds)]
    return table([*head, f"drift of {DRIFT} found", f"rise of {RISE} at the centre found"], rows)


def narrow_limits(given: argparse.Namespace) -> str:
    """Third table."""
    sizes = ((3, "main"), (3, "interactions"), (3, "quadratic"), (4, "quadratic"))
    rows = [measure_firth(factors, size, given.sets) for factors, size in sizes]
    return table(["terms", "limits too narrow", "limits"], rows)


TABLES = {"intervals": intervals, "alarms": alarm_rates, "limits": narrow_limits}


def main() -> None:
    """Print the tables asked for."""
    parser = arguments(__doc__)
    parser.add_argument("--tables", default=",".join(TABLES), help="comma list")
    parser.add_argument("--plans", type=int, default=300, help="random strip plots a row of the first table")
    parser.add_argument("--rounds", type=int, default=240, help="rounds a row of the second table, in twelves")
    parser.add_argument("--sets", type=int, default=12, help="sets of coupons a row of the third table")
    given = parser.parse_args()
    cases = f"{given.plans} plans a row; {given.rounds} rounds a row; {given.sets} sets a row"
    with written(given, __file__, __doc__, cases=cases):
        for name in given.tables.split(","):
            print(f"### {name.capitalize()}\n\n{TABLES[name](given)}\n", flush=True)


if __name__ == "__main__":
    main()
