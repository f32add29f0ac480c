"""Usual fits of the same coupons, each turned into a setpoint the same way, to hold the tool's answer against."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, ndtri
from scipy.stats import qmc

from doe.domain.coding import code, code_frame, decode_frame
from doe.domain.outcome import HAND_PREFIX
from doe.domain.study import Study
from doe.surfaces.classical.firth import fit_firth
from doe.surfaces.classical.terms import build_terms

FloatArray = NDArray[np.float64]
Predict = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class Claim:
    """A setpoint and the robust pass rate that the fit itself expects there."""

    setpoint: Mapping[str, float | str]
    pass_rate: float


def least_squares(coded: FloatArray, passed: NDArray[np.bool_], names: tuple[str, ...]) -> Predict:
    """Full quadratic by least squares on 0/1 (the shortest solution when coupons are fewer than terms)."""
    terms = build_terms(names, "quadratic")
    beta = np.linalg.lstsq(terms.matrix(coded), passed.astype(float), rcond=None)[0]
    return lambda z: np.clip(terms.matrix(z) @ beta, 0, 1)


def firth(coded: FloatArray, passed: NDArray[np.bool_], names: tuple[str, ...]) -> Predict:
    """Full quadratic by logistic regression with Firth's penalty."""
    terms = build_terms(names, "quadratic")
    fit = fit_firth(terms.matrix(coded), passed.astype(float))
    beta = np.zeros(len(terms))  # 0 for a term the coupons cannot tell from earlier ones
    beta[fit.separable.kept] = fit.estimates
    return lambda z: np.asarray(expit(terms.matrix(z) @ beta))


def gaussian_process(coded: FloatArray, passed: NDArray[np.bool_], names: tuple[str, ...]) -> Predict:
    """Gaussian process classifier, one length a factor, hyperparameters by marginal likelihood."""
    if passed.all() or not passed.any():
        share = (passed.sum() + 0.5) / (len(passed) + 1)
        return lambda z: np.full(len(z), share)
    from sklearn.gaussian_process import GaussianProcessClassifier
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel

    kernel = ConstantKernel(4.0, (0.1, 100.0)) * RBF(np.ones(len(names)), (0.2, 10.0))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a length at the end of its range is an answer here, not a fault
        model = GaussianProcessClassifier(kernel, random_state=0).fit(coded, passed)
    return lambda z: np.asarray(model.predict_proba(z)[:, 1])


FITS: dict[str, Callable[[FloatArray, NDArray[np.bool_], tuple[str, ...]], Predict]] = {
    "quadratic least squares": least_squares,
    "quadratic Firth": firth,
    "GP classifier": gaussian_process,
}


def _hand_surface(study: Study, results: pd.DataFrame, coded: FloatArray) -> Predict | None:
    """Ridge quadratic of mean hand-feel; coded -1 to +1, so one penalty serves all slopes."""
    hand = results[[c for c in results.columns if str(c).startswith(HAND_PREFIX)]].mean(axis=1).to_numpy(dtype=float)
    at = np.isfinite(hand)
    if study.spec.hand_min is None or not at.any():
        return None
    terms = build_terms(tuple(f.name for f in study.numeric), "quadratic")
    X, middle = terms.matrix(coded[at])[:, 1:], hand[at].mean()
    beta = np.linalg.solve(X.T @ X + 0.5 * np.eye(X.shape[1]), X.T @ (hand[at] - middle))
    return lambda z: middle + terms.matrix(z)[:, 1:] @ beta


def claim(study: Study, results: pd.DataFrame, fit: str) -> Claim:
    """Setpoint of a usual fit: best pass rate averaged over setting error among 1000 places soft enough.

    Every fit gets the same candidates, the same averaging and the same hand-feel surface, so that they differ in the
    pass surface only. Numeric factors only.
    """
    names = tuple(f.name for f in study.numeric)
    coded = code_frame(study.factors, results)
    predict = FITS[fit](coded, results["passed"].to_numpy(dtype=bool), names)
    places = decode_frame(study.factors, 2 * qmc.Sobol(len(names), rng=11).random(1024) - 1)
    error = ndtri(np.clip(qmc.Sobol(len(names), rng=12).random(32), 1e-6, 1 - 1e-6))
    spread = [
        code(f, np.maximum(places[f.name].to_numpy()[:, None] + f.setting_sd * error[None, :, j], f.low / 10))
        for j, f in enumerate(study.numeric)
    ]
    around = np.stack(spread, axis=-1)  # (places, nodes, factors)
    rate = predict(around.reshape(-1, len(names))).reshape(len(places), -1).mean(axis=1)
    hand = _hand_surface(study, results, coded)
    soft = np.ones(len(places), dtype=bool)
    if hand is not None and study.spec.hand_min is not None:
        enough = hand(code_frame(study.factors, places)) >= study.spec.hand_min
        soft = enough if enough.any() else soft
    best = int(np.argmax(np.where(soft, rate, -1.0)))
    return Claim({n: float(places[n].iloc[best]) for n in names}, float(rate[best]))
