"""The closing window: a pass surface that must fall off in every direction, fitted jointly with hand-feel.

For coded settings ``z`` (see `scaling`) the logit of a sound print is

    eta(z) = g - |L'(z - z0)|^2

with peak ``z0`` (prior inside the region) and ``L`` a square root of the curve whose columns have lognormal lengths, so
the window closes however few coupons there are; plain quadratics are left open by 20 pass/fail results and run to a
corner. Widths are exchangeable over factors, with a part that all have in common (how wide the ranges are for this
window), and the curve grows with the height of the peak: what is surely sound at its best may still fall off a wall.
A heat failure at ``z`` is *under* or *over* by a logistic split along a heat direction through ``z0``; a small share
of coupons fails for other reasons (lapse), and a small share of symptoms points the wrong way. Mean hand-feel
is a parabola of the same shape with its own top and depth, with Student-t errors; a score is known to a rounding, and
one at an end of the scale only from one side. The coupons of a cure or press batch share an error of its machine
(`batch_error`). Every parameter is a transform of a standard normal (`Priors`), as `sampler` needs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from copy import copy
from dataclasses import dataclass, replace
from itertools import permutations
from typing import Self

import numpy as np
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.results import Results
from doe.domain.spec import HAND_HIGH, HAND_LOW, HAND_STEP
from doe.surfaces.batch_error import OWN_PART, BatchError, displaced
from doe.surfaces.contract import Quadratics, columns, layout, thinned_rows
from doe.surfaces.hand_scores import HandScores
from doe.surfaces.outcomes import FloatArray, Outcomes, expit
from doe.surfaces.scaling import Scaling, heats, is_same_dose, quadratic_coefficients, quadratic_features
from doe.surfaces.shop import Loan, ShopHistory, Trait
from doe.surfaces.trial_error import Groups, TrialError
from doe.surfaces.washing import NO_WASHES, to_come


@dataclass(frozen=True)
class Priors:
    """Means and standard deviations of the transformed parameters (see the module's text).

    Lengths are in half-ranges of the tested region, heights in logits, hand-feel in scale points. They say: most stacks
    have a setting that passes nearly always, but one in six has none that passes nine times in ten; the peak lies
    somewhere in or just beyond the region; half a range away from it costs about a logit or two where ranges are narrow
    for the window, and everything where they are wide. ``peak_logit`` is its middle, the spread below it, and the
    spread of its logarithm above. Chosen on simulated lines (tuning families), not on any shop's data.
    """

    peak_logit: tuple[float, float, float] = (5.0, 3.0, 0.5)
    peak_place_sd: float = 0.55
    log_steepness: tuple[float, float] = (0.4, 0.4)
    log_steepness_common_sd: float = 0.4
    trade_same_dose: float = 0.3
    trade_other: float = 0.05
    trade_sd: float = 0.3
    log_split: tuple[float, float] = (0.7, 0.5)
    log_heat_sd: float = 0.5
    logit_lapse: tuple[float, float] = (-5.0, 1.0)
    logit_wrong_side: tuple[float, float] = (-3.4, 1.1)
    log_cut: tuple[float, float] = (0.9, 0.5)
    hand_top: tuple[float, float] = (4.3, 0.7)
    log_hand_depth: tuple[float, float] = (-2.3, 1.6)
    hand_place_sd: float = 0.5
    log_hand_sd: tuple[float, float] = (-1.1, 0.4)
    log_batch_error: tuple[float, float] = (-0.4, 0.4)
    log_batch_sd: tuple[float, float] = (-1.3, 0.6)
    level_logit_sd: float = 0.57
    level_place_sd: float = 0.28
    level_hand_sd: float = 0.28


WIDTH = "width"
"""The trait of how fast the window closes: logarithms of the steepness along each factor's natural scale."""

OFFSET = "offset"
"""The trait of where the best lies from the middle of the tested ranges, along each factor's natural scale: what a
display is off by, and how a shop chooses its ranges."""

HAND_FREEDOM = 4.0
"""Degrees of freedom of the Student-t errors of hand-feel; `t_below` is written for this number."""

STRETCH_KNEE, STRETCH_AT = 2.0, 5.0
"""The curve grows in proportion to the peak's logit above the first number, smoothly, and is as it is at the second."""

_BEYOND = 1e6  # a score at an end of the scale is open on that side

_LOOK = 170_000  # draws times coupons looked at in one go: larger arrays fall out of the processor's cache

TRIAL_ERROR = 1.0
"""Share of the trial's stated setting error that is taken out of the coupons."""


@dataclass(frozen=True)
class WindowDraws:
    """Parameters of the closing window, one row a draw, ready for evaluation anywhere.

    Attributes
    ----------
    logit : array, shape (combinations, draws, features)
        Coefficients of ``eta`` on `quadratic_features`, for each combination of categorical levels.
    heat : array, shape (combinations, draws, 1 + k)
        Constant and slopes of the logit of *over* against *under* among heat failures.
    hand : array, shape (combinations, draws, features)
        Coefficients of mean hand-feel.
    lapse, wrong_side, hand_sd : array, shape (draws,)
    peak : array, shape (combinations, draws, k)
    curve : array, shape (draws, k, k)
        ``L L'``: how fast the logit falls around the peak.
    shape : array, shape (draws, k, k)
        The same before it is stretched by the height of the peak; hand-feel falls by ``depth`` times it.
    top, depth : array, shape (draws,)
        Logit of the peak before levels shift it, and depth of hand-feel.
    cuts : array, shape (draws, 2)
        How far from the line between pass and fail, in logits, a pass turns clean and a failure bad.
    """

    logit: FloatArray
    heat: FloatArray
    hand: FloatArray
    lapse: FloatArray
    wrong_side: FloatArray
    hand_sd: FloatArray
    peak: FloatArray
    curve: FloatArray
    shape: FloatArray
    top: FloatArray
    depth: FloatArray
    cuts: FloatArray

    @property
    def count(self) -> int:
        """Number of draws."""
        return len(self.lapse)

    def thin(self, count: int) -> WindowDraws:
        """Every so many-th draw, ``count`` of them at most."""
        if count >= self.count:
            return self
        pick = thinned_rows(self.count, count)
        return WindowDraws(
            self.logit[:, pick],
            self.heat[:, pick],
            self.hand[:, pick],
            self.lapse[pick],
            self.wrong_side[pick],
            self.hand_sd[pick],
            self.peak[:, pick],
            self.curve[pick],
            self.shape[pick],
            self.top[pick],
            self.depth[pick],
            self.cuts[pick],
        )

    def eta(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of a sound print, shape (draws, rows)."""
        return np.asarray(self.logit[combination] @ quadratic_features(z).T)

    def over_logit(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of *over* among heat failures, shape (draws, rows)."""
        heat = self.heat[combination]
        return np.asarray(heat[:, :1] + heat[:, 1:] @ z.T)

    def mean_hand(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Mean hand-feel on its 1 to 5 scale, shape (draws, rows)."""
        return np.asarray(np.clip(self.hand[combination] @ quadratic_features(z).T, 1.0, 5.0))

    def quadratics(self) -> Quadratics:
        """Both surfaces as they are kept."""
        return Quadratics(self.logit, self.hand)


PRIOR_GROUPS: dict[str, tuple[str, ...]] = {
    "height": ("peak_logit",),
    "place": ("place",),
    "width": ("steepness", "common", "trade"),
    "sides": ("split", "heat", "wrong_side"),
    "stray": ("lapse",),
    "hand": ("hand_top", "hand_depth", "hand_place", "hand_sd"),
    "levels": ("level_logit", "level_place", "level_hand"),
    "batches": ("batch_sd",),
}
"""Parameters whose priors are looked at together."""

QUANTITIES = {
    "height": "peak_logit",
    "place": "place",
    "steepness": "steepness",
    "trade": "trade",
    "lapse": "lapse",
    "hand_top": "hand_top",
}
"""What coupons can teach, and the parameters behind it."""


class WindowModel:
    """The closing window for one study's results: parameter layout, log likelihood, draws.

    `window_gradient.ClosingWindow` is the same with a sampler, which fulfils `contract.SurfaceModel`.
    """

    name = "closing window"

    def __init__(
        self,
        scaling: Scaling,
        results: Results,
        hand: HandScores,
        priors: Priors | None = None,
        *,
        trial_error: float = TRIAL_ERROR,
        weights: FloatArray | None = None,
        own: int | None = None,
        shop: ShopHistory | None = None,
    ) -> None:
        """``weights`` say what each coupon counts for; those after the first ``own`` come from an earlier study."""
        self.priors = priors or Priors()
        self.weights = np.ones(results.coupons) if weights is None else weights
        self.trial_variance = _trial_variance(scaling, results, trial_error)
        self.scaling = scaling
        self.factors = scaling.numeric
        self.k = len(self.factors)
        self.combination = scaling.combination(results.settings)
        self.levels = [f.levels for f in scaling.factors if f.is_categorical]
        z = scaling.z(results.settings)
        self.z = z
        self.features = quadratic_features(z)
        self.passed = results.passed
        self.points = results.points
        washes = NO_WASHES if shop is None else shop.washes
        self.to_come = to_come(results, washes)
        self.grade = results.grade
        self.graded = bool((results.grade != "").any())
        self.hand = hand
        self.hand_low, self.hand_high = rounding_bounds(hand, results)
        matrices = _batch_matrices(results, results.coupons if own is None else own)
        self.machines = tuple(matrices)
        self.batches = tuple(self._batch_error(*found) for found in matrices.items())
        self.heats = heats(self.factors)
        self._trade = _trade_means(self.factors, self.priors)
        self.rank = scaling.rank
        pairs = sorted(permutations(range(self.k), 2), key=lambda pair: tuple(self.rank[list(pair)]))
        self.pairs = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
        self.slices = self._layout()
        self.groups = rows_of_each(self.combination)
        self.trial_error = TrialError(z, self.own_variance(), self.groups)
        self.loan = None if shop is None else Loan(self.traits, shop)

    def of_coupons(self, rows: NDArray[np.intp]) -> Self:
        """The same parameters with some of the coupons, which are given in rising order."""
        part = copy(self)
        part.weights, part.trial_variance = self.weights[rows], self.trial_variance[rows]
        part.to_come = self.to_come.of_coupons(rows)
        part.z, part.features, part.combination = self.z[rows], self.features[rows], self.combination[rows]
        part.passed, part.points, part.grade = self.passed[rows], self.points[rows], self.grade[rows]
        felt = np.isin(self.hand.rows, rows)
        part.hand = replace(
            self.hand,
            rows=np.searchsorted(rows, self.hand.rows[felt]),
            score=self.hand.score[felt],
            spread=self.hand.spread[felt],
        )
        part.hand_low, part.hand_high = self.hand_low[felt], self.hand_high[felt]
        part.batches = tuple(batch.of_coupons(rows) for batch in self.batches)
        part.groups = rows_of_each(part.combination)
        part.trial_error = TrialError(part.z, part.own_variance(), part.groups)
        return part

    def _batch_error(self, column: str, members: FloatArray) -> BatchError:
        """The batches of one machine, from who belongs to them, (coupons, batches)."""
        j = displaced(self.factors, column.removesuffix("_batch"), self.trial_variance)
        if j is None:
            return BatchError(members, self.priors.log_batch_sd, None, np.ones(len(members)))
        return BatchError(members, self.priors.log_batch_error, j, np.sqrt(self.trial_variance[:, j]))

    def own_variance(self) -> FloatArray:
        """The trial's setting-error variance that is each coupon's alone, shape (coupons, k)."""
        own = self.trial_variance.copy()
        for batch in self.batches:
            if batch.factor is not None:
                own[batch.members.any(axis=1), batch.factor] *= OWN_PART
        return own

    @property
    def combinations(self) -> int:
        """Number of combinations of categorical levels."""
        count = 1
        for levels in self.levels:
            count *= len(levels)
        return count

    @property
    def parameters(self) -> int:
        """Number of parameters."""
        return int(max(part.stop for part in self.slices.values()))

    @property
    def place_sd(self) -> FloatArray:
        """Prior spread of the place of the peak at any combination of levels, shape (k,)."""
        shared, level = self.priors.peak_place_sd, self.priors.level_place_sd
        return np.full(self.k, np.sqrt(shared**2 + len(self.levels) * level**2))

    @property
    def prior_groups(self) -> Mapping[str, NDArray[np.intp]]:
        """Parameters of each group of priors."""
        return {group: columns(self.slices, *names) for group, names in PRIOR_GROUPS.items()}

    @property
    def quantities(self) -> Mapping[str, NDArray[np.intp]]:
        """Parameters behind what coupons can teach."""
        return {
            quantity: self.columns_of(name) if name in ("place", "steepness") else columns(self.slices, name)
            for quantity, name in QUANTITIES.items()
        }

    @property
    def traits(self) -> tuple[Trait, ...]:
        """In what the lines of one shop may be alike."""
        p, k = self.priors, self.k
        width = np.column_stack([p.log_steepness[1] * np.eye(k), np.full(k, p.log_steepness_common_sd)])
        behind = np.append(self.columns_of("steepness"), columns(self.slices, "common"))
        half = np.array([self.scaling.half_range(f) for f in self.factors])
        names, off = tuple(f.name for f in self.factors), p.peak_place_sd * np.diag(half)
        found = [
            Trait(WIDTH, names, p.log_steepness[0] - np.log(half), behind, width),
            Trait(OFFSET, names, np.zeros(k), self.columns_of("place"), off),
        ]
        single = {
            "lapse": p.logit_lapse,
            "wrong_side": p.logit_wrong_side,
            "hand_depth": p.log_hand_depth,
            "hand_sd": p.log_hand_sd,
        }
        for name, (mean, sd) in single.items():
            if len(self.hand.rows) or not name.startswith("hand"):
                found.append(Trait(name, ("",), np.array([mean]), columns(self.slices, name), np.array([[sd]])))
        for i, (machine, batch) in enumerate(zip(self.machines, self.batches, strict=True)):
            at = columns(self.slices, "batch_sd")[i : i + 1]
            mean, sd = batch.prior
            name = f"{machine}_{'sd' if batch.factor is None else 'error'}"
            found.append(Trait(name, ("",), np.array([mean]), at, np.array([[sd]])))
        return tuple(found)

    def _layout(self) -> dict[str, slice]:
        k, extra = self.k, sum(len(levels) for levels in self.levels)
        sizes = {
            "peak_logit": 1,
            "place": k,
            "steepness": k,
            "common": 1,
            "trade": k * (k - 1),
            "split": 1,
            "heat": k,
            "lapse": 1,
            "wrong_side": 1,
            "cuts": 2 * self.graded,
            "hand_top": 1,
            "hand_depth": 1,
            "hand_place": k,
            "hand_sd": 1,
            "level_logit": extra,
            "level_place": extra * k,
            "level_hand": extra,
            "batch_sd": len(self.batches),
            **{f"batch_{i}": batch.members.shape[1] for i, batch in enumerate(self.batches)},
            "late": self.to_come.kinds,  # none without coupons that wait: the others then are as they would be
        }
        return layout(sizes)

    def level_slots(self, combination: int) -> list[int]:
        """Which parameters of levels a combination moves by: one a factor, whatever the order of the levels."""
        slots, first = [], sum(len(levels) for levels in self.levels)
        for levels in reversed(self.levels):
            combination, level = divmod(combination, len(levels))
            first -= len(levels)
            slots.append(first + sorted(levels).index(levels[level]))
        return slots[::-1]

    def by_factor(self, xi: FloatArray, name: str) -> FloatArray:
        """Parameters that each factor has one of, in the order of the factors, shape (draws, k).

        They are kept by the factors' names, so that an answer does not depend on the order factors are typed in.
        """
        return np.asarray(xi[:, self.slices[name]][:, self.rank])

    def columns_of(self, name: str) -> NDArray[np.intp]:
        """Columns of `by_factor` in the parameters, shape (k,)."""
        return np.arange(self.slices[name].start, self.slices[name].stop)[self.rank]

    def curve_root(self, xi: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Root of the curve with ones on its diagonal, (draws, k, k), and the steepness of its columns, (draws, k)."""
        p, k = self.priors, self.k
        own = p.log_steepness[1] * self.by_factor(xi, "steepness")
        steep = np.exp(p.log_steepness[0] + own + p.log_steepness_common_sd * xi[:, self.slices["common"]])
        root = np.zeros((len(xi), k, k))
        root[:, np.arange(k), np.arange(k)] = 1.0
        row, column = self.pairs
        root[:, row, column] = self._trade[row, column] + p.trade_sd * xi[:, self.slices["trade"]]
        return root, steep

    def peak_top(self, xi: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Logit of the peak and its slope along its parameter, each (draws,)."""
        middle, below, above = self.priors.peak_logit
        height = xi[:, self.slices["peak_logit"]][:, 0]
        higher = middle * np.exp(above * np.maximum(height, 0.0))
        return (
            np.where(height < 0, middle + below * height, higher),
            np.where(height < 0, below, above * higher),
        )

    def hand_shape(self, xi: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Depth of hand-feel, (draws,), and how far its top lies from that of the passes, (draws, k)."""
        p, at = self.priors, self.slices
        depth = np.exp(p.log_hand_depth[0] + p.log_hand_depth[1] * xi[:, at["hand_depth"]][:, 0])
        return depth, p.hand_place_sd * self.by_factor(xi, "hand_place")

    def batch_moves(self, xi: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
        """For each machine, how far its batches spread, (draws,), and what each coupon is moved by, (draws, n)."""
        at, found = self.slices, []
        for i, batch in enumerate(self.batches):
            spread = batch.spread(xi[:, at["batch_sd"]][:, i])
            found.append((spread, batch.moves(spread, xi[:, at[f"batch_{i}"]])))
        return found

    def in_batches(
        self, xi: FloatArray, draws: WindowDraws, eta: FloatArray, over: FloatArray
    ) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
        """Put each coupon into its batches: ``eta`` and ``over``, (draws, coupons), are changed.

        For each machine its spread, what it moves coupons by, and by how much ``eta`` changes with that.
        """
        found = []
        for batch, (spread, moved) in zip(self.batches, self.batch_moves(xi), strict=True):
            j = batch.factor
            if j is None:
                eta += moved
                found.append((spread, moved, np.ones_like(eta)))
                continue
            along = np.empty_like(eta)
            for c, rows in self.groups:
                pull = np.einsum("dk,dk->d", draws.curve[:, j], draws.peak[c])
                along[:, rows] = draws.curve[:, j] @ self.z[rows].T - pull[:, None]
            bent = draws.curve[:, j, j, None] * moved
            along *= -2
            along -= bent
            eta += moved * along
            along -= bent
            over += draws.heat[0][:, 1 + j, None] * moved
            found.append((spread, moved, along))
        return found

    def coupon_logits(self, draws: WindowDraws) -> tuple[FloatArray, FloatArray]:
        """Logits of a sound print and of *over* at each coupon's settings, batches left aside, (draws, coupons)."""
        eta = np.empty((draws.count, len(self.passed)))
        over = np.empty_like(eta)
        for c, rows in self.groups:
            eta[:, rows] = draws.logit[c] @ self.features[rows].T
            over[:, rows] = draws.over_logit(self.z[rows], c)
        return eta, over

    def unpack(self, xi: FloatArray) -> WindowDraws:
        """Draws of the model from standard normal parameters, shape (draws, parameters)."""
        p, at = self.priors, self.slices

        def scaled(name: str, prior: tuple[float, float]) -> FloatArray:
            return np.asarray(prior[0] + prior[1] * xi[:, at[name]][:, 0])

        top = self.peak_top(xi)[0]
        peak = p.peak_place_sd * self.by_factor(xi, "place")
        root, steep = self.curve_root(xi)
        # each column is one squared term, so it scales as a whole
        root = root * steep[:, None, :]
        shape = root @ root.transpose(0, 2, 1)
        curve = shape * stretch(top)[0][:, None, None]
        turned = p.log_heat_sd * self.by_factor(xi, "heat")
        by_setting = np.where(self.heats, self.heats * np.exp(turned), turned)
        weight = by_setting * np.exp(scaled("split", p.log_split))[:, None]
        hand_top = scaled("hand_top", p.hand_top)
        depth, aside = self.hand_shape(xi)
        logit, heat, hand, peaks = [], [], [], []
        for c in range(self.combinations):
            add_logit, add_place, add_hand = self._shift(xi, c)
            peaks.append(peak + add_place)
            logit.append(quadratic_coefficients(top + add_logit, peak + add_place, curve))
            heat.append(np.concatenate([-np.einsum("dk,dk->d", weight, peak + add_place)[:, None], weight], axis=1))
            hand.append(
                quadratic_coefficients(hand_top + add_hand, peak + add_place + aside, depth[:, None, None] * shape)
            )
        return WindowDraws(
            np.stack(logit),
            np.stack(heat),
            np.stack(hand),
            lapse=expit(scaled("lapse", p.logit_lapse)),
            wrong_side=expit(scaled("wrong_side", p.logit_wrong_side)),
            hand_sd=np.exp(scaled("hand_sd", p.log_hand_sd)),
            peak=np.stack(peaks),
            curve=curve,
            shape=shape,
            top=top,
            depth=depth,
            cuts=np.exp(p.log_cut[0] + p.log_cut[1] * xi[:, at["cuts"]]),
        )

    def _shift(self, xi: FloatArray, combination: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What a combination of levels adds to the peak's logit, its place and hand-feel."""
        p, at, k = self.priors, self.slices, self.k
        logit, place, hand = np.zeros(len(xi)), np.zeros((len(xi), k)), np.zeros(len(xi))
        for slot in self.level_slots(combination):
            logit = logit + p.level_logit_sd * xi[:, at["level_logit"]][:, slot]
            hand = hand + p.level_hand_sd * xi[:, at["level_hand"]][:, slot]
            place = place + p.level_place_sd * xi[:, at["level_place"]][:, slot * k : (slot + 1) * k][:, self.rank]
        return logit, place, hand

    def log_likelihood(self, xi: FloatArray) -> FloatArray:
        """Log likelihood of all results, earlier ones discounted, and what the shop lends to the priors, (draws,)."""
        return self.by_portions(self._log_likelihood, xi)

    def checks_log_likelihood(self, xi: FloatArray) -> FloatArray:
        """The part of it that is pass/fail and sides, shape (draws,)."""
        return self.by_portions(lambda part: self.coupon_log_likelihood(part) @ self.weights, xi)

    def by_portions(self, look: Callable[[FloatArray], FloatArray], xi: FloatArray) -> FloatArray:
        """``look`` at as many draws at a time as the processor's cache holds; what it gives, one after the other."""
        portion = max(1, _LOOK // max(1, len(self.passed)))
        parts = [look(xi[i : i + portion]) for i in range(0, len(xi), portion)]
        return np.concatenate(parts) if len(parts) > 1 else parts[0]

    def _log_likelihood(self, xi: FloatArray) -> FloatArray:
        draws = self.unpack(xi)  # once for both parts
        coupons, hand = self.coupon_log_likelihood(xi, draws), self.hand_log_likelihood(xi, draws)
        found = (coupons * self.weights).sum(axis=1) + (hand * self.weights[self.hand.rows]).sum(axis=1)
        return np.asarray(found if self.loan is None else found + self.loan.log_ratio(xi))

    def coupon_log_likelihood(self, xi: FloatArray, draws: WindowDraws | None = None) -> FloatArray:
        """Log likelihood of each coupon's pass/fail and side, shape (draws, coupons); ``draws`` are ``unpack(xi)``."""
        draws = self.unpack(xi) if draws is None else draws
        eta, over = self.coupon_logits(draws)
        self.in_batches(xi, draws, eta, over)
        error, width = self.trial_error, self.cuts(draws)
        if error.present:
            averaged = error.average(eta, draws.curve, draws.peak)
            eta, width = averaged.logit, width * averaged.shrunk if self.graded else width
        late = self.to_come.late(xi[:, self.slices["late"]])
        return self.outcomes().log_chance(eta, over, draws.lapse, draws.wrong_side, width, late)

    @property
    def hand_groups(self) -> Groups:
        """Rows of the scores of hand-feel by combination of levels."""
        return rows_of_each(self.combination[self.hand.rows])

    def cuts(self, draws: WindowDraws) -> FloatArray:
        """Distance of the cut on each coupon's side from the line between pass and fail, (draws, coupons)."""
        if not self.graded:
            return np.broadcast_to(1.0, (draws.count, len(self.passed)))
        return np.asarray(draws.cuts[:, np.where(self.passed, 0, 1)])

    def pass_log_chance(self, xi: FloatArray) -> FloatArray:
        """Log probability that each coupon passes its checks, shape (draws, coupons)."""
        passing = copy(self)
        passing.passed = np.ones(len(self.passed), dtype=bool)
        passing.grade = np.full(len(self.passed), "")
        return passing.coupon_log_likelihood(xi)

    def outcomes(self) -> Outcomes:
        """What happened to the coupons, for the likelihood."""
        return Outcomes(self.passed, self.points, self.grade, self.to_come.mean > 0)

    def hand_log_likelihood(self, xi: FloatArray, draws: WindowDraws | None = None) -> FloatArray:
        """Log likelihood of each scored coupon's mean hand-feel, shape (draws, scored coupons)."""
        draws = self.unpack(xi) if draws is None else draws
        return self.hand_log_chance(self.hand_means(draws), draws.hand_sd)

    def hand_means(self, draws: WindowDraws) -> FloatArray:
        """Mean hand-feel at each scored coupon's set values, shape (draws, scored coupons).

        The trial's own setting error is averaged in, so that the surface itself is free of it.
        """
        rows = self.hand.rows
        mean = np.empty((draws.count, len(rows)))
        for c, at in self.hand_groups:
            mean[:, at] = draws.hand[c] @ self.features[rows[at]].T
        lost = np.diagonal(draws.shape, axis1=1, axis2=2) @ self.trial_variance[rows].T
        return np.asarray(mean - draws.depth[:, None] * lost)

    def hand_log_chance(self, mean: FloatArray, sd: FloatArray) -> FloatArray:
        """Log probability of each score as it was rounded, with one person's spread ``sd``, (draws,)."""
        below, above, _, _ = self._hand_ends(mean, sd)
        return np.asarray(np.log(np.maximum(t_below(above) - t_below(below), _LEAST_CHANCE)))

    def hand_slopes(self, mean: FloatArray, sd: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The same, with its slopes along the mean and along the logarithm of ``sd``, each (draws, scored coupons)."""
        below, above, sign, scale = self._hand_ends(mean, sd)
        chance = np.maximum(t_below(above) - t_below(below), _LEAST_CHANCE)
        dense = t_density(below), t_density(above)
        return (
            np.log(chance),
            sign * (dense[1] - dense[0]) / (chance * scale),
            (below * dense[0] - above * dense[1]) / chance,
        )

    def _hand_ends(self, mean: FloatArray, sd: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Ends of each score's rounding from the mean in units of its spread, mirrored to the left tail."""
        scale = sd[:, None] * self.hand.spread
        low, high = (self.hand_low - mean) / scale, (self.hand_high - mean) / scale
        # differences of the distribution function are exact in the left tail only
        return np.minimum(low, -high), np.minimum(high, -low), np.copysign(1.0, low + high), scale


_LEAST_CHANCE = 1e-300


def stretch(top: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How much the curve grows with the peak's logit, and the slope of that, each the shape of ``top``."""
    above = top - STRETCH_KNEE
    return (STRETCH_KNEE + np.logaddexp(0.0, above)) / STRETCH_AT, expit(above) / STRETCH_AT


def t_below(t: FloatArray) -> FloatArray:
    """Distribution function of Student's t with 4 degrees of freedom, in closed form; exact far to the left."""
    root = np.sqrt(t * t + 4)
    short = 4 / (root * (root + np.abs(t)))
    tail = short * short * (3 - short) / 4
    return np.asarray(np.where(t < 0, tail, 1 - tail))


def t_density(t: FloatArray) -> FloatArray:
    """Density of Student's t with 4 degrees of freedom."""
    return np.asarray(0.375 * (1 + t * t / 4) ** -2.5)


def student_log_density(residual: FloatArray, sd: FloatArray) -> FloatArray:
    """Student-t log density without its constant, which does not depend on the parameters."""
    return np.asarray(-np.log(sd) - (HAND_FREEDOM + 1) / 2 * np.log1p((residual / sd) ** 2 / HAND_FREEDOM))


def rows_of_each(combination: NDArray[np.intp]) -> Groups:
    """Rows of each combination of levels that occurs; all of them as a slice where there is but one, for speed."""
    found = np.unique(combination)
    if len(found) == 1:
        return [(int(found[0]), slice(None))]
    return [(int(c), np.flatnonzero(combination == c)) for c in found]


def rounding_bounds(hand: HandScores, results: Results) -> tuple[FloatArray, FloatArray]:
    """Least and most that each coupon's mean score can have been before it was rounded, each (scored coupons,).

    A mean of several rounded scores is known better than one of them. Where everybody gave an end of the scale, it may
    be anything beyond.
    """
    given = results.hand[hand.rows]
    felt = np.isfinite(given)
    half = HAND_STEP / 2 / np.sqrt(np.maximum(felt.sum(axis=1), 1))
    lowest = (~felt | (given <= HAND_LOW)).all(axis=1)
    highest = (~felt | (given >= HAND_HIGH)).all(axis=1)
    return np.where(lowest, -_BEYOND, hand.score - half), np.where(highest, _BEYOND, hand.score + half)


def _trial_variance(scaling: Scaling, results: Results, share: float) -> FloatArray:
    """Variance of the trial's own setting error in model coordinates, shape (coupons, k); 0 where measured."""
    columns = []
    for f in scaling.numeric:
        x = results.settings[f.name].to_numpy(dtype=float)
        sd = np.where(results.measured[f.name].to_numpy(), 0.0, share * f.trial_error)
        # the slope of the coordinate at the setting itself: an error of 1 s matters more in a short dwell
        slope = (scaling.z_of(f, x * 1.001) - scaling.z_of(f, x)) / (x * 0.001)
        columns.append((slope * sd) ** 2)
    return np.column_stack(columns)


def _trade_means(factors: tuple[Factor, ...], priors: Priors) -> FloatArray:
    """Prior means of the trades between factors, shape (k, k): how far one stands in for the other."""
    k = len(factors)
    means = np.zeros((k, k))
    heat = heats(factors)
    for i, j in permutations(range(k), 2):
        trade = priors.trade_same_dose if is_same_dose(factors[i], factors[j]) else priors.trade_other
        means[i, j] = heat[i] * heat[j] * trade
    return means


def _batch_matrices(results: Results, own: int) -> dict[str, FloatArray]:
    """Membership matrices (coupons, batches) of the cure and press batches that can be told apart.

    What is told apart among the first ``own`` coupons does not depend on the earlier ones after them.
    """
    matrices = {}
    for column in ("cure_batch", "press_batch"):
        labels = results.batches[column].to_numpy(dtype=str)
        matrix = np.concatenate(
            [
                np.pad(_membership(labels[:own], least=2), ((0, len(labels) - own), (0, 0))),
                # a single earlier batch is told apart from this study's
                np.pad(_membership(labels[own:], least=1), ((own, 0), (0, 0))),
            ],
            axis=1,
        )
        if matrix.shape[1]:
            matrices[column] = matrix
    return matrices


def _membership(labels: NDArray[np.str_], least: int) -> FloatArray:
    """Membership matrix (coupons, batches) of labelled coupons; no column where no batch error can be seen."""
    names, index = np.unique(labels, return_inverse=True)
    known = names != ""
    if known.sum() < least or known.sum() >= (labels != "").sum():  # fewer batches, or every coupon its own
        return np.zeros((len(labels), 0))
    return np.asarray(np.eye(len(names))[index][:, known])
