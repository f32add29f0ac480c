"""Simulated lines with a known truth, to measure decisions on and to practise with.

Invented worlds: no machine, film or powder was measured for them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Literal, get_args

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from doe.domain.coding import code, decode
from doe.domain.errors import InputError
from doe.domain.masks import is_forbidden
from doe.domain.study import Study
from doe.practice.coupons import DEFAULT_SCORING, FloatArray, Habits, IntArray, Scoring, run
from doe.practice.kinds import DRAWS, Layout
from doe.practice.truth import Hand, Margins, Truth

LineKind = Literal["thermal", "smooth", "sharp", "ridge", "wiggly", "easy", "unreachable", "borderline"]
KINDS: tuple[LineKind, ...] = get_args(LineKind)
"""``thermal``: heat-up and dose at oven and press. ``smooth``: bent windows that close softly on all sides.
``sharp``: walls so steep that one coupon either side differs. ``ridge``: time makes up for temperature, the best
place near or outside an edge of the ranges. ``wiggly``: smooth, plus a random departure with holes. ``easy``: wide.
``unreachable``: no setting reaches the wanted pass rate. ``borderline``: the best setting just reaches it or just
does not, so that neither verdict about it is wrong; kept apart from the others in the benchmark."""

REACHABLE = 0.97
"""A line is drawn again until its best robust pass rate is at least this (with the default pass rate of 0.95)."""
OUT_OF_REACH = 0.88
"""... or, for ``unreachable``, at most this; ``borderline`` lines lie between the two."""
HAND_BLUR = 0.05
"""Hand-feel points over which a print turns from too stiff to soft enough."""
_TRIES = 100
_CHUNK = 1 << 17  # rows evaluated at once; keeps memory below about 100 MB


@dataclass(frozen=True)
class Best:
    """Best settings of a line, and the robust pass rate there."""

    settings: Mapping[str, float | str]
    robust_pass: float


@dataclass(frozen=True)
class SimulatedLine:
    """A line whose truth is known.

    Settings frames hold one column a factor, in stored units, as *set* (read from the displays). The ``true_``
    answers are about a coupon that got exactly these settings plus ``display_offset``; their four shares
    (pass, under, over, other) add up to one.

    Attributes
    ----------
    kind : str
    seed : int
    study : Study
    truth : Truth
    hand : Hand
    habits : Habits
    display_offset : mapping
        Real minus shown, by factor, in the stored unit; factors not named show the truth.
    platen_degc : tuple of float
        How much hotter than its middle each place of the platen is; prints lie on any of them. Empty: an even platen.
    """

    kind: str
    seed: int
    study: Study
    truth: Truth
    hand: Hand
    habits: Habits = field(default_factory=Habits)
    display_offset: Mapping[str, float] = field(default_factory=dict)
    platen_degc: tuple[float, ...] = ()

    def true_pass(self, settings: pd.DataFrame) -> FloatArray:
        """Probability that a coupon made at exactly these settings passes every check, shape (rows,)."""
        under, over, other = _survive(self.margins(settings))
        return (1 - self.habits.lapse) * under * over * other

    def true_under(self, settings: pd.DataFrame) -> FloatArray:
        """Probability of failing from too little heat (and for nothing that is seen first), shape (rows,)."""
        under, over, other = _survive(self.margins(settings))
        return (1 - self.habits.lapse) * (1 - under) * over * other

    def true_over(self, settings: pd.DataFrame) -> FloatArray:
        """Probability of failing from too much heat, shape (rows,)."""
        return (1 - self.habits.lapse) * (1 - _survive(self.margins(settings))[1])

    def true_other(self, settings: pd.DataFrame) -> FloatArray:
        """Probability of failing for a reason that is no question of heat, shape (rows,)."""
        _, over, other = _survive(self.margins(settings))
        return self.habits.lapse + (1 - self.habits.lapse) * (1 - other) * over

    def true_hand(self, settings: pd.DataFrame) -> FloatArray:
        """Mean hand-feel, 1 to 5, of coupons that transferred at exactly these settings, shape (rows,)."""
        natural, levels = self.real_settings(settings)
        return self.hand_at(natural, levels)

    def robust_pass(self, settings: pd.DataFrame, *, nodes: int = 256) -> FloatArray:
        """Probability that a production print set here passes and is soft enough, shape (rows,).

        Averaged over Gaussian setting error at fixed quasi-random nodes (Sobol points, the same for every row and
        line of as many factors). Soft enough: mean hand-feel at the settings the print really got is at least the
        spec's ``hand_min`` (blurred by `HAND_BLUR`, so that the average is smooth); without one every hand is.
        """
        natural, levels = self.real_settings(settings)
        spread = np.array([f.setting_sd for f in self.study.numeric]) * _nodes(natural.shape[1], nodes)
        if self.platen_degc:  # every place comes equally often
            places = np.resize(np.asarray(self.platen_degc), nodes)
            spread[:, [f.name == "press_temp" for f in self.study.numeric]] += places[:, None]
        rows = max(1, _CHUNK // nodes)
        return np.concatenate(
            [self._average(natural[i : i + rows], levels[i : i + rows], spread) for i in range(0, len(natural), rows)]
            or [np.empty(0)]
        )

    def best(self) -> Best:
        """Best robust setpoint in the tested region: Sobol points, then shrinking random steps around the best."""
        return self._best

    def run(self, coupons: pd.DataFrame, seed: int, how: Scoring = DEFAULT_SCORING) -> pd.DataFrame:
        """Make and score the coupons of a plan; see `doe.practice.coupons.run`."""
        return run(self, coupons, seed, how)

    def real_settings(self, settings: pd.DataFrame) -> tuple[FloatArray, IntArray]:
        """Real numeric settings (rows, numeric factors) and level numbers (rows, categorical factors)."""
        columns = [
            settings[f.name].to_numpy(dtype=float) + self.display_offset.get(f.name, 0.0) for f in self.study.numeric
        ]
        levels = np.zeros((len(settings), len(self.study.categorical)), dtype=np.int64)
        for j, f in enumerate(self.study.categorical):
            levels[:, j] = [f.levels.index(str(v)) for v in settings[f.name]]
        return np.column_stack(columns), levels

    def margins(self, settings: pd.DataFrame) -> Margins:
        """Margins of coupons that get exactly these settings; see `doe.practice.truth`."""
        return self.margins_at(*self.real_settings(settings))

    def margins_at(self, natural: FloatArray, levels: IntArray) -> Margins:
        """Margins at real settings, as `real_settings` gives them."""
        return self.truth.margins(natural, self._coded(natural), levels)

    def hand_at(self, natural: FloatArray, levels: IntArray) -> FloatArray:
        """Mean hand-feel at real settings, as `real_settings` gives them."""
        return self.hand(self._coded(natural), self.margins_at(natural, levels).heat, levels)

    def _coded(self, natural: FloatArray) -> FloatArray:
        columns = []
        for j, f in enumerate(self.study.numeric):
            # a machine far off cannot make a time negative; a thousandth of the range's low end stands for "none"
            floor = f.low / 1000 if f.scale == "log" else -np.inf
            columns.append(code(f, np.maximum(natural[:, j], floor)))
        return np.column_stack(columns)

    def _average(self, natural: FloatArray, levels: IntArray, spread: FloatArray) -> FloatArray:
        rows, nodes = len(natural), len(spread)
        around = (natural[:, None, :] + spread[None, :, :]).reshape(rows * nodes, -1)
        repeated = np.repeat(levels, nodes, axis=0)
        coded = self._coded(around)
        margins = self.truth.margins(around, coded, repeated)
        under, over, other = _survive(margins)
        good = (1 - self.habits.lapse) * under * over * other
        if self.study.spec.hand_min is not None:
            hand = self.hand(coded, margins.heat, repeated)
            good = good * ndtr((hand - self.study.spec.hand_min) / HAND_BLUR)
        return np.asarray(good.reshape(rows, nodes).mean(axis=1))

    @cached_property
    def _best(self) -> Best:
        """Best settings by search.

        Raises
        ------
        InputError
            If everything is forbidden.
        """
        rng = np.random.default_rng([self.seed, 77])
        d = len(self.study.numeric)
        coded = 2 * qmc.Sobol(d, rng=7).random(1024) - 1
        combinations = _level_combinations(self.study)
        found = []
        for combination in combinations:
            frame = self.frame(np.vstack([np.zeros((1, d)), coded]), combination)
            allowed = ~is_forbidden(self.study.forbidden, frame)
            if allowed.any():
                start, rate = _top(frame[allowed], self.robust_pass(frame[allowed], nodes=64), 12)
                found.append((start, rate, combination))
        if not found:
            raise InputError("forbidden combinations", "the whole region", "some settings", "Forbid less.")
        best = max((self._refine(start, combination, rng) for start, _, combination in found), key=lambda b: b[1])
        return Best(*best)

    def _refine(
        self, start: pd.DataFrame, combination: tuple[str, ...], rng: np.random.Generator
    ) -> tuple[dict[str, float | str], float]:
        points = np.column_stack([code(f, start[f.name].to_numpy(dtype=float)) for f in self.study.numeric])
        step = 0.25
        for _ in range(7):
            near = points[:, None, :] + step * rng.normal(size=(len(points), 16, points.shape[1]))
            tried = np.clip(np.vstack([points, near.reshape(-1, points.shape[1])]), -1, 1)
            frame = self.frame(tried, combination)
            allowed = ~is_forbidden(self.study.forbidden, frame)
            top, rates = _top(frame[allowed], self.robust_pass(frame[allowed]), 4)
            points = np.column_stack([code(f, top[f.name].to_numpy(dtype=float)) for f in self.study.numeric])
            step /= 1.7
        first = top.iloc[0]
        settings = {
            f.name: str(first[f.name]) if f.is_categorical else float(first[f.name]) for f in self.study.factors
        }
        return settings, float(rates[0])

    def frame(self, coded: FloatArray, combination: tuple[str, ...] | None = None) -> pd.DataFrame:
        """Settings of coded points (rows, numeric factors) at one combination of levels; the first by default."""
        if combination is None:
            combination = tuple(f.levels[0] for f in self.study.categorical)
        columns: dict[str, object] = {f.name: decode(f, coded[:, j]) for j, f in enumerate(self.study.numeric)}
        columns |= dict(zip((f.name for f in self.study.categorical), combination, strict=True))
        return pd.DataFrame(columns)[list(self.study.factor_names)]


def _survive(margins: Margins) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Probability of no failure from too little heat, from too much, and from what is no question of heat."""
    other = np.ones(len(margins.under)) if margins.other is None else ndtr(margins.other).prod(axis=1)
    return ndtr(margins.under).prod(axis=1), ndtr(margins.over).prod(axis=1), other


def _top(frame: pd.DataFrame, rates: FloatArray, keep: int) -> tuple[pd.DataFrame, FloatArray]:
    order = np.argsort(-rates, kind="stable")[:keep]
    return frame.iloc[order], rates[order]


def _level_combinations(study: Study) -> list[tuple[str, ...]]:
    combinations: list[tuple[str, ...]] = [()]
    for f in study.categorical:
        combinations = [(*c, level) for c in combinations for level in f.levels]
    return combinations


@lru_cache(maxsize=32)
def _nodes(dimensions: int, count: int) -> FloatArray:
    """Quasi-random standard normal nodes, shape (count, dimensions); the same ones every time."""
    points = qmc.Sobol(dimensions, rng=2024).random(count)
    return ndtri(np.clip(points, 1e-9, 1 - 1e-9))


def make_line(kind: str, seed: int, study: Study) -> SimulatedLine:
    """Simulated line of a kind.

    It is drawn again (from the same seed's stream) until its best robust pass rate is that of its kind: at least
    `REACHABLE`, for ``unreachable`` at most `OUT_OF_REACH`, for ``borderline`` between. For a spec other than 0.95
    the limits keep their distance from the wanted pass rate as a ratio of shares lost.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    seed : int
        0 or more. The same kind, seed and study give the same line.
    study : Study
        Ranges, setting errors and spec; the line fits them.

    Raises
    ------
    InputError
        If the kind or seed is not known, or no such line was found for the study.
    """
    draw = DRAWS.get(kind)
    if draw is None:
        raise InputError("kind of line", kind, ", ".join(KINDS), "Choose one of these.")
    if seed < 0:
        raise InputError("seed of a line", seed, "0 or more", "Choose another number.")
    layout = Layout.of(study)
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    lost = 1 - study.spec.pass_rate
    for _ in range(_TRIES):
        truth, hand = draw(layout, rng)
        line = SimulatedLine(kind, seed, study, truth, hand, Habits.draw(rng))
        best = line.best().robust_pass
        good, poor = best >= 1 - lost * (1 - REACHABLE) / 0.05, best <= 1 - lost * (1 - OUT_OF_REACH) / 0.05
        if {"unreachable": poor, "borderline": not good and not poor}.get(kind, good):
            return line
    raise InputError(
        "study",
        f"no {kind} line in {_TRIES} draws",
        "ranges and a spec that some line can meet",
        "Widen the ranges, lower the setting errors or the hand-feel wanted.",
    )
