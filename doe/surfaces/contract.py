"""What a pass surface must offer, so that another kind can be put in the place of the closing window.

Three contracts: `SurfaceModel` is fitted, `SurfaceDraws` are its posterior draws, and `Surfaces` is what every
later step (setpoint, window, cliffs, reasons, reports) asks. A kind of surface brings the first two; the third comes
from `doe.surfaces.fit` whatever the kind. Nothing after the fit may ask a model or its draws for more than stands here.

Every model has standard normal parameters ``xi``, shape (draws, parameters), that it turns into surfaces. Coupons come
this study's first, then those of an earlier one. ``z`` are model coordinates (`scaling`), a combination is one of the
levels of the categorical factors (`Scaling.combinations`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from doe.surfaces.sampler import Cloud, FloatArray

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from doe.domain.results import Results
    from doe.surfaces.hand_scores import HandScores
    from doe.surfaces.scaling import Scaling
    from doe.surfaces.shop import Loan, ShopHistory, Trait


PRIOR_GROUPS = ("height", "place", "width", "sides", "stray", "hand", "levels", "batches", "shop")
"""Groups of priors that a model may have: how good the best setting is, where the window lies, how fast it closes, how
failures split into too little and too much, how many fail whatever the settings, hand-feel, levels, batches; and what
the shop's earlier studies say of these, which has no parameters of its own (`SurfaceModel.loan`)."""


@dataclass(frozen=True)
class Quadratics:
    """Surfaces that are quadratics in ``z``, so that a page can carry and evaluate them.

    ``logit`` (of a sound print) and ``hand`` (mean hand-feel before it is clipped to 1 to 5) are coefficients on
    `quadratic_features`, each of shape (combinations, draws, features).
    """

    logit: FloatArray
    hand: FloatArray


class SurfaceDraws(Protocol):
    """Posterior draws of a pass surface, one a row, ready for evaluation anywhere."""

    @property
    def count(self) -> int:
        """Number of draws."""
        ...

    @property
    def lapse(self) -> FloatArray:
        """Share of coupons that fail for reasons no setting mends, shape (draws,)."""
        ...

    @property
    def wrong_side(self) -> FloatArray:
        """Share of heat failures whose symptom points the wrong way, shape (draws,)."""
        ...

    @property
    def hand_sd(self) -> FloatArray:
        """Scale of one person's score about the mean hand-feel, Student-t of 4 degrees of freedom, shape (draws,)."""
        ...

    @property
    def peak(self) -> FloatArray:
        """Middle of each draw's window, shape (combinations, draws, k): where a search for the setpoint begins."""
        ...

    def thin(self, count: int) -> Self:
        """The draws of `thinned_rows`."""
        ...

    def eta(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of a sound print, shape (draws, rows); it passes with ``(1 - lapse) expit(eta)``."""
        ...

    def over_logit(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Logit of too much against too little among heat failures, shape (draws, rows)."""
        ...

    def mean_hand(self, z: FloatArray, combination: int = 0) -> FloatArray:
        """Mean hand-feel on its 1 to 5 scale, shape (draws, rows)."""
        ...

    def quadratics(self) -> Quadratics | None:
        """The same surfaces as quadratics, for a page that computes by itself; None where they are none."""
        ...


@dataclass(frozen=True)
class Traces:
    """Per draw: log probabilities of results and log densities of priors.

    Attributes
    ----------
    coupons : array of str, shape (coupons,)
        This study's coupons, then those of an earlier one.
    fit : array, shape (draws, coupons)
        Log likelihood of what happened to each coupon, hand-feel included, times what the coupon counts for.
    passes, fails : array, shape (draws, coupons)
        Log probability that the coupon passes its checks, and that it fails them in whatever way.
    priors : mapping of str to array, shape (draws,)
        Log prior density of each group of parameters that the model has, up to a constant.
    left : mapping of str to array
        Posterior spread of each parameter behind a quantity (`SurfaceModel.quantities`) as a share of its prior spread.
    """

    coupons: NDArray[np.str_]
    fit: FloatArray
    passes: FloatArray
    fails: FloatArray
    priors: dict[str, FloatArray]
    left: dict[str, FloatArray]


class Sampling(Protocol):
    """Takes posterior draws of a model: the same ones for the same model, seed and number of draws."""

    def __call__(
        self,
        model: SurfaceModel,
        seed: int | Sequence[int],
        particles: int,
        progress: Callable[[float], None] | None = None,
        /,
    ) -> Cloud:
        """Draws of the model's parameters."""
        ...


class SurfaceModel(Protocol):
    """A pass surface for one study's coupons: what its parameters mean, and how likely they make the results."""

    @property
    def name(self) -> str:
        """Kind of surface, kept with every answer."""
        ...

    @property
    def priors(self) -> DataclassInstance:
        """What was assumed before any coupon, for a page: a mean and a spread (or one below and one above), or a spread
        alone, a field."""
        ...

    @property
    def parameters(self) -> int:
        """Number of parameters."""
        ...

    @property
    def weights(self) -> FloatArray:
        """What each coupon counts for, shape (coupons,)."""
        ...

    @property
    def hand(self) -> HandScores:
        """Hand-feel that entered, with the coupons it belongs to."""
        ...

    @property
    def place_sd(self) -> FloatArray:
        """Prior spread of `SurfaceDraws.peak` of the first combination, shape (k,)."""
        ...

    @property
    def traits(self) -> tuple[Trait, ...]:
        """In what the lines of one shop may be alike; none where the model does not know."""
        ...

    @property
    def loan(self) -> Loan | None:
        """What the shop's earlier studies lend to the priors; its log ratio is part of what `sample` draws from."""
        ...

    @property
    def prior_groups(self) -> Mapping[str, NDArray[np.intp]]:
        """Parameters (columns of ``xi``) of each of `PRIOR_GROUPS` that the model has. Effects of single batches belong
        to the data, not to the priors, and to no group."""
        ...

    @property
    def quantities(self) -> Mapping[str, NDArray[np.intp]]:
        """Parameters behind what coupons can teach, by what it is called in reasons; what a model lacks is left out.

        ``height``, ``trade`` (how factors stand in for each other), ``lapse`` and ``hand_top``: any number of
        parameters. ``place`` and ``steepness``: one for each numeric factor, in their order.
        """
        ...

    def unpack(self, xi: FloatArray) -> SurfaceDraws:
        """Surfaces of parameters; of standard normal numbers, they are draws of the prior."""
        ...

    def sample(
        self, *, rng: np.random.Generator, particles: int, progress: Callable[[float], None] | None = None
    ) -> Cloud:
        """Posterior draws of the parameters, equally weighted."""
        ...

    def coupon_log_likelihood(self, xi: FloatArray) -> FloatArray:
        """Log likelihood of each coupon's pass/fail and side, not weighted, shape (draws, coupons)."""
        ...

    def pass_log_chance(self, xi: FloatArray) -> FloatArray:
        """Log probability that each coupon passes its checks, shape (draws, coupons)."""
        ...

    def hand_log_likelihood(self, xi: FloatArray) -> FloatArray:
        """Log likelihood of each scored coupon's hand-feel, not weighted, shape (draws, scored coupons)."""
        ...


class ModelMaker(Protocol):
    """A kind of surface, as `doe.surfaces.fit` takes it: makes the model of some coupons."""

    def __call__(
        self,
        scaling: Scaling,
        results: Results,
        hand: HandScores,
        *,
        weights: FloatArray | None,
        own: int | None,
        shop: ShopHistory | None,
    ) -> SurfaceModel:
        """Model of ``results``; ``weights`` say what each coupon counts for, the first ``own`` are this study's.

        ``shop`` is what earlier studies say about the shop's lines; a model without `SurfaceModel.traits` ignores it.

        Raises
        ------
        InputError
            If it does not know something that the study varies or that its coupons bring.
        """
        ...


def thinned_rows(draws: int, count: int) -> NDArray[np.intp]:
    """Every so many-th of ``draws`` rows, ``count`` of them at most."""
    if count >= draws:
        return np.arange(draws)
    return np.linspace(0, draws - 1, count).astype(int)


def layout(sizes: Mapping[str, int]) -> dict[str, slice]:
    """Place of each named group of parameters, one after the other."""
    ends = np.cumsum([0, *sizes.values()])
    return {name: slice(int(a), int(b)) for name, a, b in zip(sizes, ends, ends[1:], strict=False)}


def columns(slices: Mapping[str, slice], *names: str) -> NDArray[np.intp]:
    """Columns of some parameters, where each has a slice of them."""
    return np.concatenate([np.arange(slices[name].start, slices[name].stop) for name in names])


def sampled(
    model: SurfaceModel,
    seed: int | Sequence[int],
    particles: int,
    progress: Callable[[float], None] | None = None,
    /,
) -> Cloud:
    """Draws of a model from a generator of this seed."""
    return model.sample(rng=np.random.default_rng(seed), particles=particles, progress=progress)
