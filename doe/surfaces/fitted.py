"""The fitted surfaces of a study: one object that predicts, and that every later step asks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import FloatArray, code_frame
from doe.domain.errors import InputError, check_seed
from doe.domain.factors import EVERY_LEVEL, Stage
from doe.domain.finding import Finding
from doe.domain.results import Results, read_results
from doe.domain.study import Study
from doe.surfaces.belief import Belief, judge_fit
from doe.surfaces.checks import ClassicalChecks, run_checks
from doe.surfaces.contract import ModelMaker, Sampling, SurfaceDraws, SurfaceModel, Traces, sampled
from doe.surfaces.earlier import Earlier, EarlierUse, pooled, read_earlier
from doe.surfaces.facts import fact
from doe.surfaces.hand_scores import HandScores, doubt_scorers, mean_hand
from doe.surfaces.outcomes import expit
from doe.surfaces.scaling import Scaling
from doe.surfaces.shop import ShopHistory
from doe.surfaces.unvaried import hardly_varied, untried_levels, unvaried_facts
from doe.surfaces.washing import NO_WASHES, Washes, so_far
from doe.surfaces.window_gradient import ClosingWindow

PARTICLES, LEAST_PARTICLES, MOST_PARTICLES = 600, 20, 100_000
STAGES: tuple[Stage, ...] = ("cure", "press")
FAR_OUTSIDE = 2.0
"""Coded setting beyond which a coupon lies far outside: the ranges end at 1, half a range further is 2."""


@dataclass(frozen=True)
class Surfaces:
    """Posterior of the pass and hand-feel surfaces, with the classical checks computed when they are asked for.

    Attributes
    ----------
    study : Study
    results : Results
        The scored coupons behind the fit.
    scaling : Scaling
        From settings to the coordinates of the model.
    draws : SurfaceDraws
        Posterior draws of the pass surface.
    coupon_fit : array, shape (draws, coupons)
        Log likelihood of each coupon's result, for leave-one-out scores.
    hand_scores : HandScores
        What entered the hand-feel part.
    log_evidence : float
    seed : int
    warnings : tuple of Finding
        What makes this fit doubtful.
    earlier : EarlierUse or None
        Coupons of an earlier study that entered with a discount; `results` and `coupon_fit` hold this study's own.
    model : SurfaceModel or None
        What was fitted, and ``xi`` the raw draws of its parameters, shape (draws, parameters); None for a fit put
        together by hand.
    earlier_washes : Washes
        What washes showed in earlier studies of the shop, where they count.
    sampling : callable
        How the draws were taken, and are for any other model of the same coupons.
    """

    study: Study
    results: Results
    scaling: Scaling
    draws: SurfaceDraws
    coupon_fit: FloatArray
    hand_scores: HandScores
    log_evidence: float
    seed: int
    warnings: tuple[Finding, ...]
    earlier: EarlierUse | None = None
    model: SurfaceModel | None = None
    xi: FloatArray | None = None
    earlier_washes: Washes = NO_WASHES
    sampling: Sampling = field(default=sampled, repr=False, compare=False)

    @cached_property
    def everything(self) -> Results:
        """All coupons that entered the fit: this study's own, then those of an earlier one."""
        return self.results if self.earlier is None else pooled(self.results, self.earlier)[0]

    @property
    def has_hand(self) -> bool:
        """Whether any hand-feel was scored."""
        return len(self.hand_scores.rows) > 0

    def pass_draws(self, frame: pd.DataFrame) -> FloatArray:
        """Probability that a coupon made at these very settings passes its checks, shape (draws, rows).

        Where a row says that one setting has to hold on every level of a factor: on the level on which it passes
        least often. The same level is meant by `side_draws`; hand-feel has its own worst.
        """
        each = [
            self._by_combination(rows, lambda z, c: (1 - self.draws.lapse)[:, None] * expit(self.draws.eta(z, c)))
            for rows in self._on_each_level(frame)
        ]
        return _of_rows(each, np.argmin([sound.mean(axis=0) for sound in each], axis=0))

    def hand_draws(self, frame: pd.DataFrame) -> FloatArray | None:
        """Mean hand-feel at these settings, shape (draws, rows), of the stiffest level where it has to do on every one.

        None without any score.
        """
        if not self.has_hand:
            return None
        each = [self._by_combination(rows, self.draws.mean_hand) for rows in self._on_each_level(frame)]
        return _of_rows(each, np.argmin([felt.mean(axis=0) for felt in each], axis=0))

    def side_draws(self, frame: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
        """Probabilities of failing by too little and by too much heat, each of shape (draws, rows).

        Of the level on which prints pass least often, where one setting has to hold on every level.
        """
        each = self._on_each_level(frame)
        fail = [
            self._by_combination(rows, lambda z, c: (1 - self.draws.lapse)[:, None] * expit(-self.draws.eta(z, c)))
            for rows in each
        ]
        over = [expit(self._by_combination(rows, self.draws.over_logit)) for rows in each]
        worst = np.argmax([by_heat.mean(axis=0) for by_heat in fail], axis=0)
        cold = [by_heat * (1 - share) for by_heat, share in zip(fail, over, strict=True)]
        hot = [by_heat * share for by_heat, share in zip(fail, over, strict=True)]
        return _of_rows(cold, worst), _of_rows(hot, worst)

    def _on_each_level(self, frame: pd.DataFrame) -> list[pd.DataFrame]:
        """The same settings on each level that a row says they have to hold on; they alone where none does."""
        every = [f for f in self.scaling.factors if f.endured and (frame[f.name].astype(str) == EVERY_LEVEL).any()]
        return [
            frame.assign(
                **{
                    f.name: frame[f.name].where(frame[f.name].astype(str) != EVERY_LEVEL, level)
                    for f, level in zip(every, levels, strict=True)
                }
            )
            for levels in product(*(f.levels for f in every))
        ]

    def _by_combination(self, frame: pd.DataFrame, evaluate: Callable[[FloatArray, int], FloatArray]) -> FloatArray:
        z, combination = self.scaling.z(frame), self.scaling.combination(frame)
        out = np.empty((self.draws.count, len(frame)))
        for c in np.unique(combination):
            rows = combination == c
            out[:, rows] = evaluate(z[rows], int(c))
        return out

    def predict(self, frame: pd.DataFrame, coverage: float | None = None) -> pd.DataFrame:
        """Expected value and interval of each response of a coupon made at these very settings.

        Setting error is not in it: a machine told to go there wanders around, so the robust pass rate that an answer
        states (`doe.setpoint.RobustRate`) is lower near an edge of the window.

        Parameters
        ----------
        frame : DataFrame
            Settings, one row a point; every factor of the study.
        coverage : float, optional
            Of the two-sided interval; by default such that each end alone holds with the spec's assurance.

        Returns
        -------
        DataFrame
            Index of ``frame``; columns p_pass, p_under, p_over, hand, each with _low and _high. Hand-feel is NaN where
            none was scored.

        Raises
        ------
        InputError
            If a factor is missing or the coverage is not between 0 and 1.
        """
        absent = [n for n in self.study.factor_names if n not in frame.columns]
        if absent:
            raise InputError(
                "settings",
                ", ".join(map(str, frame.columns)),
                ", ".join(self.study.factor_names),
                f"Add {', '.join(absent)}.",
            )
        share = 2 * self.study.spec.assurance - 1 if coverage is None else coverage
        # an assurance of one half asks for the median at both ends
        if not (0 < share < 1 or (coverage is None and share == 0)):
            raise InputError("coverage", share, "between 0 and 1", "Write 80 % as 0.80.")
        under, over = self.side_draws(frame)
        hand = self.hand_draws(frame)
        blank = np.full((1, len(frame)), np.nan)
        out = {}
        responses = {
            "p_pass": self.pass_draws(frame),
            "p_under": under,
            "p_over": over,
            "hand": blank if hand is None else hand,
        }
        for name, draws in responses.items():
            out[name] = draws.mean(axis=0)
            out[f"{name}_low"], out[f"{name}_high"] = np.quantile(draws, [(1 - share) / 2, (1 + share) / 2], axis=0)
        return pd.DataFrame(out, index=frame.index)

    @cached_property
    def checks(self) -> ClassicalChecks:
        """Classical fits of the same coupons, computed when first asked for (about a second)."""
        return run_checks(self.study, self.results)

    @cached_property
    def traces(self) -> Traces | None:
        """What each draw says about each coupon and prior; None for a fit put together by hand."""
        if self.model is None or self.xi is None:
            return None
        earlier = () if self.earlier is None else self.earlier.results.coupon
        return trace(self.model, self.xi, np.array([*self.results.coupon, *earlier], dtype=str))

    def prior_draws(self, count: int) -> SurfaceDraws | None:
        """Draws of the surface before any coupon, always the same ones; None for a fit put together by hand."""
        if self.model is None:
            return None
        return self.model.unpack(prior_parameters(self.model, count, self.seed))

    @cached_property
    def belief(self) -> Belief:
        """Can this fit be believed? Leave-one-out score, predictive check, and what the coupons cannot tell."""
        left = None if self.model is None else self.draws.peak[0].std(axis=0) / self.model.place_sd
        seen = so_far(self.results, self.pass_draws(self.results.settings), self.earlier_washes)
        return judge_fit(self.results, self.scaling, seen, self.coupon_fit, left)


def _of_rows(each: list[FloatArray], which: NDArray[np.intp]) -> FloatArray:
    """Of several arrays of draws, (draws, rows), the one that is meant in each row."""
    return each[0] if len(each) == 1 else np.stack(each)[which, :, np.arange(len(which))].T


def fit(
    study: Study,
    results: pd.DataFrame | Results,
    *,
    seed: int = 0,
    particles: int = PARTICLES,
    progress: Callable[[float], None] | None = None,
    earlier: Earlier | None = None,
    shop: ShopHistory | None = None,
    model: ModelMaker = ClosingWindow,
    sampling: Sampling = sampled,
) -> Surfaces:
    """Fit the surfaces of a study to its scored coupons.

    Parameters
    ----------
    study : Study
    results : DataFrame or Results
        One row a coupon, see `doe.domain.results.read_results`.
    seed : int
        The same seed, results and version give the same draws.
    particles : int
        Posterior draws; too few makes bounds too narrow.
    progress : callable, optional
        Called with the share done, 0 to 1.
    earlier : Earlier, optional
        Coupons of an earlier study on a like stack, each counting for less than one of this study's.
    shop : ShopHistory, optional
        What earlier studies of the same shop say about its lines, from `doe.learn_shop`.
    model : callable, optional
        Kind of surface, see `doe.surfaces.contract`: the closing window by default.
    sampling : callable, optional
        Takes the draws, see `doe.surfaces.contract`.

    Raises
    ------
    InputError
        If the results cannot be used, no coupon has a pass/fail result yet, or the model does not know what is varied.
    """
    check_seed(seed)
    if not LEAST_PARTICLES <= particles <= MOST_PARTICLES:
        raise InputError(
            "particles", particles, f"{LEAST_PARTICLES} to {MOST_PARTICLES}", "Leave it out: the usual will do."
        )
    ready = results if isinstance(results, Results) else read_results(study, results)
    if ready.coupons == 0:
        raise InputError(
            "results", "no scored coupon", "at least one coupon with a pass/fail result", "Record some scores first."
        )
    scaling = Scaling(study.factors)
    used = None if earlier is None else read_earlier(study, earlier)
    everything, weights = (ready, None) if used is None else pooled(ready, used)
    hand = mean_hand(everything, weights)
    made = model(scaling, everything, hand, weights=weights, own=ready.coupons, shop=shop)
    cloud = sampling(made, seed, particles, progress)
    return Surfaces(
        study=study,
        results=ready,
        scaling=scaling,
        draws=made.unpack(cloud.draws),
        coupon_fit=made.coupon_log_likelihood(cloud.draws)[:, : ready.coupons],
        hand_scores=hand,
        log_evidence=cloud.log_evidence,
        seed=seed,
        warnings=(*_shop_facts(shop), *_warnings(study, ready, everything, used)),
        earlier=used,
        model=made,
        xi=cloud.draws,
        earlier_washes=NO_WASHES if shop is None else shop.washes,
        sampling=sampling,
    )


def prior_parameters(model: SurfaceModel, count: int, seed: int) -> FloatArray:
    """Draws of a model's parameters before any coupon, (count, parameters); the same seed gives the same ones."""
    rng = np.random.default_rng(seed)
    xi = rng.standard_normal((count, model.parameters))
    return xi if model.loan is None else model.loan.draw(xi, rng)


def trace(model: SurfaceModel, xi: FloatArray, coupons: NDArray[np.str_]) -> Traces:
    """Traces of the draws ``xi``, shape (draws, parameters), of a model."""
    fit = model.coupon_log_likelihood(xi) * model.weights
    rows = model.hand.rows
    fit[:, rows] += model.hand_log_likelihood(xi) * model.weights[rows]
    passes = model.pass_log_chance(xi)
    fails = np.log(-np.expm1(np.minimum(passes, -1e-12)))
    priors = {
        group: -0.5 * (xi[:, columns] ** 2).sum(axis=1) for group, columns in model.prior_groups.items() if len(columns)
    }
    before = 1.0
    if model.loan is not None:
        priors["shop"] = model.loan.log_ratio(xi)
        before = prior_parameters(model, len(xi), 0).std(axis=0)
    spread = xi.std(axis=0) / before
    left = {quantity: spread[columns] for quantity, columns in model.quantities.items() if len(columns)}
    return Traces(coupons, fit, passes, fails, priors, left)


def _warnings(study: Study, results: Results, everything: Results, earlier: EarlierUse | None) -> tuple[Finding, ...]:
    found: list[Finding] = []
    if earlier is not None:
        found.append(fact("earlier_counted", coupons=earlier.coupons, value=earlier.discount))
    elif results.coupons < 12:
        found.append(fact("few_coupons", coupons=results.coupons))
    found += _end_facts(results, results if earlier is None else earlier.results)
    far = (np.abs(code_frame(study.factors, results.settings)) > FAR_OUTSIDE).any(axis=1)
    if far.any():
        found.append(fact("far_outside", coupons=int(far.sum()), of=results.coupons))
    found += unvaried_facts(hardly_varied(Scaling(study.factors), results, earlier))
    untried = untried_levels(study, results, earlier)
    if untried:
        found.append(
            fact("untried", factors=tuple(f.name for f, _ in untried), levels=tuple(level for _, level in untried))
        )
    found += _hand_facts(study, results, everything)
    found += _batch_facts(study, results)
    if results.waiting:
        found.append(fact("waiting", coupons=results.waiting))
    return tuple(found)


def _shop_facts(shop: ShopHistory | None) -> tuple[Finding, ...]:
    """That earlier studies of the shop count, and which."""
    return (fact("shop_counted", names=shop.studies),) if shop is not None and shop.studies else ()


def _end_facts(results: Results, both: Results) -> list[Finding]:
    """Which ends of the window no coupon shows; ``both`` are those of an earlier study, where there is one."""
    every, none = bool(results.passed.all()), not results.passed.any()
    if every or none:
        if both.passed.all() == every and (not both.passed.any()) == none:
            return [fact("all_passed" if every else "none_passed")]
        return [fact("own_all_passed" if every else "own_none_passed")]
    sides = {*results.side[~results.passed], *both.side[~both.passed]}
    found = [fact("no_over_seen")] if not sides & {"over", "unknown"} else []
    return found + ([fact("no_under_seen")] if not sides & {"under", "unknown"} else [])


def _hand_facts(study: Study, results: Results, everything: Results) -> list[Finding]:
    """That hand-feel is wanted but was never scored, or rests on people whose numbers may not mean the same."""
    if study.spec.hand_min is None:
        return []
    if not np.isfinite(everything.hand).any():  # only those of this study are there to be felt
        return [fact("hand_unscored", coupons=int(results.passed.sum()))]
    doubt = doubt_scorers(everything)
    return [] if doubt is None else [doubt]


def _batch_facts(study: Study, results: Results) -> list[Finding]:
    """That an error which the coupons of a batch share cannot be seen, where a machine is set once a batch."""
    if results.coupons < 2:
        return []
    unknown, single = [], []
    for stage in STAGES:
        if not any(f.stage == stage and f.hard_to_change for f in study.factors):
            continue
        labels = results.batches[f"{stage}_batch"].to_numpy(dtype=str)
        if (labels == "").all():
            unknown.append(stage)
        elif len(np.unique(labels)) == 1:
            single.append(stage)
    found = [fact("batches_unknown", names=tuple(unknown))] if unknown else []
    return found + [fact("one_batch", names=(stage,)) for stage in single]
