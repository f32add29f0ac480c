"""The robust pass rate: what share of prints meets the whole spec when the machine wanders around its setting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache, reduce
from itertools import product

import numpy as np
import pandas as pd
from scipy.stats import norm, qmc

from doe.domain.factors import Factor
from doe.domain.study import Study
from doe.surfaces.contract import SurfaceDraws
from doe.surfaces.fitted import Surfaces
from doe.surfaces.outcomes import FloatArray, expit

HAND_BLUR = 0.05
"""Width, in hand-feel points, over which a print turns from not good enough to good enough."""

_BLOCK = 300_000  # values held at once; keeps the arrays within the reach of the processor's own memory


@lru_cache(maxsize=32)
def error_nodes(factors: int, nodes: int) -> FloatArray:
    """Points that stand for the setting error, in standard deviations, shape (nodes, factors).

    A scrambled Sobol sequence through the normal quantile, with its mirror image, scaled to unit variance, so the
    mean and the variance of the error are exact. The same nodes serve every call: settings are compared smoothly.
    """
    half = max(nodes // 2, 1)
    sobol = qmc.Sobol(factors, scramble=True, rng=np.random.default_rng(20_250_101))
    points = norm.ppf(np.clip(sobol.random_base2(int(np.ceil(np.log2(half)))), 1e-6, 1 - 1e-6))[:half]
    points = np.concatenate([points, -points])
    scaled: FloatArray = points / points.std(axis=0)
    scaled.setflags(write=False)
    return scaled


def at_levels(frame: pd.DataFrame, factors: Sequence[Factor], levels: Sequence[str]) -> pd.DataFrame:
    """Settings with these factors at these levels."""
    return frame.assign(**{f.name: level for f, level in zip(factors, levels, strict=True)})


def in_turn(frame: pd.DataFrame, factors: Sequence[Factor]) -> pd.DataFrame:
    """Coupons that meet the levels of endured factors one after the other."""
    turns = list(product(*(f.levels for f in factors)))
    rows = np.arange(len(frame)) % len(turns)
    return frame.assign(**{f.name: [turns[i][j] for i in rows] for j, f in enumerate(factors)})


@dataclass(frozen=True)
class RobustRate:
    """Robust pass rate of settings under a study's surfaces.

    Setting error is counted once: the fit takes the trial's own error out of both surfaces (none where actual values
    were measured), and here all of production's stated error is put in.
    """

    study: Study
    surfaces: Surfaces
    uses_hand: bool = field(init=False)

    def __post_init__(self) -> None:
        wanted = self.study.spec.hand_min is not None and self.surfaces.has_hand
        object.__setattr__(self, "uses_hand", wanted)

    def draws(
        self,
        frame: pd.DataFrame,
        *,
        nodes: int = 32,
        draws: SurfaceDraws | None = None,
        hand: bool = True,
        as_made: bool = False,
    ) -> FloatArray:
        """Robust pass rate for every posterior draw, shape (draws, rows): that of the worst level of endured factors.

        Parameters
        ----------
        frame : DataFrame
            Settings, one row a point.
        nodes : int
            How many points stand for the setting error.
        draws : SurfaceDraws, optional
            A thinned posterior; the whole one by default.
        hand : bool
            Whether hand-feel counts too (where the spec asks for it and it was scored).
        as_made : bool
            Whether the level of an endured factor is the one in the frame, as for a coupon.
        """
        (rates,) = self._worst(frame, nodes, draws, (hand and self.uses_hand,), as_made)
        return rates

    def draws_and_checks(
        self, frame: pd.DataFrame, *, nodes: int = 32, draws: SurfaceDraws | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """`draws` of the whole spec and of the checks alone, for little more than one of them."""
        if not self.uses_hand:
            (rates,) = self._worst(frame, nodes, draws, (False,))
            return rates, rates
        checks, rates = self._worst(frame, nodes, draws, (False, True))
        return rates, checks

    def _worst(
        self,
        frame: pd.DataFrame,
        nodes: int,
        draws: SurfaceDraws | None,
        hands: Sequence[bool],
        as_made: bool = False,
    ) -> list[FloatArray]:
        """For each of ``hands``, rising, whether hand-feel counts: the robust rate at the worst endured levels."""
        endured = () if as_made else self.study.endured
        if not endured:
            return self._draws(frame, nodes, draws, hands)
        each = (
            self._draws(at_levels(frame, endured, levels), nodes, draws, hands)
            for levels in product(*(f.levels for f in endured))
        )
        return [reduce(np.minimum, of_one) for of_one in zip(*each, strict=True)]

    def _draws(
        self, frame: pd.DataFrame, nodes: int, draws: SurfaceDraws | None, hands: Sequence[bool]
    ) -> list[FloatArray]:
        model = self.surfaces.draws if draws is None else draws
        scaling = self.surfaces.scaling
        combination = scaling.combination(frame)
        error = error_nodes(len(scaling.numeric), nodes)
        if all(f.setting_sd == 0 for f in scaling.numeric):
            error = error[:1] * 0.0
        outs = [np.empty((model.count, len(frame))) for _ in hands]
        size = max(1, _BLOCK // (model.count * len(error)))
        for c in np.unique(combination):
            rows = np.flatnonzero(combination == c)
            for start in range(0, len(rows), size):
                part = rows[start : start + size]
                z = self._spread(frame.iloc[part], error)
                met = expit(model.eta(z, int(c)))
                for hand, out in zip(hands, outs, strict=True):
                    if hand:
                        short = self.study.spec.hand_min - model.mean_hand(z, int(c))  # type: ignore[operator] # uses_hand
                        met *= expit(-short / (HAND_BLUR * 0.55))  # logistic close to a normal of that width
                    mean = met.reshape(model.count, len(part), len(error)).mean(axis=2)
                    out[:, part] = (1 - model.lapse)[:, None] * mean
        return outs

    def _spread(self, frame: pd.DataFrame, error: FloatArray) -> FloatArray:
        """Model coordinates of settings with their error nodes, shape (rows * nodes, factors)."""
        columns = []
        scaling = self.surfaces.scaling
        for f, j in zip(scaling.numeric, scaling.rank, strict=True):
            value = frame[f.name].to_numpy(dtype=float)[:, None] + f.setting_sd * error[None, :, j]
            if f.scale == "log":  # a time cannot fall to zero however far the error reaches
                value = np.maximum(value, 0.1 * f.low)
            columns.append(scaling.z_of(f, value).reshape(-1))
        return np.column_stack(columns)
