"""The closing window's likelihood let in by degrees, with its slopes, for moves that follow them.

By degrees means a power of the checks' likelihood. The hand-feel scores are blurred instead: their error has
the variance ``sd^2 + s^2 (1 - power) / power`` (``s`` the prior's middle ``sd``), which for a normal error of that size
is the same as the power. A plain power would let the many draws whose surface misses the scores settle on a large error
first, and a small error with a surface that meets them is found late or never: ranks of the true error then lie too low
(`tests/benchmarks/calibration.py`).

What `WindowModel.log_likelihood` computes on the way from parameters to coupons is followed back here, step by step, so
a gradient costs about as much as two looks, whatever the number of parameters (reverse accumulation, see Griewank and
Walther 2008, Evaluating Derivatives). The tests hold value and slopes against the model itself and against differences.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from doe.surfaces.hamiltonian import Tempered, sample_by_slopes
from doe.surfaces.outcomes import Outcomes
from doe.surfaces.sampler import Cloud, FloatArray
from doe.surfaces.trial_error import Rows
from doe.surfaces.window_model import WindowDraws, WindowModel, stretch

_LOOK = 80_000  # draws times coupons in one go: more arrays are alive at once than in a look without slopes


ALL_AT_ONCE = 500
"""More coupons than these are let in by parts."""


class TemperedWindow:
    """Log likelihood of all results at any power, for one `WindowModel`; a `Tempered` of the sampler."""

    def __init__(self, model: WindowModel) -> None:
        self.model = model
        self.parameters = model.parameters
        self._pairs = np.triu_indices(model.k)
        self._middle = np.exp(model.priors.log_hand_sd[0])

    def ahead(self, xi: FloatArray) -> Callable[[float], FloatArray]:
        """The log likelihood, (draws,), of the same parameters at any power above 0."""
        draws, checks = self.model.unpack(xi), self.model.checks_log_likelihood(xi)
        hand = self.model.weights[self.model.hand.rows]
        mean = self.model.hand_means(draws)
        lent = 0.0 if self.model.loan is None else self.model.loan.log_ratio(xi)
        portions = self._portions(len(xi))

        def value(power: float) -> FloatArray:
            spread = np.sqrt(draws.hand_sd**2 + self._blur(power))
            felt = [self.model.hand_log_chance(mean[some], spread[some]) @ hand for some in portions]
            return np.asarray(power * (checks + lent) + np.concatenate(felt))

        return value

    def slopes(self, xi: FloatArray, power: float = 1.0) -> tuple[FloatArray, FloatArray]:
        """Log likelihood, (draws,), and its slopes along the parameters, (draws, parameters)."""
        outcomes = self.model.outcomes()
        values, slopes = np.empty(len(xi)), np.empty_like(xi)
        for some in self._portions(len(xi)):
            values[some], slopes[some] = self._portion(xi[some], power, outcomes)
        return values, slopes

    def _portions(self, draws: int) -> list[slice]:
        """As many draws at a time as the processor's cache holds."""
        some = max(1, _LOOK // max(1, len(self.model.passed)))
        return [slice(i, i + some) for i in range(0, draws, some)]

    def _blur(self, power: float) -> float:
        """Variance added to that of a hand-feel score."""
        return float(self._middle**2 * (1 - power) / power)

    def _portion(self, xi: FloatArray, power: float, outcomes: Outcomes) -> tuple[FloatArray, FloatArray]:
        model, at = self.model, self.model.slices
        draws = model.unpack(xi)
        back = _Backward(len(xi), model.combinations, model.k)
        slopes = np.zeros_like(xi)

        eta, over = model.coupon_logits(draws)
        moves = model.in_batches(xi, draws, eta, over)
        own = xi[:, at["late"]]
        value, d_eta, d_over, d_late = self._coupons(outcomes, eta, over, model.to_come.late(own), draws, power, back)
        slopes[:, at["late"]] = model.to_come.slopes(own, d_late)
        for i, (spread, moved, along) in enumerate(moves):
            batch = model.batches[i]
            self._from_batch(batch.factor, moved, along, d_eta, d_over, draws, back)
            slopes[:, at["batch_sd"]][:, i] = batch.prior[1] * (along * moved).sum(axis=1)
            slopes[:, at[f"batch_{i}"]] = spread[:, None] * ((along * batch.error) @ batch.members)
        for c, rows in model.groups:
            self._to_surface(c, rows, d_eta, d_over, draws, back)
        shape = model.hand_shape(xi)
        value += self._hand(draws, shape, power, back)
        self._to_parameters(xi, draws, shape[0], back, slopes)
        if model.loan is not None:
            lent, along = model.loan.slopes(xi)
            value, slopes = value + power * lent, slopes + power * along
        return value, slopes

    def _coupons(
        self,
        outcomes: Outcomes,
        eta: FloatArray,
        over: FloatArray,
        late: FloatArray,
        draws: WindowDraws,
        power: float,
        back: _Backward,
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Value, (draws,), and slopes along each coupon's logits at its set values and late share, (draws, coupons)."""
        model, error = self.model, self.model.trial_error
        weights = power * model.weights
        averaged = error.average(eta, draws.curve, draws.peak) if error.present else None
        logit = eta if averaged is None else averaged.logit
        cut = model.cuts(draws)
        width = cut * averaged.shrunk if averaged is not None and model.graded else cut
        found = outcomes.slopes(logit, over, draws.lapse, draws.wrong_side, width, late, weights)
        if model.graded:
            wider = found.width * width
            back.cut_pass += wider @ model.passed
            back.cut_fail += wider @ ~model.passed
        back.lapse += found.lapse
        back.wrong += found.wrong
        value = found.value @ weights
        if averaged is None:
            return value, found.logit, found.over, found.late
        shrunk_besides = found.width * cut if model.graded else None
        d_eta, d_curve, d_peak = error.backward(found.logit, shrunk_besides, averaged, draws.curve, draws.peak)
        back.curve += d_curve
        back.peak += d_peak
        return value, d_eta, found.over, found.late

    def _from_batch(
        self,
        j: int | None,
        moved: FloatArray,
        along: FloatArray,
        d_eta: FloatArray,
        d_over: FloatArray,
        draws: WindowDraws,
        back: _Backward,
    ) -> None:
        """From the logits of coupons that a batch displaced to peak, curve and heat direction.

        ``along``, in: how eta changes with what coupons are moved by; out: how the log likelihood does.
        """
        along *= d_eta
        if j is None:
            return
        model = self.model
        along += draws.heat[0][:, 1 + j, None] * d_over
        pulled = d_eta * moved
        back.curve[:, j, j] -= (pulled * moved).sum(axis=1)
        back.weight[:, j] += (d_over * moved).sum(axis=1)
        pulled *= -2
        back.curve[:, j] += pulled @ model.z
        for c, rows in model.groups:
            total = pulled[:, rows].sum(axis=1)[:, None]
            back.curve[:, j] -= total * draws.peak[c]
            back.peak[c] -= total * draws.curve[:, j]

    def _to_surface(
        self,
        c: int,
        rows: Rows,
        d_eta: FloatArray,
        d_over: FloatArray,
        draws: WindowDraws,
        back: _Backward,
    ) -> None:
        """From the logits of the coupons of one combination to top, peak, curve and heat direction."""
        model = self.model
        peak = draws.peak[c]
        total, first, second = self._moments(d_eta[:, rows], model.features[rows])
        back.top[c] += total
        back.peak[c] += 2 * _times(draws.curve, first - total[:, None] * peak)
        back.curve -= _about(total, first, second, peak)
        weight = draws.heat[c][:, 1:]
        total, first = d_over[:, rows].sum(axis=1), d_over[:, rows] @ model.z[rows]
        back.weight += first - total[:, None] * peak
        back.peak[c] -= total[:, None] * weight

    def _moments(self, slopes: FloatArray, features: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Sums of slope, slope times z and slope times z z' over coupons."""
        k = self.model.k
        sums = slopes @ features
        second = np.empty((len(sums), k, k))
        i, j = self._pairs
        second[:, i, j] = second[:, j, i] = sums[:, 1 + k :]
        return sums[:, 0], sums[:, 1 : 1 + k], second

    def _hand(
        self, draws: WindowDraws, shape: tuple[FloatArray, FloatArray], power: float, back: _Backward
    ) -> FloatArray:
        """Value of the hand-feel part; its slopes go to top, depth, place and spread of hand-feel, and the curve."""
        model = self.model
        rows = model.hand.rows
        if not len(rows):
            return np.zeros(draws.count)
        depth, aside = shape
        weights = model.weights[rows]
        blurred = np.sqrt(draws.hand_sd**2 + self._blur(power))
        value, slope, along = model.hand_slopes(model.hand_means(draws), blurred)
        back.hand_sd += along @ weights * draws.hand_sd / blurred**2
        slope = slope * weights
        lost = slope @ model.trial_variance[rows]
        back.depth -= (np.diagonal(draws.shape, axis1=1, axis2=2) * lost).sum(axis=1)
        back.shape[:, np.arange(model.k), np.arange(model.k)] -= depth[:, None] * lost
        for c, here in model.hand_groups:
            total, first, second = self._moments(slope[:, here], model.features[rows[here]])
            peak = draws.peak[c] + aside
            moment = _about(total, first, second, peak)
            back.hand_top[c] += total
            back.hand_peak[c] += 2 * depth[:, None] * _times(draws.shape, first - total[:, None] * peak)
            back.depth -= (draws.shape * moment).sum(axis=(1, 2))
            back.shape -= depth[:, None, None] * moment
        return np.asarray(value @ weights)

    def _to_parameters(
        self, xi: FloatArray, draws: WindowDraws, depth: FloatArray, back: _Backward, slopes: FloatArray
    ) -> None:
        """From the surfaces to the standard normal parameters."""
        model, p, at, k = self.model, self.model.priors, self.model.slices, self.model.k

        def put(name: str, slope: FloatArray) -> None:
            slopes[:, at[name]] = slope.reshape(len(xi), -1)

        def put_each(name: str, slope: FloatArray) -> None:
            slopes[:, model.columns_of(name)] = slope

        factor, d_factor = stretch(draws.top)
        stretched = (back.curve * draws.shape).sum(axis=(1, 2)) * d_factor
        put("peak_logit", (back.top.sum(axis=0) + stretched) * model.peak_top(xi)[1])
        moved = back.peak + back.hand_peak
        put_each("place", p.peak_place_sd * moved.sum(axis=0))
        put_each("hand_place", p.hand_place_sd * back.hand_peak.sum(axis=0))
        root, steep = model.curve_root(xi)
        # the shape is L L' with L the root, its columns scaled by the steepness
        d_shape = back.shape + back.curve * factor[:, None, None]
        d_scaled = (d_shape + d_shape.transpose(0, 2, 1)) @ (root * steep[:, None, :])
        d_log = steep * (d_scaled * root).sum(axis=1)
        put_each("steepness", p.log_steepness[1] * d_log)
        put("common", p.log_steepness_common_sd * d_log.sum(axis=1))
        row, column = model.pairs
        put("trade", p.trade_sd * (d_scaled * steep[:, None, :])[:, row, column])
        weight = draws.heat[0][:, 1:]
        split = np.exp(p.log_split[0] + p.log_split[1] * xi[:, at["split"]])
        put_each("heat", p.log_heat_sd * back.weight * np.where(model.heats, weight, split))
        put("split", p.log_split[1] * (back.weight * weight).sum(axis=1))
        put("lapse", p.logit_lapse[1] * back.lapse * draws.lapse * (1 - draws.lapse))
        put("wrong_side", p.logit_wrong_side[1] * back.wrong * draws.wrong_side * (1 - draws.wrong_side))
        if model.graded:
            put("cuts", p.log_cut[1] * np.column_stack([back.cut_pass, back.cut_fail]))
        put("hand_top", p.hand_top[1] * back.hand_top.sum(axis=0))
        put("hand_depth", p.log_hand_depth[1] * back.depth * depth)
        put("hand_sd", p.log_hand_sd[1] * back.hand_sd * draws.hand_sd)
        for c in range(model.combinations):
            for slot in model.level_slots(c):
                slopes[:, at["level_logit"]][:, slot] += p.level_logit_sd * back.top[c]
                slopes[:, at["level_hand"]][:, slot] += p.level_hand_sd * back.hand_top[c]
                first = at["level_place"].start + slot * k
                slopes[:, first + model.rank] += p.level_place_sd * moved[c]


class ClosingWindow(WindowModel):
    """The closing window with moves that follow its slopes; a `contract.SurfaceModel`."""

    def sample(
        self, *, rng: np.random.Generator, particles: int, progress: Callable[[float], None] | None = None
    ) -> Cloud:
        """Posterior draws of the parameters."""
        return sample_by_slopes(*stages(self, rng), rng=rng, particles=particles, progress=progress)


class LetInAfter:
    """More coupons let in by degrees after some that count in full; a `Tempered` of the sampler.

    Chances of coupons multiply, so each part is a window of its own; what a shop lends stands in the first part only.
    """

    def __init__(self, before: WindowModel, more: WindowModel) -> None:
        self.before, self.more = TemperedWindow(before), TemperedWindow(more)
        self.parameters = before.parameters

    def ahead(self, xi: FloatArray) -> Callable[[float], FloatArray]:
        """The log likelihood, (draws,), of the same parameters at any power above 0 of the later coupons."""
        known, more = self.before.ahead(xi)(1.0), self.more.ahead(xi)
        return lambda power: known + more(power)

    def slopes(self, xi: FloatArray, power: float) -> tuple[FloatArray, FloatArray]:
        """Log likelihood, (draws,), and its slopes along the parameters, (draws, parameters)."""
        (known, along), (value, slopes) = self.before.slopes(xi, 1.0), self.more.slopes(xi, power)
        return known + value, along + slopes


def stages(model: WindowModel, rng: np.random.Generator) -> list[Tempered]:
    """What is let in one after the other: up to `ALL_AT_ONCE` coupons at once, else a random part and its doublings.

    The tempering that leads from the prior to a posterior takes many steps, most of which need no more than a few
    hundred coupons to lead the same way (Chopin 2002, Biometrika 89, 539-552); the end is the posterior of all of them.
    """
    coupons = len(model.passed)
    sizes = [coupons]
    while sizes[0] > ALL_AT_ONCE:
        sizes.insert(0, -(-sizes[0] // 2))
    if len(sizes) == 1:
        return [TemperedWindow(model)]
    order = rng.permutation(coupons)
    parts = [model.of_coupons(np.sort(order[:size])) for size in sizes[:-1]]
    found: list[Tempered] = [TemperedWindow(parts[0])]
    for before, start, end in zip(parts, sizes, sizes[1:], strict=False):
        more = model.of_coupons(np.sort(order[start:end]))
        more.loan = None
        found.append(LetInAfter(before, more))
    return found


class _Backward:
    """Slopes along what lies between parameters and coupons, gathered on the way back."""

    def __init__(self, draws: int, combinations: int, k: int) -> None:
        self.top = np.zeros((combinations, draws))
        self.peak = np.zeros((combinations, draws, k))
        self.curve = np.zeros((draws, k, k))
        self.shape = np.zeros((draws, k, k))
        self.weight = np.zeros((draws, k))
        self.lapse = np.zeros(draws)
        self.wrong = np.zeros(draws)
        self.hand_top = np.zeros((combinations, draws))
        self.hand_peak = np.zeros((combinations, draws, k))
        self.depth = np.zeros(draws)
        self.hand_sd = np.zeros(draws)
        self.cut_pass, self.cut_fail = np.zeros(draws), np.zeros(draws)


def _times(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    """Matrix times vector for each draw, shape (draws, k)."""
    return np.asarray((matrix @ vector[:, :, None])[:, :, 0])


def _about(total: FloatArray, first: FloatArray, second: FloatArray, peak: FloatArray) -> FloatArray:
    """Sum of slope times (z - peak)(z - peak)' over coupons, from the sums about zero, shape (draws, k, k)."""
    side = (first - 0.5 * total[:, None] * peak)[:, :, None] * peak[:, None, :]
    return np.asarray(second - side - side.transpose(0, 2, 1))
