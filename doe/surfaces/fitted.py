"""The fitted surfaces of a study: one object that predicts, and that every later step asks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import code_frame
from doe.domain.errors import InputError
from doe.domain.factors import Stage
from doe.domain.results import Results, read_results
from doe.domain.seeds import check_seed
from doe.domain.study import Study
from doe.surfaces.belief import Belief, judge_fit
from doe.surfaces.checks import ClassicalChecks, run_checks
from doe.surfaces.classical.effects import Effects
from doe.surfaces.classical.firth import FirthFit
from doe.surfaces.classical.mixed import MixedFit
from doe.surfaces.earlier import Earlier, EarlierUse, pooled, read_earlier
from doe.surfaces.hamiltonian import sample_by_slopes
from doe.surfaces.hand_scores import HandScores, mean_hand
from doe.surfaces.outcomes import expit
from doe.surfaces.scaling import Scaling
from doe.surfaces.scorers import doubt_scorers
from doe.surfaces.traces import Traces, prior_draws, trace
from doe.surfaces.unvaried import hardly_varied, untried_levels, untried_sentences, unvaried_sentences
from doe.surfaces.window_gradient import TemperedWindow
from doe.surfaces.window_model import WindowDraws, WindowModel

FloatArray = NDArray[np.float64]

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
    window : WindowDraws
        Posterior draws of the closing window.
    coupon_fit : array, shape (draws, coupons)
        Log likelihood of each coupon's result, for leave-one-out scores.
    hand_scores : HandScores
        What entered the hand-feel part.
    log_evidence : float
    seed : int
    warnings : tuple of str
        What makes this fit doubtful, in full sentences.
    earlier : EarlierUse or None
        Coupons of an earlier study that entered with a discount; `results` and `coupon_fit` hold this study's own.
    model : WindowModel or None
        What was fitted, and ``xi`` the raw draws of its parameters, shape (draws, parameters); None for a fit put
        together by hand.
    """

    study: Study
    results: Results
    scaling: Scaling
    window: WindowDraws
    coupon_fit: FloatArray
    hand_scores: HandScores
    log_evidence: float
    seed: int
    warnings: tuple[str, ...]
    earlier: EarlierUse | None = None
    model: WindowModel | None = None
    xi: FloatArray | None = None

    @cached_property
    def everything(self) -> Results:
        """All coupons that entered the fit: this study's own, then those of an earlier one."""
        return self.results if self.earlier is None else pooled(self.results, self.earlier)[0]

    @property
    def has_hand(self) -> bool:
        """Whether any hand-feel was scored."""
        return len(self.hand_scores.rows) > 0

    def pass_draws(self, frame: pd.DataFrame) -> FloatArray:
        """Probability that a coupon made at these very settings passes its checks, shape (draws, rows)."""
        return self._by_combination(frame, self.window.p_pass)

    def hand_draws(self, frame: pd.DataFrame) -> FloatArray | None:
        """Mean hand-feel at these settings, shape (draws, rows); None without any score."""
        return self._by_combination(frame, self.window.mean_hand) if self.has_hand else None

    def side_draws(self, frame: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
        """Probabilities of failing by too little and by too much heat, each of shape (draws, rows)."""
        heat_fail = self._by_combination(
            frame, lambda z, c: (1 - self.window.lapse)[:, None] * expit(-self.window.eta(z, c))
        )
        over = expit(self._by_combination(frame, self.window.over_logit))
        return heat_fail * (1 - over), heat_fail * over

    def _by_combination(self, frame: pd.DataFrame, evaluate: Callable[[FloatArray, int], FloatArray]) -> FloatArray:
        z, combination = self.scaling.z(frame), self.scaling.combination(frame)
        out = np.empty((self.window.count, len(frame)))
        for c in np.unique(combination):
            rows = combination == c
            out[:, rows] = evaluate(z[rows], int(c))
        return out

    def predict(self, frame: pd.DataFrame, coverage: float | None = None) -> pd.DataFrame:
        """Expected value and interval of each response at given settings, setting error not added.

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
        return run_checks(self.study, self.results, order=self.results.order)

    @property
    def hand_model(self) -> MixedFit | None:
        """Hand-feel quadratic with person and batch effects, from `checks`."""
        return self.checks.hand_model

    @property
    def effects(self) -> Effects | None:
        """Effects on hand-feel, from `checks`."""
        return self.checks.effects

    @property
    def firth(self) -> FirthFit | None:
        """Penalised logistic quadratic of pass/fail, from `checks`."""
        return self.checks.firth

    @cached_property
    def traces(self) -> Traces | None:
        """What each draw says about each coupon and prior; None for a fit put together by hand."""
        if self.model is None or self.xi is None:
            return None
        earlier = () if self.earlier is None else self.earlier.results.coupon
        return trace(self.model, self.xi, np.array([*self.results.coupon, *earlier], dtype=str))

    def prior_window(self, count: int) -> WindowDraws | None:
        """Draws of the window before any coupon, always the same ones; None for a fit put together by hand."""
        return None if self.model is None else prior_draws(self.model, count, rng=np.random.default_rng(self.seed))

    @cached_property
    def belief(self) -> Belief:
        """Can this fit be believed? Leave-one-out score, predictive check, plain sentences."""
        return judge_fit(self.study, self.results, self.scaling, self.window, self.coupon_fit)


def fit(
    study: Study,
    results: pd.DataFrame | Results,
    *,
    seed: int = 0,
    particles: int = PARTICLES,
    progress: Callable[[float], None] | None = None,
    earlier: Earlier | None = None,
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

    Raises
    ------
    InputError
        If the results cannot be used, or no coupon has a pass/fail result yet.
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
    model = WindowModel(scaling, everything, hand, weights=weights, own=ready.coupons)
    cloud = sample_by_slopes(
        TemperedWindow(model), rng=np.random.default_rng(seed), particles=particles, progress=progress
    )
    return Surfaces(
        study=study,
        results=ready,
        scaling=scaling,
        window=model.unpack(cloud.draws),
        coupon_fit=model.coupon_log_likelihood(cloud.draws)[:, : ready.coupons],
        hand_scores=hand,
        log_evidence=cloud.log_evidence,
        seed=seed,
        warnings=_warnings(study, ready, everything, used),
        earlier=used,
        model=model,
        xi=cloud.draws,
    )


def _warnings(study: Study, results: Results, everything: Results, earlier: EarlierUse | None) -> tuple[str, ...]:
    found: list[str] = []
    if earlier is not None:
        n = earlier.coupons
        found.append(
            f"{n} coupon{'s' if n > 1 else ''} of an earlier study count{'' if n > 1 else 's'} here too, "
            f"{'each ' if n > 1 else ''}for {earlier.discount:.2g} of a coupon."
        )
    elif results.coupons < 12:
        found.append(
            f"Only {results.coupons} coupon{'s' if results.coupons > 1 else ''} scored: the answer rests mostly on "
            "what such windows usually look like, not on this stack."
        )
    alike = results.passed.all() or not results.passed.any()
    both = results if earlier is None else earlier.results
    if alike and both.passed.all() == results.passed.all() and both.passed.any() == results.passed.any():
        found.append(
            "Every coupon passed: no edge of the window was seen, so how far it reaches is assumed."
            if results.passed.all()
            else "No coupon passed: where the window lies, and whether there is one, is not known from these coupons."
        )
    elif alike:
        found.append(
            f"{'Every' if results.passed.all() else 'No'} coupon of this study passed: where the window lies and ends "
            "comes from the earlier coupons."
        )
    else:
        sides = {*results.side[~results.passed], *both.side[~both.passed]}
        if "over" not in sides and "unknown" not in sides:
            found.append("No coupon failed by too much heat: the hot edge of the window is assumed, not seen.")
        if "under" not in sides and "unknown" not in sides:
            found.append("No coupon failed by too little heat: the cool edge of the window is assumed, not seen.")
    far = (np.abs(code_frame(study.factors, results.settings)) > FAR_OUTSIDE).any(axis=1)
    if far.any():
        found.append(
            f"{int(far.sum())} of {results.coupons} coupons were made or measured more than half a range outside the "
            "tested ranges: check gauge and unit. They say little about settings inside."
        )
    found += unvaried_sentences(hardly_varied(Scaling(study.factors), results, earlier))
    found += untried_sentences(untried_levels(study, results, earlier))
    found += _hand_warnings(study, results, everything)
    found += _batch_warnings(study, results)
    if results.waiting:
        n = results.waiting
        found.append(f"{n} coupon{'s are' if n > 1 else ' is'} not scored yet and left out.")
    return tuple(found)


def _hand_warnings(study: Study, results: Results, everything: Results) -> list[str]:
    """That hand-feel is wanted but was never scored, or rests on people whose numbers may not mean the same."""
    if study.spec.hand_min is None:
        return []
    if not np.isfinite(everything.hand).any():
        said = "Hand-feel is in the spec but was not scored: the pass rate below counts the checks only."
        if results.passed.any():  # those of an earlier study may be gone
            said += " Score hand-feel of the coupons that transferred: they are there, no new one is needed for it."
        return [said]
    doubt = doubt_scorers(everything)
    return [] if doubt is None else [doubt.sentence]


def _batch_warnings(study: Study, results: Results) -> list[str]:
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
    cannot = "so an error that the coupons of a batch share is not allowed for: the lower bound may be too high."
    found = [f"No {' or '.join(unknown)} batches are known, {cannot}"] if unknown else []
    return found + [f"All coupons come from one {stage} batch, {cannot}" for stage in single]
