"""Seconds of one processor core for a fit and a recommendation, after import; their growth; the classical fits.

    python -m tests.benchmarks.fit_speed            # 2 to 6 factors; wanted: under 1 s for 28 coupons, 4 factors
    python -m tests.benchmarks.fit_speed --growth   # whole fits of 28 to 2,800 coupons, of 300 to 2,400 draws; memory
    python -m tests.benchmarks.fit_speed --classical   # Firth and least squares beside general-purpose code

Coupons come from a simulated line. The Firth regressions of PyPI (``firthlogist``, ``firthmodels``) are references of
this bench only and measured where they can be imported. ``firthlogist`` 0.5.0 asks for a Python before 3.11 and calls a
method that scikit-learn no longer has. Installed with ``pip install --ignore-requires-python --no-deps firthlogist
tabulate``, preferably into a folder of its own (``--target``) that ``PYTHONPATH`` names, it runs with that method put
back below.
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
import warnings
from collections.abc import Callable, Sequence
from functools import partial
from importlib import import_module
from typing import Any

import numpy as np
import pandas as pd

import doe
from doe.domain.results import read_results
from doe.practice.lines import make_line
from doe.surfaces.classical.firth import estimate_firth, fit_firth
from doe.surfaces.classical.least_squares import LeastSquaresFit, fit_least_squares
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling, quadratic_features
from doe.surfaces.window_model import WindowModel

TURNS = 7
Act = Callable[[], Any]
Fit = Callable[[Any, Any], Any]
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


def classical() -> None:
    """Firth and least squares beside general-purpose code, in processor milliseconds."""
    rng = np.random.default_rng(0)
    for coupons, factors, terms in ((28, 4, 5), (28, 4, 15), (280, 4, 15)):
        X = quadratic_features(rng.uniform(-1, 1, (coupons, factors)))[:, :terms]
        passed = (rng.random(coupons) < 1 / (1 + np.exp(-2 + 3 * (X[:, 1:5] ** 2).sum(axis=1)))).astype(int)
        estimates: dict[str, Act] = {"ours": partial(estimate_firth, X, passed)}
        whole: dict[str, Act] = {"ours": partial(fit_firth, X, passed)}
        for name, (quick, full) in general_purpose().items():
            estimates[name], whole[name] = partial(quick, X[:, 1:], passed), partial(full, X[:, 1:], passed)
        gaps = {
            name: np.abs(act() - estimate_firth(X, passed)[1:]).max()
            for name, act in estimates.items()
            if name != "ours"
        }
        print(f"Firth, {coupons} coupons, {terms} terms, estimates: {compared(estimates, 31, gaps)}")
        print(f"  with limits and tests: {compared(whole, 5)}")
        notes = milliseconds(lambda X=X, passed=passed: fit_firth(X, passed).notes, 5)
        print(f"  ours with the search for separation too, which a report reads: {notes:.1f} ms")
    for coupons in (28, 2800, 28_000):
        X = quadratic_features(rng.uniform(-1, 1, (coupons, 4)))
        y = X @ rng.standard_normal(15) + rng.standard_normal(coupons)
        bare, fit, table, doubts = side_by_side(
            [
                partial(np.linalg.lstsq, X, y, rcond=None),
                partial(fit_least_squares, X, y),
                lambda X=X, y=y: fit_least_squares(X, y).coefficients,
                lambda X=X, y=y: everything(fit_least_squares(X, y)),
            ],
            31,
        )
        print(
            f"least squares, {coupons} coupons, 15 terms: fit with its checks {fit:.3f} ms, bare NumPy lstsq "
            f"{bare:.3f} ms ({fit / bare:.1f} times; wanted: 2); fit and table {table:.2f} ms; with leverage, PRESS, "
            f"sums of squares and notes {doubts:.2f} ms"
        )


def compared(acts: dict[str, Act], turns: int, gaps: dict[str, float] | None = None) -> str:
    """Times of acts, and how many times as long as ours the others take."""
    spent = dict(zip(acts, side_by_side(list(acts.values()), turns), strict=True))
    words = [f"ours {spent['ours']:.2f} ms"]
    for name, time_taken in spent.items():
        if name != "ours":
            agree = f"; estimates agree to {gaps[name]:.0e}" if gaps else ""
            words.append(f"{name} {time_taken:.2f} ms ({time_taken / spent['ours']:.1f} times{agree})")
    return "; ".join(words if len(words) > 1 else [*words, "no other package can be imported here"])


def everything(fit: LeastSquaresFit) -> tuple[object, ...]:
    """All that a least-squares fit computes when first asked."""
    return fit.coefficients, fit.leverage, fit.r2_press, fit.r2_adjusted, fit.sequential_ss, fit.partial_ss, fit.notes


def general_purpose() -> dict[str, tuple[Fit, Fit]]:
    """Packages that are installed: their slopes alone, and their fit with profile limits and likelihood-ratio tests."""
    found: dict[str, tuple[Fit, Fit]] = {}
    try:
        regression = import_module("firthlogist").FirthLogisticRegression
    except ImportError:
        pass
    else:
        from sklearn.utils.validation import validate_data

        regression._validate_data = lambda self, X, y=None, **more: validate_data(self, X, y, **more)
        found["firthlogist"] = (
            lambda X, y: regression(max_iter=500, skip_ci=True, skip_pvals=True).fit(X, y).coef_,
            lambda X, y: regression().fit(X, y),  # limits and tests are its default
        )
    try:
        other = import_module("firthmodels").FirthLogisticRegression
    except ImportError:
        return found
    found["firthmodels"] = (
        lambda X, y: other().fit(X, y).coef_,
        lambda X, y: other().fit(X, y).lrt().conf_int(method="pl"),
    )
    return found


def milliseconds(act: Act, turns: int = 31) -> float:
    """Median processor time of an act after one warm-up."""
    return side_by_side([act], turns)[0]


def side_by_side(acts: Sequence[Act], turns: int) -> list[float]:
    """The same of several acts that take turns, so that other work on the machine slows all alike."""
    spent = np.zeros((turns, len(acts)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for act in acts:
            act()
        for turn in range(turns):
            for i, act in enumerate(acts):
                act()  # each is measured with its own data at hand
                started = time.process_time()
                act()
                spent[turn, i] = time.process_time() - started
    return [float(median) for median in 1000 * np.median(spent, axis=0)]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--classical", action="store_true")
    parser.add_argument("--one", nargs=2, type=int, metavar=("COUPONS", "DRAWS"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        print(grow(*given.one))
    elif given.growth:
        growth()
    elif given.classical:
        classical()
    else:
        by_factors()


if __name__ == "__main__":
    main()
