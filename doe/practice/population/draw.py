"""Drawing a line from the population."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from doe.domain.errors import InputError
from doe.domain.study import Study
from doe.practice.coupons import Habits
from doe.practice.kinds import Layout
from doe.practice.lines import REACHABLE, SimulatedLine
from doe.practice.population.doses import doses
from doe.practice.population.hands import draw_hand
from doe.practice.population.shapes import bowl, heat_direction, irregular, layers, linked, slabs
from doe.practice.population.walls import Shape, Walls, bisected, per_setting_error
from doe.practice.truth import Hand

FloatArray = NDArray[np.float64]
Family = Callable[[Layout, np.random.Generator, FloatArray], Shape]
DrawHand = Callable[[np.random.Generator, FloatArray, FloatArray, float], Hand]

FAMILIES: Mapping[str, Family] = {
    "bowl": bowl,
    "slabs": slabs,
    "irregular": irregular,
    "layers": layers,
    "linked": linked,
    "doses": doses,
}
"""Families on which plans, priors and thresholds may be chosen."""

OUT_OF_REACH = 0.93
"""A line counts as out of reach when its best robust pass rate is at most this (wanted: 0.95)."""
_TRIES = 400


@dataclass(frozen=True)
class Population:
    """Hyper-parameters, each (low, high) of a uniform draw, or of a log-uniform one where it says so. All invented.

    Attributes
    ----------
    width : width of each tested range, in setting errors
    ratio : high over low of a time, log-uniform
    share : share of the region where a single coupon passes, log-uniform
    reach : share of the region where the robust rate reaches the wanted one
    sharpness : steepness of a wall times the setting error across it, log-uniform
    unreachable : share of lines on which no setting reaches the wanted rate
    lapse : prints lost to what is no setting
    unknown, wrong_side : failures whose side is missing, or taken for the other one
    batch_share, garment_share : of the machines' and the coupons' variance that is common to a batch, to a garment
    hand_coupon_sd, hand_scorer_sd, hand_bias_sd : points of the scale
    cut : standard deviations of the coupon scatter from the line between pass and fail to the next grade, log-uniform
    grade_slip : share of coupons graded the other one of their side
    offset : display minus true temperature, in setting errors (standard deviation)
    """

    width: tuple[float, float] = (5.0, 14.0)
    ratio: tuple[float, float] = (2.0, 5.0)
    share: tuple[float, float] = (0.03, 0.75)
    reach: tuple[float, float] = (0.001, 0.30)
    sharpness: tuple[float, float] = (0.5, 8.0)
    unreachable: float = 0.25
    lapse: tuple[float, float] = (0.0, 0.10)
    unknown: tuple[float, float] = (0.0, 0.15)
    wrong_side: tuple[float, float] = (0.0, 0.05)
    batch_share: tuple[float, float] = (0.1, 0.9)
    garment_share: tuple[float, float] = (0.0, 0.4)
    hand_coupon_sd: tuple[float, float] = (0.1, 0.3)
    hand_scorer_sd: tuple[float, float] = (0.2, 0.5)
    hand_bias_sd: tuple[float, float] = (0.1, 0.6)
    cut: tuple[float, float] = (0.7, 4.0)
    grade_slip: tuple[float, float] = (0.0, 0.10)
    offset: float = 1.0


WORLD = Population()


def draw_line(
    family: str,
    seed: int,
    study: Study,
    *,
    families: Mapping[str, Family] = FAMILIES,
    hands: DrawHand = draw_hand,
    world: Population = WORLD,
) -> SimulatedLine:
    """A line of a family for a study; the same arguments give the same line.

    It is drawn again from the same stream until it is reachable (best robust rate at least `REACHABLE`, in a share of
    the region within ``world.reach``) or out of reach (at most `OUT_OF_REACH`), as the seed decides.

    Raises
    ------
    InputError
        If the family is not known or the study leaves no such line.
    """
    if family not in families:
        raise InputError("family of lines", family, ", ".join(families), "Choose one of these.")
    rng = np.random.default_rng([seed, 62])
    layout = Layout.of(study)
    hopeless = bool(rng.random() < world.unreachable)
    spots = 2 * qmc.Sobol(layout.dimensions, rng=11).random(512) - 1
    lost = (1 - study.spec.pass_rate) / 0.05  # other specs keep their distance as a ratio of shares lost
    good, poor = 1 - lost * (1 - REACHABLE), 1 - lost * (1 - OUT_OF_REACH)
    for _ in range(_TRIES):
        line = _candidate(family, seed, layout, rng, spots, families[family], hands, world)
        if line is None:
            continue
        rates = line.robust_pass(line.frame(spots), nodes=64)
        share, top = float((rates >= study.spec.pass_rate).mean()), float(rates.max())
        if hopeless:
            if top <= poor and line.best().robust_pass <= poor:
                return line
        elif top >= good - 0.06 * lost and share <= world.reach[1] and line.best().robust_pass >= good:
            return line
    raise InputError(
        "study",
        f"no line of the family {family} in {_TRIES} draws",
        "ranges and a spec that some line can meet",
        "Widen the ranges, lower the setting errors or the hand-feel wanted.",
    )


def log_uniform(rng: np.random.Generator, span: tuple[float, float]) -> float:
    """A number whose logarithm is uniform over a span."""
    return float(np.exp(rng.uniform(*np.log(span))))


def _centre(rng: np.random.Generator, d: int) -> FloatArray:
    """Middle of a window: mostly inside the ranges, sometimes at an edge or outside, coded."""
    where = rng.choice(3, size=d, p=(0.70, 0.22, 0.08))
    reach = np.choose(where, [rng.uniform(0, 0.6, d), rng.uniform(0.6, 1.0, d), rng.uniform(1.0, 1.4, d)])
    return np.asarray(rng.choice([-1.0, 1.0], d) * reach)


def _candidate(
    family: str,
    seed: int,
    layout: Layout,
    rng: np.random.Generator,
    spots: FloatArray,
    draw: Family,
    hands: DrawHand,
    world: Population,
) -> SimulatedLine | None:
    study, d = layout.study, layout.dimensions
    centre = _centre(rng, d)
    shape = draw(layout, rng, centre)
    errors = rng.normal(size=spots.shape) * np.array([f.setting_sd for f in study.numeric])
    wander = per_setting_error(shape, study, spots, errors)
    steep = [
        np.exp(rng.uniform(np.log(world.sharpness[0]), np.log(world.sharpness[1]), len(unit))) / unit for unit in wander
    ]
    heat = heat_direction(layout, rng)
    shifts = tuple(_level_moves(rng, len(f.levels), heat) for f in study.categorical)
    truth = Walls(study, shape, steep[0], steep[1], 0.0, heat, shifts)
    wanted = study.spec.hand_min if study.spec.hand_min is not None else 3.5
    line = SimulatedLine(
        kind=family,
        seed=seed,
        study=study,
        truth=truth,
        hand=hands(rng, centre, heat, wanted),
        habits=_habits(rng, world),
        display_offset={
            f.name: float(rng.normal(0, world.offset) * f.setting_sd) for f in study.numeric if f.is_temperature
        },
    )
    frame = line.frame(spots)
    wanted_share = log_uniform(rng, world.share)

    def passing(opened: float) -> float:
        return float(replace(line, truth=replace(truth, open=opened)).true_pass(frame).mean())

    if not passing(-6.0) < wanted_share < passing(6.0):
        return None
    return replace(line, truth=replace(truth, open=bisected(passing, wanted_share, -6.0, 6.0)))


def _level_moves(rng: np.random.Generator, levels: int, heat: FloatArray) -> FloatArray:
    """How far each level moves the window, coded, shape (levels, d); no level is the reference."""
    moves = rng.normal(0, 0.2, (levels, 1)) * heat + rng.normal(0, 0.1, (levels, len(heat)))
    return np.asarray(moves - moves.mean(axis=0))


def _habits(rng: np.random.Generator, world: Population) -> Habits:
    """Habits of a shop; most lose few prints to what is no setting, some many."""
    own = rng.spawn(1)[0]  # grades have a stream of their own: a line is the same with and without them
    return Habits(
        batch_share=rng.uniform(*world.batch_share),
        garment_share=rng.uniform(*world.garment_share),
        lapse=float(world.lapse[0] + (world.lapse[1] - world.lapse[0]) * rng.beta(0.4, 3.0)),
        unknown=rng.uniform(*world.unknown),
        wrong_side=rng.uniform(*world.wrong_side),
        hand_coupon_sd=rng.uniform(*world.hand_coupon_sd),
        hand_scorer_sd=rng.uniform(*world.hand_scorer_sd),
        hand_bias_sd=rng.uniform(*world.hand_bias_sd),
        just=log_uniform(own, world.cut),
        slight=log_uniform(own, world.cut),
        grade_slip=own.uniform(*world.grade_slip),
    )
