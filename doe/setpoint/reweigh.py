"""Asking draws of one posterior about a neighbouring one: importance weights, smoothed, and how far to trust them.

The largest weights are replaced by quantiles of a generalised Pareto distribution fitted to them; its shape ``k``
says whether the draws reach far enough (Vehtari, Simpson, Gelman, Yao and Gabry 2024, J. Mach. Learn. Res. 25, 72). The
shape is estimated as Zhang and Stephens do (2009, Technometrics 51, 316-325), drawn a little towards a half.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LEAST_TAIL = 5
"""Weights in the tail from which its shape is estimated."""


@dataclass(frozen=True)
class Weights:
    """Normalised weights of draws, with their reliability.

    Attributes
    ----------
    values : array, shape (draws,)
        They add up to one.
    pareto_k : float
        Shape of the largest weights; the smaller the better, minus infinity when the weights hardly differ.
    """

    values: FloatArray
    pareto_k: float

    @property
    def effective(self) -> float:
        """How many equally weighted draws these are worth (Kish)."""
        return float(1 / (self.values**2).sum())

    @property
    def reliable(self) -> bool:
        """Whether the shape is below the limit for as many draws (Vehtari et al. 2024, section 3.2.4)."""
        return bool(self.pareto_k < min(1 - 1 / np.log10(len(self.values)), 0.7))

    def mean(self, values: FloatArray) -> float:
        """Weighted mean of one value a draw."""
        return float(self.values @ values)

    def share(self, which: NDArray[np.bool_]) -> float:
        """Weighted share of the draws, free of the last digits of rounding: 50 of 200 equal draws are a quarter."""
        return round(float(self.values @ which), 12)

    def error(self, values: FloatArray) -> float:
        """Standard error of that mean, as if there were as many equal draws as the weights are worth."""
        spread = float(self.values @ (values - self.mean(values)) ** 2)
        return float(np.sqrt(spread / self.effective))

    def at(self, rows: NDArray[np.intp]) -> Weights:
        """The weights of some of the draws."""
        part = self.values[rows]
        total = part.sum()
        # weights that all lie on other draws leave nothing to go by: then every draw is as good as the other
        return Weights(part / total if total > 0 else np.full(len(part), 1 / len(part)), self.pareto_k)

    def quantile(self, values: FloatArray, share: float) -> float:
        """Weighted quantile of one value a draw, on a straight line between draws; equal weights give NumPy's."""
        order = np.argsort(values)
        weight = self.values[order]
        ends = 0.5 * (weight[0] + weight[-1])
        place = (np.cumsum(weight) - 0.5 * (weight + weight[0])) / max(1 - ends, 1e-300)
        return float(np.interp(share, place, values[order]))


def weigh(log_ratio: FloatArray) -> Weights:
    """Weights from log density ratios, shape (draws,); any constant may be added to them."""
    logs = log_ratio - log_ratio.max()
    smooth, k = _smoothed(logs)
    raw = np.exp(smooth - smooth.max())
    return Weights(raw / raw.sum(), k)


def _smoothed(logs: FloatArray) -> tuple[FloatArray, float]:
    n = len(logs)
    size = int(np.ceil(min(0.2 * n, 3 * np.sqrt(n))))
    order = np.argsort(logs, kind="stable")
    tail, cut = order[-size:], logs[order[-size - 1]] if size < n else logs.min()
    excess = np.exp(logs[tail]) - np.exp(cut)
    if size < LEAST_TAIL or excess[0] <= 0 or excess[-1] - excess[0] < 1e-12 * np.exp(cut):
        return logs, -np.inf
    k, sigma = pareto_fit(excess)
    share = (np.arange(size) + 0.5) / size
    inner = -np.log1p(-share)
    expected = sigma * (np.expm1(k * inner) / k if abs(k) > 1e-9 else inner)
    out = logs.copy()
    out[tail] = np.minimum(np.log(np.exp(cut) + expected), 0.0)  # never above the largest raw weight
    return out, k


def pareto_fit(excess: FloatArray) -> tuple[float, float]:
    """Shape and scale of a generalised Pareto distribution for sorted positive values, shape (n,)."""
    n = len(excess)
    points = 30 + int(np.sqrt(n))
    grid = 1 - np.sqrt(points / (np.arange(1, points + 1) - 0.5))
    grid = grid / (3 * excess[max(int(n / 4 + 0.5) - 1, 0)]) + 1 / excess[-1]
    shape = np.log1p(-grid[:, None] * excess).mean(axis=1)
    profile = n * (np.log(-grid / shape) - shape - 1)
    weight = np.exp(profile - profile.max())
    place = float((grid * weight).sum() / weight.sum())
    k = float(np.log1p(-place * excess).mean())
    sigma = -k / place
    return (n * k + 10 * 0.5) / (n + 10), sigma
