"""Processor time of the classical fits beside general-purpose code.

Usage::

    python -m tests.benchmarks.classical_speed

Firth's regression beside the packages of PyPI (`firthlogist`, `firthmodels`), where they can be imported, and least
squares beside a bare `lstsq`; median milliseconds on one thread, taking turns on the same data. The packages are
references of this script only. `firthlogist` 0.5.0 asks for a Python before 3.11 and calls a method that
scikit-learn no longer has. Installed with `pip install --ignore-requires-python --no-deps firthlogist tabulate`,
preferably into a folder of its own (`--target`) that `PYTHONPATH` names, it runs with that method put back below.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Sequence
from functools import partial
from importlib import import_module
from typing import Any

import numpy as np

from doe.surfaces.classical import LeastSquaresFit, fit_firth, fit_least_squares
from doe.surfaces.classical.firth import estimate_firth
from doe.surfaces.scaling import quadratic_features
from tests.benchmarks.results import arguments, written

Act = Callable[[], Any]
Fit = Callable[[Any, Any], Any]


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
        print(f"- Firth, {coupons} coupons, {terms} terms, estimates: {compared(estimates, 31, gaps)}")
        print(f"- with limits and tests: {compared(whole, 5)}")
        notes = milliseconds(lambda X=X, passed=passed: fit_firth(X, passed).notes, 5)
        print(f"- ours with the search for separation too, which a report reads: {notes:.1f} ms")
    for coupons in (28, 2800, 28_000):
        X = quadratic_features(rng.uniform(-1, 1, (coupons, 4)))
        y = X @ rng.standard_normal(15) + rng.standard_normal(coupons)
        bare, fit, listed, doubts = side_by_side(
            [
                partial(np.linalg.lstsq, X, y, rcond=None),
                partial(fit_least_squares, X, y),
                lambda X=X, y=y: fit_least_squares(X, y).coefficients,
                lambda X=X, y=y: everything(fit_least_squares(X, y)),
            ],
            31,
        )
        print(
            f"- least squares, {coupons} coupons, 15 terms: fit with its checks {fit:.3f} ms, bare NumPy lstsq "
            f"{bare:.3f} ms ({fit / bare:.1f} times; wanted: 2); fit and table {listed:.2f} ms; with leverage, PRESS, "
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
    given = arguments(__doc__).parse_args()
    with written(given, __file__, __doc__, cases="random settings, seed 0"):
        classical()


if __name__ == "__main__":
    main()
