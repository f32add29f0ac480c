"""Drawing a line of a stated kind: how wide, how steep, how bent, and where its window lies.

Difficulty is set in units that mean the same for every study: the *sharpness* of a wall is its steepness times the
setting error across it, and the distance of a wall from the middle is chosen so that the loss through that wall,
averaged over setting error, is a stated small share there. All widths are invented; none was measured on a machine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.special import ndtri

from doe.domain.coding import code, decode
from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.study import Study
from doe.practice.heat import FloatArray, LogDoseTable, below_face_degc, dose_s, drying_film_degc
from doe.practice.truth import HandFeel, HeatTruth, StageHeat, Truth, Wiggle, WindowTruth

_EXTRA_TIMES = ("peel_wait", "cooling_gap", "second_press_time")
_ROOM_DEGC = 22.0


@dataclass(frozen=True)
class Layout:
    """Which numeric factor does what.

    ``temps`` and ``times``: column of the temperature and of the time of the oven and of the press, None when the
    study holds it; ``stages``: columns that matter at each machine that has any; ``extras``: the others (mild
    effects); ``coded_sd``: setting error in coded units at the middle of the range.
    """

    study: Study
    temps: tuple[int | None, int | None]
    times: tuple[int | None, int | None]
    stages: tuple[tuple[int, ...], ...]
    extras: tuple[int, ...]
    coded_sd: FloatArray

    @classmethod
    def of(cls, study: Study) -> Layout:
        """Roles by name first, then by unit and machine."""
        numeric = study.numeric
        temps, times = [], []
        for stage, temp_name, time_name in (("cure", "cure_temp", "cure_time"), ("press", "press_temp", "dwell")):
            temps.append(_find(numeric, stage, temp_name, "degC"))
            times.append(_find(numeric, stage, time_name, "s"))
        mains = [tuple(c for c in pair if c is not None) for pair in zip(temps, times, strict=True)]
        stages = tuple(pair for pair in mains if pair)
        taken = {c for pair in stages for c in pair}
        if not taken:  # no temperature and no time: then every factor counts
            stages, taken = (tuple(range(len(numeric))),), set(range(len(numeric)))
        return cls(
            study,
            (temps[0], temps[1]),
            (times[0], times[1]),
            stages,
            tuple(j for j in range(len(numeric)) if j not in taken),
            np.array([_coded_sd(f) for f in numeric]),
        )

    @property
    def dimensions(self) -> int:
        """Numeric factors."""
        return len(self.coded_sd)


def _find(numeric: tuple[Factor, ...], stage: str, name: str, unit: str) -> int | None:
    for j, f in enumerate(numeric):
        if f.name == name:
            return j
    for j, f in enumerate(numeric):
        if f.stage == stage and f.unit == unit and f.name not in _EXTRA_TIMES and f.name not in KNOWN_FACTORS:
            return j
    return None


def _coded_sd(factor: Factor) -> float:
    middle = float(decode(factor, 0.0))
    up = float(code(factor, middle + factor.setting_sd / 2))
    down = float(code(factor, max(middle - factor.setting_sd / 2, middle / 10 if factor.scale == "log" else -np.inf)))
    return up - down


@dataclass(frozen=True)
class Difficulty:
    """Ranges from which one kind of line is drawn, each (low, high).

    Attributes
    ----------
    loss : share lost through all walls at the middle of the window, setting error included
    sharpness : steepness of a wall times the setting error across it
    reach : how far the window's middle lies from the middle of the range, coded, along each factor
    bend : curvature of the window, per coded unit squared
    closing : curvature with which the margins fall away from the middle in every direction
    """

    loss: tuple[float, float] = (0.003, 0.015)
    sharpness: tuple[float, float] = (0.7, 1.6)
    reach: tuple[float, float] = (0.0, 0.6)
    bend: tuple[float, float] = (0.0, 0.0)
    closing: tuple[float, float] = (0.0, 0.0)


def _sign(rng: np.random.Generator, size: int) -> FloatArray:
    return rng.choice([-1.0, 1.0], size)


def _middle(rng: np.random.Generator, size: int, reach: tuple[float, float]) -> FloatArray:
    return _sign(rng, size) * rng.uniform(*reach, size)


def _wall(loss: float, sharpness: float, sd: float) -> tuple[float, float]:
    """Distance and steepness of a wall that loses this share when the heat wanders by ``sd``.

    A probit wall of steepness s averaged over N(0, sd) is a probit wall of steepness s / sqrt(1 + (s sd)^2).
    """
    steep = sharpness / max(sd, 0.05)
    return float(-ndtri(loss) * np.sqrt(1 + (steep * sd) ** 2) / steep), steep


def _directions(layout: Layout, rng: np.random.Generator, *, joint: bool) -> tuple[FloatArray, FloatArray]:
    """Heat directions w and trade-off directions v, each (k, d), unit length over the main factors."""
    groups = [sum(layout.stages, ())] if joint else list(layout.stages)
    weights = np.zeros((len(groups), layout.dimensions))
    trade = np.zeros_like(weights)
    for k, columns in enumerate(groups):
        for j in columns:
            hot = layout.study.numeric[j].is_temperature
            weights[k, j] = rng.uniform(0.7, 1.0) if hot else rng.uniform(0.3, 0.8)
            trade[k, j] = rng.normal()
        weights[k] /= np.linalg.norm(weights[k])
        trade[k] -= (trade[k] @ weights[k]) * weights[k]
        trade[k] /= max(float(np.linalg.norm(trade[k])), 1e-9)
        for j in layout.extras:
            weights[k, j] = rng.normal(0, 0.12)
    return weights, trade


def _shifts(layout: Layout, rng: np.random.Generator, width: int, sd: float) -> tuple[FloatArray, ...]:
    """Need of heat of each level of each categorical factor; the first level is the reference."""
    shifts = [rng.normal(0, sd, (len(f.levels), width)) for f in layout.study.categorical]
    return tuple(np.vstack([np.zeros(width), shift[1:]]) for shift in shifts)


def _hand(layout: Layout, rng: np.random.Generator, directions: int, *, conflict: float = 0.0) -> HandFeel:
    """Hand-feel with its own top; ``conflict`` moves that top toward the cold side (in half-windows)."""
    wanted = layout.study.spec.hand_min
    slopes = np.zeros(layout.dimensions)
    for j in layout.extras:
        slopes[j] = rng.normal(-0.1, 0.1)
    return HandFeel(
        top=min(float((wanted or 3.5) + rng.uniform(0.7, 1.2)), 4.9),
        best=rng.normal(-0.15 - conflict, 0.25, directions),
        drop=rng.uniform(0.25, 0.75, directions) * np.sqrt(2 / max(directions, 2)),
        skew=rng.uniform(0.0, 0.4, directions),
        slopes=slopes,
        straight=bool(rng.random() < 0.5),
        shifts=tuple(np.r_[0.0, rng.normal(0, 0.1, len(f.levels) - 1)] for f in layout.study.categorical),
    )


def window_truth(layout: Layout, rng: np.random.Generator, how: Difficulty, *, joint: bool = False) -> WindowTruth:
    """Walls along heat directions, placed for the drawn loss."""
    weights, trade = _directions(layout, rng, joint=joint)
    k, d = weights.shape
    sd = np.sqrt(((weights * layout.coded_sd) ** 2).sum(axis=1))
    share = rng.uniform(*how.loss) * rng.dirichlet(np.full(2 * k, 3.0))
    sharp = np.exp(rng.uniform(np.log(how.sharpness[0]), np.log(how.sharpness[1]), (2, k)))
    walls = [[_wall(max(share[s * k + j], 1e-5), sharp[s, j], sd[j]) for j in range(k)] for s in (0, 1)]
    placed = np.array(walls)  # (side, direction, (distance, steepness))
    closing = np.zeros((0, d))
    if how.closing[1] > 0:
        closing = rng.normal(size=(d, d)) / np.sqrt(d) + np.eye(d)
        closing *= np.sqrt(rng.uniform(*how.closing))
        closing[:, list(layout.extras)] *= 0.4
    return WindowTruth(
        centre=_middle(rng, d, how.reach),
        weights=weights,
        bend_weights=trade,
        bend=_sign(rng, k) * rng.uniform(*how.bend, k),
        low=placed[0, :, 0],
        high=placed[1, :, 0],
        steep_under=placed[0, :, 1],
        steep_over=placed[1, :, 1],
        closing=closing,
        shifts=_shifts(layout, rng, k, 0.15),
    )


def heat_truth(layout: Layout, rng: np.random.Generator, how: Difficulty) -> HeatTruth:
    """Oven and press with drawn lags, melting ranges and activation energies; limits placed for the drawn loss."""
    stages = []
    d = layout.dimensions
    middle = _middle(rng, d, how.reach)
    loss = rng.uniform(*how.loss) * rng.dirichlet(np.full(4, 3.0))
    for k in (0, 1):
        stages.append(_stage(layout, rng, how, k, middle, loss[2 * k : 2 * k + 2]))
    extra = np.zeros((2, d, 2))
    for j in layout.extras:
        extra[:, j, 0 if layout.study.numeric[j].stage == "cure" else 1] = rng.normal(0, 0.25, 2)
    return HeatTruth(
        tuple(stages),
        carry=float(rng.uniform(0.02, 0.12)),
        stubborn=float(rng.uniform(0.1, 0.5)),
        extra_under=extra[0],
        extra_over=extra[1],
        shifts=_shifts(layout, rng, 2, 0.15),
    )


def _stage(
    layout: Layout, rng: np.random.Generator, how: Difficulty, k: int, middle: FloatArray, loss: FloatArray
) -> StageHeat:
    temp_column, time_column = layout.temps[k], layout.times[k]
    names = (("cure_temp", "cure_time"), ("press_temp", "dwell"))[k]
    temp_f, time_f = (
        layout.study.numeric[c] if c is not None else usual_factor(name)
        for c, name in zip((temp_column, time_column), names, strict=True)
    )
    here = [
        float(decode(f, middle[c] if c is not None else 0.0)) for f, c in ((temp_f, temp_column), (time_f, time_column))
    ]
    if k == 0:
        path = partial(drying_film_degc, _ROOM_DEGC, lag_s=rng.uniform(10, 20), water_delta_degc=rng.uniform(6, 16))
        melts = rng.uniform(96, 106)
    else:
        path = partial(below_face_degc, _ROOM_DEGC, lag_s=rng.uniform(0.04, 0.25))
        melts = rng.uniform(100, 115)
    wide = 6 * temp_f.setting_sd + 15
    span = (temp_f.low - wide, temp_f.high + wide), (time_f.low / 5, time_f.high * 4)
    reference = here[0] - 10
    melt = LogDoseTable(
        partial(dose_s, path, reference_degc=reference, activation_kj=rng.uniform(60, 110), melts_degc=melts), *span
    )
    scorch = LogDoseTable(partial(dose_s, path, reference_degc=reference, activation_kj=rng.uniform(170, 260)), *span)
    share = rng.uniform(0.35, 0.85)
    held = (temp_column is None, time_column is None)
    melt_here, scorch_here = (_at(table, here) for table in (melt, scorch))
    errors = [0.0 if h else f.setting_sd for h, f in zip(held, (temp_f, time_f), strict=True)]
    slopes = [_slopes(table, here) for table in (melt, scorch)]
    mixed = share * slopes[0] + (1 - share) * slopes[1]
    low, steep_under = _wall(
        max(loss[0], 1e-5), _log_uniform(rng, how.sharpness), float(np.hypot(*(slopes[0] * errors)))
    )
    high, steep_over = _wall(max(loss[1], 1e-5), _log_uniform(rng, how.sharpness), float(np.hypot(*(mixed * errors))))
    return StageHeat(
        here[0] if temp_column is None else temp_column,
        here[1] if time_column is None else time_column,
        melt,
        scorch,
        melt_here,
        scorch_here,
        share,
        low,
        high,
        steep_under,
        steep_over,
    )


def usual_factor(name: str) -> Factor:
    """The factor as the trade usually has it, for a line whose study holds it."""
    known = KNOWN_FACTORS[name]
    return Factor(name, known.unit, known.low, known.high, setting_sd=known.setting_sd, scale=known.scale)


def _log_uniform(rng: np.random.Generator, span: tuple[float, float]) -> float:
    return float(np.exp(rng.uniform(*np.log(span))))


def _at(table: LogDoseTable, here: list[float]) -> float:
    return float(table(np.array([here[0]]), np.array([here[1]]))[0])


def _slopes(table: LogDoseTable, here: list[float]) -> FloatArray:
    """Log dose per degC and per s."""
    temp, time = here
    step_s = 0.01 * time
    return np.array(
        [
            (_at(table, [temp + 1, time]) - _at(table, [temp - 1, time])) / 2,
            (_at(table, [temp, time + step_s]) - _at(table, [temp, time - step_s])) / (2 * step_s),
        ]
    )


Drawn = tuple[Truth, HandFeel]


def _window(how: Difficulty, joint: float, layout: Layout, rng: np.random.Generator) -> tuple[WindowTruth, HandFeel]:
    """A window with its hand-feel; ``joint`` is the chance that oven and press make up for each other."""
    truth = window_truth(layout, rng, how, joint=bool(joint and rng.random() < joint))
    return truth, _hand(layout, rng, len(truth.low))


def _thermal(layout: Layout, rng: np.random.Generator) -> Drawn:
    return heat_truth(layout, rng, Difficulty(reach=(0.0, 0.7))), _hand(layout, rng, 2)


def _wiggly(layout: Layout, rng: np.random.Generator) -> Drawn:
    how = Difficulty(bend=(0.0, 0.25), closing=(0.0, 0.25), loss=(0.001, 0.01))
    truth = window_truth(layout, rng, how, joint=bool(rng.random() < 0.4))
    draw = partial(Wiggle.draw, rng, layout.dimensions)
    sd, length = rng.uniform(0.5, 1.0), rng.uniform(0.5, 0.9)
    truth = replace(truth, wiggle_under=draw(sd=sd, length=length), wiggle_over=draw(sd=sd, length=length))
    return truth, _hand(layout, rng, len(truth.low))


def _easy(layout: Layout, rng: np.random.Generator) -> Drawn:
    truth, hand = _window(Difficulty(loss=(1e-4, 1e-3), reach=(0.0, 0.5), closing=(0.0, 0.1)), 0, layout, rng)
    return truth, replace(hand, drop=np.full(len(truth.low), rng.uniform(0.1, 0.3)))


def _unreachable(layout: Layout, rng: np.random.Generator) -> Drawn:
    reason = rng.integers(4)
    how = Difficulty(closing=(0.0, 0.3), bend=(0.0, 0.2))
    if reason == 0:  # the walls overlap: too little and too much meet
        how = replace(how, loss=(0.15, 0.9))
    elif reason == 1:  # the window lies outside the ranges
        how = replace(how, reach=(1.0, 2.2))
    truth = window_truth(layout, rng, how)
    if reason == 2:  # a fault no setting cures, such as a repellent finish on the cloth
        truth = replace(truth, ceiling=float(ndtri(rng.uniform(0.4, 0.88))))
    if reason < 3:
        return truth, _hand(layout, rng, len(truth.low))
    hand = _hand(layout, rng, len(truth.low), conflict=1.2)  # soft hand and sound bond exclude each other
    return truth, replace(hand, drop=hand.drop * 2.0)


def _borderline(layout: Layout, rng: np.random.Generator) -> Drawn:
    how = Difficulty(loss=(0.02, 0.09), sharpness=(0.6, 6.0))
    if rng.random() < 0.5:
        return heat_truth(layout, rng, how), _hand(layout, rng, 2)
    return _window(replace(how, bend=(0.0, 0.25), closing=(0.0, 0.3)), 0, layout, rng)


DRAWS: dict[str, Callable[[Layout, np.random.Generator], Drawn]] = {
    "thermal": _thermal,
    "smooth": partial(_window, Difficulty(bend=(0.0, 0.35), closing=(0.1, 0.5), sharpness=(0.6, 1.4)), 0.4),
    "sharp": partial(_window, Difficulty(sharpness=(3.0, 12.0), bend=(0.0, 0.25), reach=(0.1, 0.6)), 0),
    "ridge": partial(_window, Difficulty(reach=(0.3, 1.1)), 0.6),
    "wiggly": _wiggly,
    "easy": _easy,
    "unreachable": _unreachable,
    "borderline": _borderline,
}
