"""Dose mechanisms, a second kind of pass surface to hold beside the closing window: two walls of heat at each machine.

A coupon is sound when it escapes every mechanism; each is a logistic wall, monotone in the factors of its own machine,

    p_sound(z) = expit(top) * prod_s expit(g_s + b_s.(z_s - c_s)) * expit(g_s - B_s.(z_s - c_s))

with ``z_s`` the heat factors of machine ``s`` in model coordinates, ``c_s`` the middle of its window, ``g_s`` the
margin there and ``b_s, B_s > 0`` the slopes of the two walls, which may lie at different angles (melting and scorching
have different activation energies). ``top`` stands for faults that no setting mends. A batch moves the machine's
temperature, so its two walls move together. The closing window falls off as one smooth hill; this surface is flat on
top, has sharp walls and lets the two machines fail apart from each other. Numeric factors that add heat only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.errors import InputError
from doe.surfaces.contract import columns, layout, thinned_rows
from doe.surfaces.hand_scores import HandScores
from doe.surfaces.outcomes import FloatArray, chances_seen, expit
from doe.surfaces.sampler import Cloud, sample
from doe.surfaces.scaling import heats, quadratic_coefficients, quadratic_features
from doe.surfaces.shop import Trait
from doe.surfaces.window_model import WindowModel, student_log_density

_MOST = 60.0  # exponents beyond this change nothing and would overflow in a product
_TINY = 1e-12


@dataclass(frozen=True)
class MechanismPriors:
    """Means and standard deviations of the transformed parameters; two-piece where three numbers stand.

    Chosen so that the best robust rate of a line drawn from them is spread like that of the closing window's priors.
    """

    top_logit: tuple[float, float, float] = (5.0, 3.0, 1.0)
    margin: tuple[float, float, float] = (7.0, 3.0, 2.0)
    place_sd: float = 0.6
    log_slope: tuple[float, float] = (1.4, 0.5)
    log_wall_sd: float = 0.3
    log_time_share: float = -0.5
    log_direction_sd: float = 0.4
    batch_share: float = 0.5
    logit_lapse: tuple[float, float] = (-4.2, 0.8)
    logit_wrong_side: tuple[float, float] = (-3.4, 1.1)
    hand_top: tuple[float, float] = (4.3, 0.7)
    log_hand_depth: tuple[float, float] = (-2.3, 1.6)
    hand_place_sd: float = 0.5
    log_hand_sd: tuple[float, float] = (-1.1, 0.4)


@dataclass(frozen=True)
class MechanismDraws:
    """Parameters of the dose mechanisms, one row a draw; evaluated like `WindowDraws`.

    ``walls``: shape (draws, 2 machines, 1 + k), constant and slopes of each margin, too little first; ``top``,
    ``lapse`` and the like: (draws,); ``hand``: (draws, features); ``peak``: (1, draws, k).
    """

    walls: FloatArray
    top: FloatArray
    hand: FloatArray
    lapse: FloatArray
    wrong_side: FloatArray
    hand_sd: FloatArray
    peak: FloatArray

    @property
    def count(self) -> int:
        """Number of draws."""
        return len(self.lapse)

    def thin(self, count: int) -> MechanismDraws:
        """Every so many-th draw, ``count`` of them at most."""
        if count >= self.count:
            return self
        pick = thinned_rows(self.count, count)
        return MechanismDraws(
            self.walls[pick],
            self.top[pick],
            self.hand[pick],
            self.lapse[pick],
            self.wrong_side[pick],
            self.hand_sd[pick],
            self.peak[:, pick],
        )

    def eta(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of a sound print, shape (draws, rows)."""
        under, over = self._escaped(z)
        sound = np.clip(under * over, _TINY, 1 - _TINY)
        return np.asarray(np.log(sound) - np.log1p(-sound))

    def over_logit(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of *over* among heat failures, shape (draws, rows); who fails both ways shows too much heat."""
        under, over = self._escaped(z)
        return np.asarray(np.log(np.maximum(1 - over, _TINY)) - np.log(np.maximum(over * (1 - under), _TINY)))

    def _escaped(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        return escaped(self.walls @ np.concatenate([np.ones((len(z), 1)), z], axis=1).T, self.top)

    def quadratics(self) -> None:
        """None: walls are not quadratics."""

    def mean_hand(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Mean hand-feel on its 1 to 5 scale, shape (draws, rows)."""
        return np.asarray(np.clip(self.hand @ quadratic_features(z).T, 1.0, 5.0))


def escaped(margins: FloatArray, top: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Probabilities of escaping every mechanism of too little and of too much heat, each of shape (draws, rows)."""
    walls = 1 + np.exp(np.minimum(-margins, _MOST))
    half = margins.shape[1] // 2
    return expit(top)[:, None] / walls[:, :half].prod(axis=1), np.asarray(1 / walls[:, half:].prod(axis=1))


def speaks_of(window: WindowModel) -> bool:
    """Whether the mechanisms know all that a closing window was given: heat at oven and press, and no more.

    Earlier coupons are not discounted here, and batches have to be known of both machines or of neither.
    """
    if window.combinations > 1 or not (heats(window.factors) > 0).all() or (window.weights != 1).any():
        return False
    return len({f.stage for f in window.factors}) == 2 and len(window.batches) in (0, 2)


class MechanismModel:
    """The dose mechanisms for the coupons of a closing window: parameter layout, log likelihood, draws.

    Raises
    ------
    InputError
        If the study or its coupons say too little for dose mechanisms.
    """

    name = "dose mechanisms"

    def __init__(self, window: WindowModel, priors: MechanismPriors | None = None) -> None:
        self.window = window
        self.priors = priors or MechanismPriors()
        if not speaks_of(window):
            raise InputError(
                "dose mechanisms",
                ", ".join(f.name for f in window.scaling.factors),
                "temperatures and times of both machines, batches of both or of neither, no earlier coupons",
                "Fit the closing window instead.",
            )
        stages = [f.stage or "press" for f in window.factors]
        self.machines = [np.flatnonzero([s == stage for s in stages]) for stage in sorted(set(stages))]
        self._slices = self._layout()
        self._own, self._shared = self._error_variances()

    @property
    def parameters(self) -> int:
        """Number of parameters."""
        return int(max(part.stop for part in self._slices.values()))

    @property
    def weights(self) -> FloatArray:
        """What each coupon counts for, shape (coupons,)."""
        return self.window.weights

    @property
    def hand(self) -> HandScores:
        """Hand-feel of the coupons."""
        return self.window.hand

    @property
    def place_sd(self) -> FloatArray:
        """Prior spread of the middle of the window, shape (k,)."""
        return np.full(self.window.k, self.priors.place_sd)

    @property
    def traits(self) -> tuple[Trait, ...]:
        """None that a shop could teach."""
        return ()

    @property
    def loan(self) -> None:
        """Nothing is lent."""

    @property
    def prior_groups(self) -> Mapping[str, NDArray[np.intp]]:
        """Parameters of each group of priors."""
        groups = {
            "height": ("top", "margin"),
            "place": ("place",),
            "width": ("slope", "wall", "direction"),
            "sides": ("wrong_side",),
            "stray": ("lapse",),
            "hand": ("hand_top", "hand_depth", "hand_place", "hand_sd"),
        }
        return {group: columns(self._slices, *names) for group, names in groups.items()}

    @property
    def quantities(self) -> Mapping[str, NDArray[np.intp]]:
        """Parameters behind what coupons can teach; factors of one machine share the steepness of its walls."""
        slope = columns(self._slices, "slope")
        machine = [next(s for s, own in enumerate(self.machines) if j in own) for j in range(self.window.k)]
        alone = {"height": ("top", "margin"), "trade": ("direction",)}
        alone |= {name: (name,) for name in ("place", "lapse", "hand_top")}
        return {quantity: columns(self._slices, *names) for quantity, names in alone.items()} | {
            "steepness": slope[machine]
        }

    def sample(
        self, *, rng: np.random.Generator, particles: int, progress: Callable[[float], None] | None = None
    ) -> Cloud:
        """Posterior draws of the parameters, by random walks."""
        return sample(self.log_likelihood, self.parameters, rng=rng, particles=particles, progress=progress)

    def _layout(self) -> dict[str, slice]:
        k, machines = self.window.k, len(self.machines)
        sizes = {
            "top": 1,
            "margin": machines,
            "place": k,
            "slope": machines,
            "wall": machines,
            "direction": 2 * k,
            "lapse": 1,
            "wrong_side": 1,
            "hand_top": 1,
            "hand_depth": machines,
            "hand_place": machines,
            "hand_sd": 1,
            **{f"batch_{i}": b.members.shape[1] for i, b in enumerate(self.window.batches)},
            "late": self.window.to_come.kinds,
        }
        return layout(sizes)

    def _error_variances(self) -> tuple[FloatArray, FloatArray]:
        """The trial's setting error of each coupon alone, and of its batch's temperature, each (coupons, k)."""
        own, shared = self.window.trial_variance.copy(), np.zeros_like(self.window.trial_variance)
        for batch, machine in zip(self.window.batches, self.machines, strict=False):
            member = batch.members.any(axis=1)
            for j in machine:
                if self.window.factors[j].is_temperature:
                    shared[:, j] = np.where(member, self.priors.batch_share * own[:, j], 0.0)
        return own - shared, shared

    def unpack(self, xi: FloatArray) -> MechanismDraws:
        """Draws of the model from standard normal parameters, shape (draws, parameters)."""
        p, at, n, k = self.priors, self._slices, len(xi), self.window.k

        def two_piece(name: str, prior: tuple[float, float, float]) -> FloatArray:
            x = xi[:, at[name]]
            return np.asarray(prior[0] + x * np.where(x < 0, prior[1], prior[2]))

        def scaled(name: str, prior: tuple[float, float]) -> FloatArray:
            return np.asarray(prior[0] + prior[1] * xi[:, at[name]])

        margin, place = two_piece("margin", p.margin), p.place_sd * xi[:, at["place"]]
        steep, differ = np.exp(scaled("slope", p.log_slope)), np.exp(p.log_wall_sd * xi[:, at["wall"]])
        depth = np.exp(scaled("hand_depth", p.log_hand_depth))
        hand_away = p.hand_place_sd * xi[:, at["hand_place"]]
        means = np.array([0.0 if f.is_temperature else p.log_time_share for f in self.window.factors])
        turned = np.exp(means + p.log_direction_sd * xi[:, at["direction"]].reshape(n, 2, k))
        machines = len(self.machines)
        walls, curve, hand_peak = np.zeros((n, 2 * machines, 1 + k)), np.zeros((n, k, k)), place.copy()
        for s, own in enumerate(self.machines):
            unit = turned[:, :, own] / np.linalg.norm(turned[:, :, own], axis=2, keepdims=True)
            for side, sign in ((0, 1.0), (1, -1.0)):
                slope = unit[:, side] * (steep[:, s] * differ[:, s] ** sign)[:, None]
                walls[:, side * machines + s, 1 + own] = sign * slope
                walls[:, side * machines + s, 0] = margin[:, s] - sign * (slope * place[:, own]).sum(axis=1)
            heat = unit.sum(axis=1)
            heat /= np.linalg.norm(heat, axis=1, keepdims=True)
            curve[np.ix_(np.arange(n), own, own)] = depth[:, s, None, None] * heat[:, :, None] * heat[:, None, :]
            hand_peak[:, own] += heat * hand_away[:, s, None]
        return MechanismDraws(
            walls,
            two_piece("top", p.top_logit)[:, 0],
            quadratic_coefficients(scaled("hand_top", p.hand_top)[:, 0], hand_peak, curve),
            expit(scaled("lapse", p.logit_lapse)[:, 0]),
            expit(scaled("wrong_side", p.logit_wrong_side)[:, 0]),
            np.exp(scaled("hand_sd", p.log_hand_sd)[:, 0]),
            place[None],
        )

    def coupon_log_likelihood(self, xi: FloatArray, draws: MechanismDraws | None = None) -> FloatArray:
        """Log likelihood of each coupon's pass/fail and side, shape (draws, coupons)."""
        draws = self.unpack(xi) if draws is None else draws
        under, over = self._coupons_escaped(xi, draws)
        return self._outcomes(under, over, draws.lapse[:, None], draws.wrong_side[:, None], self._late(xi))

    def pass_log_chance(self, xi: FloatArray) -> FloatArray:
        """Log probability that each coupon passes its checks, shape (draws, coupons)."""
        draws = self.unpack(xi)
        under, over = self._coupons_escaped(xi, draws)
        sound = under * over
        passes = (1 - draws.lapse)[:, None] * (sound + self._late(xi) * (1 - sound))
        return np.asarray(np.log(np.maximum(passes, 1e-300)))

    def _coupons_escaped(self, xi: FloatArray, draws: MechanismDraws) -> tuple[FloatArray, FloatArray]:
        """`escaped` at each coupon's set values, in its batch, the trial's error averaged over."""
        w, machines = self.window, len(self.machines)
        slopes = draws.walls[:, :, 1:]
        margins = draws.walls @ np.concatenate([np.ones((len(w.z), 1)), w.z], axis=1).T
        for i, (batch, own) in enumerate(zip(w.batches, self.machines, strict=False)):
            moved = xi[:, self._slices[f"batch_{i}"]] @ batch.members.T
            for wall in (i, machines + i):
                margins[:, wall] += (slopes[:, wall, own] @ np.sqrt(self._shared[:, own]).T) * moved
        # a logit with a normal error is averaged by shrinking it (MacKay 1992), as the closing window does
        return escaped(margins / np.sqrt(1 + np.pi / 8 * slopes**2 @ self._own.T), draws.top)

    def _late(self, xi: FloatArray) -> FloatArray:
        """Share of the failures that only a check to come shows, for each coupon, (draws, coupons)."""
        return self.window.to_come.late(xi[:, self._slices["late"]])

    def _outcomes(
        self, under: FloatArray, over: FloatArray, lapse: FloatArray, wrong: FloatArray, late: FloatArray
    ) -> FloatArray:
        """Log probability of what happened to each coupon; a coupon that fails both ways shows too much heat."""
        w, sound = self.window, under * over
        heat = np.stack([over - sound, 1 - over])
        shown = heat * (1 - wrong) + heat[::-1] * wrong
        by_lapse, by_under, by_over = chances_seen(w.points).T
        failed = by_lapse * lapse + (1 - lapse) * (by_under * shown[0] + by_over * shown[1])
        p = np.where(w.passed, (1 - lapse) * (sound + late * (1 - sound)), failed)
        return np.asarray(np.log(np.maximum(p, 1e-300)))

    def hand_log_likelihood(self, xi: FloatArray, draws: MechanismDraws | None = None) -> FloatArray:
        """Log likelihood of each scored coupon's mean hand-feel, shape (draws, scored coupons)."""
        draws = self.unpack(xi) if draws is None else draws
        hand = self.window.hand
        return student_log_density(
            hand.score - draws.hand @ self.window.features[hand.rows].T, draws.hand_sd[:, None] * hand.spread
        )

    def log_likelihood(self, xi: FloatArray) -> FloatArray:
        """Log likelihood of all results, shape (draws,)."""
        draws = self.unpack(xi)
        return np.asarray(
            self.coupon_log_likelihood(xi, draws).sum(axis=1) + self.hand_log_likelihood(xi, draws).sum(axis=1)
        )
