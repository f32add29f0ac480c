"""The closing window with a small smooth departure on the logit scale, for the trial of model averaging.

The departure is a Gaussian process with a squared-exponential covariance, drawn by random Fourier features (Rahimi and
Recht 2007, Advances in Neural Information Processing Systems 20) at fixed frequencies; its amplitudes are parameters of
the fit. Averaged over the trial's setting error, a wave shrinks by ``exp(-w' S w / 2)``. Numeric factors only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.results import Results
from doe.surfaces.hand_scores import HandScores
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import WindowDraws, WindowModel

FloatArray = NDArray[np.float64]

PAIRS, LENGTH, SD = 12, 0.8, 0.7
"""Pairs of waves; correlation length in half-ranges; standard deviation in logits."""


@dataclass(frozen=True)
class DepartureDraws:
    """A closing window and the amplitudes of its waves, shape (draws, waves)."""

    window: WindowDraws
    amplitudes: FloatArray
    frequencies: FloatArray

    @property
    def count(self) -> int:
        """Number of draws."""
        return self.window.count

    @property
    def lapse(self) -> FloatArray:
        """Share lost to other reasons, shape (draws,)."""
        return self.window.lapse

    @property
    def peak(self) -> FloatArray:
        """Peak of each draw's hill, departure left aside, shape (combinations, draws, k)."""
        return self.window.peak

    def thin(self, count: int) -> DepartureDraws:
        """Every so many-th draw, ``count`` of them at most."""
        if count >= self.count:
            return self
        pick = np.linspace(0, self.count - 1, count).astype(int)
        return DepartureDraws(self.window.thin(count), self.amplitudes[pick], self.frequencies)

    def eta(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of a sound print, shape (draws, rows)."""
        return np.asarray(self.window.eta(z, combination) + self.amplitudes @ waves(z, self.frequencies).T)

    def mean_hand(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Mean hand-feel on its 1 to 5 scale, shape (draws, rows)."""
        return self.window.mean_hand(z, combination)


def waves(z: FloatArray, frequencies: FloatArray) -> FloatArray:
    """Cosines and sines, shape (rows, 2 pairs)."""
    phase = z @ frequencies.T
    return np.concatenate([np.cos(phase), np.sin(phase)], axis=1)


class DepartureModel(WindowModel):
    """The closing window's likelihood with the departure added before the trial's error is averaged over."""

    def __init__(self, scaling: Scaling, results: Results, hand: HandScores) -> None:
        super().__init__(scaling, results, hand)
        self.frequencies = np.random.default_rng(3).standard_normal((PAIRS, self.k)) / LENGTH
        shrunk = np.exp(-0.5 * self.trial_variance @ (self.frequencies**2).T)
        self.waves = waves(self.z, self.frequencies) * np.concatenate([shrunk, shrunk], axis=1)
        self._departure = np.zeros((1, len(self.z)))

    def _layout(self) -> dict[str, slice]:
        slices = super()._layout()
        stop = max(part.stop for part in slices.values())
        return slices | {"waves": slice(stop, stop + 2 * PAIRS)}

    def amplitudes(self, xi: FloatArray) -> FloatArray:
        """Amplitudes of the waves, shape (draws, waves)."""
        return np.asarray(SD / np.sqrt(PAIRS) * xi[:, self.slices["waves"]])

    def with_departure(self, xi: FloatArray) -> DepartureDraws:
        """Draws with their departure."""
        return DepartureDraws(self.unpack(xi), self.amplitudes(xi), self.frequencies)

    def coupon_log_likelihood(self, xi: FloatArray, draws: WindowDraws | None = None) -> FloatArray:
        """Log likelihood of each coupon's pass/fail and side, shape (draws, coupons)."""
        self._departure = self.amplitudes(xi) @ self.waves.T
        return super().coupon_log_likelihood(xi, draws)

    def with_trial_error(self, eta: FloatArray, draws: WindowDraws) -> FloatArray:
        return super().with_trial_error(eta + self._departure, draws)
