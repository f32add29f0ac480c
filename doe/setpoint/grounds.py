"""What the ends of the window, the cliffs and the hand-feel of an answer rest on: which coupons, or none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.study import Study
from doe.setpoint.answer import Answer, Window
from doe.setpoint.box import box_points, growth
from doe.setpoint.chances import lower_hand
from doe.setpoint.reweigh import FloatArray, Weights
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import allowed
from doe.surfaces.fitted import Surfaces

HeatSide = Literal["under", "over"]
EndCause = Literal["heat", "hand"]

NEAREST = 2
"""Coupons beyond a cliff that are told by name."""

NO_STEP = 1e-9
"""Settings of a factor without steps that lie closer than this are the same."""


@dataclass(frozen=True)
class Named:
    """One coupon and how it ended; ``side`` of a failure, empty for a pass."""

    coupon: str
    passed: bool
    side: str


@dataclass(frozen=True)
class Beyond:
    """The coupons beyond a place on the way along one factor.

    Attributes
    ----------
    made, failed : int
        Coupons whose setting of that factor lies beyond, and how many of them failed in whatever way.
    telling : tuple of Named
        Those that failed as the fit expects of the place, or in a way nobody named; where hand-feel is what falls short
        there, those that felt less than wanted; of these the ones that lower the rate there, what lowers it most first.
    nearest : tuple of Named
        Coupons beyond, nearest to the place over all factors.
    strongest : str
        Coupon of the whole fit that lowers the rate just beyond the place most, and ``lowers`` by how much; empty and 0
        when none lowers it.
    silent : int
        Coupons that ended like those in ``telling`` and do not lower the rate there.
    """

    made: int
    failed: int
    telling: tuple[Named, ...]
    nearest: tuple[Named, ...]
    strongest: str
    lowers: float
    silent: int = 0


@dataclass(frozen=True)
class WindowEnd:
    """One end of the expected window along one factor.

    ``reason``: the tested ``range`` ends there, a ``rule`` (limit or forbidden combination) ends it, or the rate does:
    then that was ``seen`` on coupons beyond, or is ``assumed``. ``by`` says whether failing checks or short hand-feel
    take most of the rate there, ``side`` how checks fail.
    """

    factor: str
    end: Literal["lower", "higher"]
    at: float
    reason: Literal["range", "rule", "seen", "assumed"]
    by: EndCause
    side: HeatSide
    beyond: Beyond


@dataclass(frozen=True)
class CliffGround:
    """One cliff of the answer and the coupons beyond it."""

    factor: str
    direction: Literal["lower", "higher"]
    at: float
    by: EndCause
    side: HeatSide
    beyond: Beyond


@dataclass(frozen=True)
class HandMove:
    """Mean hand-feel at the setpoint without one coupon, its interval, and whether the draws can tell."""

    coupon: str
    mean: float
    low: float
    high: float
    reliable: bool


@dataclass(frozen=True)
class HandGround:
    """Hand-feel at the setpoint: its interval, who scored, how many coupons, and what each of them moves.

    ``coupons`` holds those with a score, what moves the mean most first.
    """

    mean: float
    low: float
    high: float
    people: tuple[str, ...]
    coupons: tuple[HandMove, ...]


@dataclass(frozen=True)
class FitCoupons:
    """Every coupon of a fit, this study's first.

    ``worth`` is what each counts for, ``hand`` its mean hand-feel with the offsets of people taken out (NaN where
    nobody scored it), ``own`` how many are this study's.
    """

    names: tuple[str, ...]
    passed: NDArray[np.bool_]
    side: NDArray[np.str_]
    settings: pd.DataFrame
    worth: FloatArray
    hand: FloatArray
    own: int

    def named(self, rows: Sequence[int] | NDArray[np.intp]) -> tuple[Named, ...]:
        """Some of them, as they are told."""
        return tuple(Named(self.names[i], bool(self.passed[i]), str(self.side[i])) for i in rows)

    def past(self, factor: str, direction: str, at: float, *, beside: bool) -> NDArray[np.bool_]:
        """Which lie beyond a setting of one factor; ``beside``: at it counts as beyond."""
        ahead = (self.settings[factor].to_numpy(dtype=float) - at) * (1 if direction == "higher" else -1)
        return np.asarray(ahead > (-NO_STEP if beside else NO_STEP))

    def failed_by(self, side: HeatSide) -> NDArray[np.bool_]:
        """Which failed by that side, or by one nobody named."""
        return np.asarray(~self.passed & np.isin(self.side, [side, "unknown"]))

    def feels_less_than(self, wanted: float | None) -> NDArray[np.bool_]:
        """Which felt less than wanted."""
        return np.asarray(self.hand < (-np.inf if wanted is None else wanted))


def made_coupons(surfaces: Surfaces) -> FitCoupons:
    """The coupons behind a fit, with those of an earlier study."""
    parts = [surfaces.results, *([] if surfaces.earlier is None else [surfaces.earlier.results])]
    names = tuple(str(name) for part in parts for name in part.coupon)
    own = surfaces.results.coupons
    hand = np.full(len(names), np.nan)
    hand[surfaces.hand_scores.rows] = surfaces.hand_scores.score
    return FitCoupons(
        names,
        np.concatenate([part.passed for part in parts]),
        np.concatenate([part.side for part in parts]),
        pd.concat([part.settings for part in parts], ignore_index=True),
        np.repeat([1.0, 1.0 if surfaces.earlier is None else surfaces.earlier.discount], [own, len(names) - own]),
        hand,
        own,
    )


def edges_and_cliffs(
    rate: RobustRate, answer: Answer, made: FitCoupons, without: Sequence[Weights]
) -> tuple[tuple[WindowEnd, ...], tuple[CliffGround, ...]]:
    """Ends of the expected window (none without a window), and cliffs, each with the coupons beyond.

    An end is looked at where the box would fail first were it a step wider there; a cliff where it was found.

    Parameters
    ----------
    rate : RobustRate
    answer : Answer
    made : Made
    without : sequence of Weights
        Of the draws without each coupon, in the order of ``made``.
    """
    names = list(rate.study.factor_names)
    ends = [] if answer.window is None else _ends(rate, answer, answer.window)
    cliffs = pd.DataFrame([{**answer.setpoint, c.factor: c.at} for c in answer.cliffs], columns=names)
    here = pd.DataFrame([dict(answer.setpoint)])[names]
    frame = pd.concat([here, *(end.worst for end in ends), *([cliffs] if len(cliffs) else [])], ignore_index=True)
    rates, checks = rate.draws_and_checks(frame, nodes=16)
    lost, lost_checks = (values.mean(axis=0)[0] - values.mean(axis=0) for values in (rates, checks))
    moved = rates.mean(axis=0) - np.array([weights.values for weights in without]) @ rates
    under, over = (side.mean(axis=0) for side in rate.surfaces.side_draws(frame))
    z = rate.surfaces.scaling.z
    away = np.linalg.norm(z(made.settings)[:, None, :] - z(frame)[None, :, :], axis=2)
    short = made.feels_less_than(rate.study.spec.hand_min)

    def ground(i: int, past: NDArray[np.bool_], side: HeatSide) -> tuple[EndCause, HeatSide, Beyond]:
        by: EndCause = "hand" if lost_checks[i] < lost[i] / 2 else "heat"
        telling = short if by == "hand" else made.failed_by(side)
        return by, side, _beyond(made, past, telling, moved[:, i], away[:, i])

    edges, beyond_cliffs = [], []
    for i, end in enumerate(ends, 1):
        past = made.past(end.factor, end.end, end.at, beside=False)
        by, side, beyond = ground(i, past, "over" if over[i] > under[i] else "under")
        reason = end.reason or ("seen" if beyond.telling else "assumed")
        edges.append(WindowEnd(end.factor, end.end, end.at, reason, by, side, beyond))
    for i, cliff in enumerate(answer.cliffs, 1 + len(ends)):
        past = made.past(cliff.factor, cliff.direction, cliff.at, beside=True)
        beyond_cliffs.append(CliffGround(cliff.factor, cliff.direction, cliff.at, *ground(i, past, cliff.side)))
    return tuple(edges), tuple(beyond_cliffs)


@dataclass(frozen=True)
class _End:
    factor: str
    end: Literal["lower", "higher"]
    at: float
    reason: Literal["range", "rule"] | None
    worst: pd.DataFrame


def _ends(rate: RobustRate, answer: Answer, window: Window) -> list[_End]:
    """Every end with what stops it if the rate does not, and the worst place of the box one step wider there."""
    study = rate.study
    bounds = window.bounds.loc[[f.name for f in study.numeric], ["low", "high"]].to_numpy(dtype=float)
    setpoint = pd.DataFrame([dict(answer.setpoint)])
    inner = np.full((1, len(bounds)), 0.5)
    stops: list[tuple[str, Literal["lower", "higher"], float, Literal["range", "rule"] | None]] = []
    faces: list[pd.DataFrame] = []
    for j, f in enumerate(study.numeric):
        for column in (0, 1):
            at, limit = float(bounds[j, column]), (f.low, f.high)[column]
            wider = bounds.copy()
            wider[j, column] = np.clip(at + (-1, 1)[column] * growth(f), f.low, f.high)
            points = box_points(study, setpoint, wider, inner)
            reason: Literal["range", "rule"] | None = None
            if abs(limit - at) < (f.step or NO_STEP):
                reason = "range"
            elif not allowed(study, points).all():
                reason = "rule"
            stops.append((f.name, "higher" if column else "lower", at, reason))
            faces.append(points[np.isclose(points[f.name].to_numpy(dtype=float), wider[j, column])])
    merit = rate.draws(pd.concat(faces, ignore_index=True), nodes=16, draws=rate.surfaces.draws.thin(240)).mean(axis=0)
    firsts = np.cumsum([0, *map(len, faces)])
    worst = [face.iloc[[int(merit[a:b].argmin())]] for face, a, b in zip(faces, firsts, firsts[1:], strict=False)]
    return [_End(*stop, place) for stop, place in zip(stops, worst, strict=True)]


def _beyond(
    made: FitCoupons, past: NDArray[np.bool_], telling: NDArray[np.bool_], moved: FloatArray, away: FloatArray
) -> Beyond:
    """Coupons beyond a place; ``moved`` is what each does to the rate there, ``away`` how far each lies from it."""
    rows = np.flatnonzero(past)
    told = np.flatnonzero(past & telling & (moved < 0))
    most = int(moved.argmin())
    lowers = max(-float(moved[most]), 0.0)
    return Beyond(
        len(rows),
        int((past & ~made.passed).sum()),
        made.named(told[np.argsort(moved[told], kind="stable")]),
        made.named(rows[np.argsort(away[rows], kind="stable")][:NEAREST]),
        made.names[most] if lowers else "",
        lowers,
        int((past & telling).sum()) - len(told),
    )


def hand_ground(
    study: Study, surfaces: Surfaces, answer: Answer, made: FitCoupons, without: Sequence[Weights]
) -> HandGround | None:
    """What hand-feel at the setpoint rests on; None without any score."""
    draws = surfaces.hand_draws(pd.DataFrame([dict(answer.setpoint)]))
    if draws is None:
        return None
    felt, low = draws[:, 0], 1 - study.spec.assurance
    mean = float(felt.mean())
    scored = surfaces.hand_scores.rows
    moves = [
        HandMove(
            made.names[i],
            w.mean(felt),
            lower_hand(w.mean(felt), w.quantile(felt, low)),
            w.quantile(felt, 1 - low),
            w.reliable,
        )
        for i, w in ((int(i), without[int(i)]) for i in scored)
    ]
    parts = [surfaces.results, *([] if surfaces.earlier is None else [surfaces.earlier.results])]
    people = [p for part in parts for j, p in enumerate(part.people) if np.isfinite(part.hand[:, j]).any()]
    ends = np.quantile(felt, [low, 1 - low])
    return HandGround(
        mean,
        lower_hand(mean, float(ends[0])),
        float(ends[1]),
        tuple(dict.fromkeys(people)),
        tuple(sorted(moves, key=lambda m: -abs(m.mean - mean))),
    )
