"""The trial's own setting error, averaged out of the logit in closed form.

Around a set value the logit is a quadratic in the error, with mean ``eta - tr(A S)`` and variance
``4 d' A S A d + 2 tr(A S A S)`` (``A`` the curve, ``S`` the error's variance, ``d`` the distance from the peak); a
normal logit is averaged by shrinking it (MacKay 1992, Neural Computation 4, 720-736, moderated output).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from doe.domain.coding import FloatArray

Rows = NDArray[np.intp] | slice
Groups = list[tuple[int, Rows]]


class TrialError:
    """Logits at the coupons' *set* values from those of the surface there, and the way back for slopes.

    Parameters
    ----------
    z : array, shape (coupons, k)
        Set values in model coordinates.
    variance : array, shape (coupons, k)
        Of the trial's error in the same coordinates; 0 where the actual value was measured.
    groups : list of (combination, rows)
        Coupons of each combination of categorical levels.
    """

    def __init__(self, z: FloatArray, variance: FloatArray, groups: Groups) -> None:
        self._z, self._across, self._groups = z, np.ascontiguousarray(variance.T), groups
        k = z.shape[1]
        self._products = (variance[:, :, None] * variance[:, None, :]).reshape(len(z), k * k).T
        self.present = bool(variance.any())

    def average(self, eta: FloatArray, curve: FloatArray, peak: FloatArray) -> AveragedLogit:
        """Averaged logits, with what `backward` needs.

        Parameters
        ----------
        eta : array, shape (draws, coupons)
        curve : array, shape (draws, k, k), symmetric
        peak : array, shape (combinations, draws, k)
        """
        # factor by factor: one product does for all draws, and what is at work stays in the processor's cache
        bent, spread = np.empty((curve.shape[1], *eta.shape)), np.zeros_like(eta)
        pulls = [(rows, (curve @ peak[c][:, :, None])[:, :, 0]) for c, rows in self._groups]
        for i, plane in enumerate(bent):
            slope = curve[:, i] @ self._z.T
            for rows, pull in pulls:
                slope[:, rows] -= pull[:, i, None]
            np.multiply(slope, self._across[i], out=plane)
            slope *= plane
            spread += slope
        k = len(bent)
        spread *= 4
        spread += 2 * ((curve**2).reshape(-1, k * k) @ self._products)
        shrunk = 1 / np.sqrt(1 + np.pi / 8 * spread)
        logit = (eta - np.diagonal(curve, axis1=1, axis2=2) @ self._across) * shrunk
        return AveragedLogit(logit, shrunk, bent)

    def backward(
        self,
        d_logit: FloatArray,
        d_shrunk: FloatArray | None,
        averaged: AveragedLogit,
        curve: FloatArray,
        peak: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """From slopes along the averaged logits to those along eta, curve and peak (their shapes).

        ``d_shrunk`` is the slope along how far logits are shrunk, of what is shrunk besides eta, (draws, coupons); None
        where that is nothing.
        """
        k = self._z.shape[1]
        d_eta = d_logit * averaged.shrunk
        d_spread = d_eta * averaged.logit
        if d_shrunk is not None:
            d_spread += d_shrunk * averaged.shrunk**2
        d_spread *= averaged.shrunk
        d_spread *= -np.pi / 16
        d_curve = 4 * curve * (d_spread @ self._products.T).reshape(-1, k, k)
        d_slope = averaged.bent * (8 * d_spread)
        d_curve += (d_slope @ self._z).transpose(1, 0, 2)
        d_curve[:, np.arange(k), np.arange(k)] -= d_eta @ self._across.T
        d_peak = np.zeros_like(peak)
        ones = np.ones(len(self._z))
        for c, rows in self._groups:
            pulled = (d_slope @ ones if len(self._groups) == 1 else d_slope[:, :, rows].sum(axis=2)).T
            d_curve -= pulled[:, :, None] * peak[c][:, None, :]
            d_peak[c] = -(curve @ pulled[:, :, None])[:, :, 0]
        return d_eta, d_curve, d_peak


class AveragedLogit:
    """Averaged logits, how far each was shrunk, and the slope of eta times the error's variance."""

    def __init__(self, logit: FloatArray, shrunk: FloatArray, bent: FloatArray) -> None:
        self.logit, self.shrunk, self.bent = logit, shrunk, bent
