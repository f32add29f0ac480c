"""Seconds of one processor core for a fit and a recommendation, after import; their growth; the classical checks.

    python -m tests.benchmarks.fit_speed            # 2 to 6 factors; wanted: under 1 s for 28 coupons, 4 factors
    python -m tests.benchmarks.fit_speed --growth   # whole fits of 28 to 2,800 coupons, of 300 to 2,400 draws; memory
    python -m tests.benchmarks.fit_speed --checks   # classical checks; wanted: under 1 s for 28 coupons, 4 factors

Coupons come from a simulated line.
"""

# ruff: noqa: E402 - the number of threads must be known before NumPy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import argparse
import statistics
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

import doe
from doe.domain.results import read_results
from doe.practice import make_line
from doe.surfaces.checks import run_checks
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import WindowModel

TURNS = 7
FOUR = ("cure_temp", "cure_time", "press_temp", "dwell")


def by_factors() -> None:
    """Fit and recommendation for two to six factors."""
    for names, coupons in (
        (("press_temp", "dwell"), 16),
        (FOUR, 20),
        (FOUR, 28),
        ((*FOUR, "pressure", "powder_amount"), 40),
    ):
        study = doe.Study("speed", tuple(doe.usual_factor(n) for n in names))
        results = make_line("smooth", 3, study).run(doe.make_plan(study, coupons=coupons, seed=3).coupons, seed=3)
        doe.recommend(study, doe.fit(study, results))  # warm-up
        fits, answers = [], []
        for seed in range(TURNS):
            started = time.process_time()
            surfaces = doe.fit(study, results, seed=seed)
            middle = time.process_time()
            doe.recommend(study, surfaces, seed=seed)
            fits.append(middle - started)
            answers.append(time.process_time() - middle)
        print(
            f"{coupons} coupons, {len(names)} factors: fit {statistics.median(fits):.2f} s, "
            f"recommendation {statistics.median(answers):.2f} s   median of {TURNS}, one core"
        )


def many_coupons(count: int) -> tuple[doe.Study, pd.DataFrame]:
    """So many coupons spread over the region of a smooth line, in five cure and five press batches."""
    study = doe.Study("speed", tuple(doe.usual_factor(n) for n in FOUR))
    z = np.random.default_rng(1).uniform(-1, 1, (count, len(FOUR)))
    frame = pd.DataFrame(Scaling(study.factors).natural(z), columns=list(FOUR))
    frame["coupon"] = [f"C{i}" for i in range(count)]
    frame["round"], frame["garment"], frame["stroke"] = 1, np.arange(count) // 4, np.arange(count)
    for step in ("cure", "press"):
        frame[f"{step}_batch"], frame[f"{step}_order"] = np.arange(count) % 5, np.arange(count)
    return study, make_line("smooth", 3, study).run(frame, seed=3)


def grow(coupons: int, particles: int) -> str:
    """A whole fit and recommendation, and one look at all results by every draw; the most memory ever held."""
    doe.recommend(many_coupons(8)[0], doe.fit(*many_coupons(8), particles=50))  # imports and first calls
    study, frame = many_coupons(coupons)
    before = _most_mb()
    started = time.process_time()
    surfaces = doe.fit(study, frame, particles=particles)
    middle = time.process_time()
    doe.recommend(study, surfaces)
    ended = time.process_time()
    most = _most_mb()
    results = read_results(study, frame)
    model = WindowModel(Scaling(study.factors), results, mean_hand(results))
    xi = np.random.default_rng(1).standard_normal((particles, model.parameters))
    look = milliseconds(lambda: model.log_likelihood(xi), 5)
    return (
        f"{coupons:5d} coupons, {particles:4d} draws: fit {middle - started:6.2f} s, recommendation "
        f"{ended - middle:5.2f} s, most memory {most:.0f} MB ({before:.0f} MB before); one look {look:6.1f} ms"
    )


def _most_mb() -> float:
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (1024 if sys.platform.startswith("linux") else 1024**2)


def growth() -> None:
    """Each size in a process of its own, so that memory is that of this size."""
    for coupons, particles in ((28, 600), (280, 600), (2800, 600), (280, 300), (280, 1200), (280, 2400)):
        words = [sys.executable, __file__, "--one", str(coupons), str(particles)]
        print(subprocess.run(words, check=True, capture_output=True, text=True).stdout.strip(), flush=True)


def checks() -> None:
    """Classical checks with every table that a report prints."""
    for names, coupons in ((("press_temp", "dwell"), 16), (FOUR, 20), (FOUR, 28), ((*FOUR, "pressure"), 40)):
        study = doe.Study("speed", tuple(doe.usual_factor(n) for n in names))
        spent = []
        for seed in range(TURNS + 1):
            plan = doe.make_plan(study, coupons=coupons, seed=seed).coupons
            results = read_results(study, make_line("smooth", seed, study).run(plan, seed=seed))
            started = time.process_time()
            made = run_checks(study, results, order=results.order)
            if made.firth is not None:
                _ = made.firth.coefficients, made.firth.separation
            spent.append(time.process_time() - started)
        print(
            f"{coupons} coupons, {len(names)} factors: checks {statistics.median(spent[1:]):.2f} s "
            f"({min(spent[1:]):.2f} to {max(spent[1:]):.2f})   {TURNS} studies, one core"
        )


def milliseconds(act: Callable[[], object], turns: int) -> float:
    """Median processor time of an act after one warm-up."""
    act()
    spent = []
    for _ in range(turns):
        started = time.process_time()
        act()
        spent.append(time.process_time() - started)
    return 1000 * statistics.median(spent)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--checks", action="store_true")
    parser.add_argument("--one", nargs=2, type=int, metavar=("COUPONS", "DRAWS"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        print(grow(*given.one))
    elif given.growth:
        growth()
    elif given.checks:
        checks()
    else:
        by_factors()


if __name__ == "__main__":
    main()
