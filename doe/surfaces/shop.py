"""What a shop's lines are like, as its earlier studies tell it, and how far the next study may believe it.

A *trait* is a number, or one a factor, in which the lines of one shop may be alike: how fast windows close, per kelvin
or per octave of time rather than per tested range, how far from the middle of the tested ranges the best lies, how deep
hand-feel falls, how far machines and people err. For the traits ``theta`` of studies in one shop,

    theta = mean + shop + study,    cov(shop) = r V,  cov(study) = (1 - r) V,

where ``mean`` and ``V`` are the prior of a study by itself. So a study without any other has the very prior of the
model, whatever ``r``; the share ``r`` of the spread that lies between shops is not known: it is averaged over `SHARES`
by how well each explains the studies that are there. What a study says of its traits is its posterior without its
prior, both taken as normal.

A prior learned in this way would overrule the coupons of a material that is like nothing before. So it is a mixture
(the robust prior of Schmidli et al. 2014, Biometrics 70, 1023-1032): with the fixed chance `DOUBT` a trait has nothing
to do with the shop's earlier ones and has the model's own prior. The coupons decide between the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.surfaces.washing import NO_WASHES, Washes

FloatArray = NDArray[np.float64]
Row = tuple[float, ...]

DOUBT = 0.5
"""Chance that a trait of the next study is a stranger to the shop's earlier ones."""

SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Shares of the spread of a trait that may lie between shops, each as likely as the others before any study."""


@dataclass(frozen=True)
class Trait:
    """A trait as a model has it: ``mean + by @ xi[columns]`` of its standard normal parameters.

    Attributes
    ----------
    name : str
    of : tuple of str
        Names of the factors that it has a number of; one empty name where it is a single number.
    mean : array, shape (d,)
    columns : array, shape (p,)
        Parameters behind it.
    by : array, shape (d, p)
    """

    name: str
    of: tuple[str, ...]
    mean: FloatArray
    columns: NDArray[np.intp]
    by: FloatArray

    @property
    def covariance(self) -> FloatArray:
        """Of the model's prior, shape (d, d)."""
        return np.asarray(self.by @ self.by.T)


@dataclass(frozen=True)
class TraitEvidence:
    """What one study says of a trait: its posterior, and the prior that is in it, as plain numbers that a book keeps.

    ``of`` as in `Trait`; means of d numbers, covariances of d rows of them.
    """

    trait: str
    of: tuple[str, ...]
    mean: Row
    covariance: tuple[Row, ...]
    prior_mean: Row
    prior_covariance: tuple[Row, ...]

    @classmethod
    def from_draws(cls, trait: Trait, xi: FloatArray) -> TraitEvidence:
        """Of posterior draws of a model's parameters, (draws, parameters)."""
        found = trait.mean + xi[:, trait.columns] @ trait.by.T
        spread = np.cov(found, rowvar=False).reshape(len(trait.of), len(trait.of))
        return cls(
            trait.name, trait.of, _row(found.mean(axis=0)), _rows(spread), _row(trait.mean), _rows(trait.covariance)
        )

    def about(self, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        """Precision (d, d), and precision times value (d,), that the study adds about factors; 0 of those it lacks."""
        shared = [name for name in names if name in self.of]
        at, here = [self.of.index(name) for name in shared], [list(names).index(name) for name in shared]
        precision, pull = np.zeros((len(names), len(names))), np.zeros(len(names))
        if not shared:
            return precision, pull
        prior, posterior = (np.array(c)[np.ix_(at, at)] for c in (self.prior_covariance, self.covariance))
        # in units of the prior, where what the coupons do not tell has precision 1: draws may say a little less
        root = np.linalg.cholesky(prior)
        within = np.linalg.inv(np.linalg.solve(root, np.linalg.solve(root, posterior).T))
        gained, turn = np.linalg.eigh((within + within.T) / 2 - np.eye(len(at)))
        told = gained > 0
        moved = np.linalg.solve(root, np.array(self.mean)[at] - np.array(self.prior_mean)[at])
        back = np.linalg.inv(root)
        precision[np.ix_(here, here)] = back.T @ (turn * np.where(told, gained, 0.0)) @ turn.T @ back
        # precision times value about the prior's mean, then about zero
        pulled = back.T @ turn @ np.where(told, turn.T @ within @ moved, 0.0)
        pull[here] = pulled + precision[np.ix_(here, here)] @ np.array(self.prior_mean)[at]
        return precision, pull


@dataclass(frozen=True)
class ShopHistory:
    """What earlier studies of one shop say about its lines; from `doe.learn_shop`.

    Attributes
    ----------
    studies : tuple of str
        Names of the studies behind it.
    evidence : tuple of TraitEvidence
    washes : Washes
        What washes showed in all of them.
    """

    studies: tuple[str, ...]
    evidence: tuple[TraitEvidence, ...]
    washes: Washes = NO_WASHES


def expected(trait: Trait, evidence: Sequence[TraitEvidence]) -> tuple[FloatArray, FloatArray] | None:
    """Mean (d,) and covariance (d, d) of a trait of the shop's next study, no stranger; None where nothing is known."""
    told = [found.about(trait.of) for found in evidence if found.trait == trait.name]
    told = [(precision, pull) for precision, pull in told if precision.any()]
    if not told:
        return None
    d, n = len(trait.of), len(told)
    # the studies, then the next one: what is known of their differences from the mean
    precision, pull = np.zeros(((n + 1) * d, (n + 1) * d)), np.zeros((n + 1) * d)
    for s, (known, value) in enumerate(told):
        at = slice(s * d, (s + 1) * d)
        precision[at, at], pull[at] = known, value - known @ trait.mean
    means, covariances, chances = [], [], []
    for share in SHARES:
        prior = np.kron(share + (1 - share) * np.eye(n + 1), trait.covariance)
        inner = np.eye(len(prior)) + prior @ precision
        posterior = np.linalg.solve(inner, prior)
        moved = posterior @ pull
        chances.append(0.5 * (pull @ moved - np.linalg.slogdet(inner)[1]))
        means.append(moved[-d:])
        covariances.append(posterior[-d:, -d:])
    weights = np.exp(np.array(chances) - max(chances))
    weights /= weights.sum()
    middle = weights @ np.array(means)
    apart = np.array(means) - middle
    covariance = np.einsum("s,sij->ij", weights, np.array(covariances)) + (weights[:, None] * apart).T @ apart
    return trait.mean + middle, (covariance + covariance.T) / 2


class Lent:
    """What a shop lends to one trait of a model: the mixture of what it expects and the model's own prior."""

    def __init__(self, trait: Trait, mean: FloatArray, covariance: FloatArray) -> None:
        self.trait = trait
        self._about = mean - trait.mean
        self._covariance = covariance
        self._own, self._shop = np.linalg.inv(trait.covariance), np.linalg.inv(covariance)
        self._log_size = 0.5 * (np.linalg.slogdet(trait.covariance)[1] - np.linalg.slogdet(covariance)[1])

    def log_ratio(self, xi: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log density of the mixture over that of the model's own prior, (draws,), and its slopes along ``columns``."""
        own = xi[:, self.trait.columns] @ self.trait.by.T
        away = own - self._about
        pull, push = own @ self._own, away @ self._shop
        log_shop = np.log1p(-DOUBT) + self._log_size + 0.5 * ((own * pull).sum(axis=1) - (away * push).sum(axis=1))
        value = np.logaddexp(np.log(DOUBT), log_shop)
        return value, np.exp(log_shop - value)[:, None] * (pull - push) @ self.trait.by

    def draw(self, xi: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Parameters of the mixture from those of the model's own prior, both (draws, parameters)."""
        own = xi[:, self.trait.columns] @ self.trait.by.T
        theirs = rng.multivariate_normal(self._about, self._covariance, len(xi), method="cholesky")
        alike = rng.random(len(xi)) >= DOUBT
        moved = xi.copy()
        # what does not change the trait stays as it was drawn
        moved[:, self.trait.columns] += np.where(alike[:, None], theirs - own, 0.0) @ self._own @ self.trait.by
        return moved


class Loan:
    """Everything that a shop lends to a model."""

    def __init__(self, traits: Sequence[Trait], shop: ShopHistory) -> None:
        known = [(trait, expected(trait, shop.evidence)) for trait in traits]
        self.parts = tuple(Lent(trait, *found) for trait, found in known if found is not None)

    def log_ratio(self, xi: FloatArray) -> FloatArray:
        """Log density of what is believed with the shop's studies over that without them, (draws,)."""
        return np.asarray(sum((part.log_ratio(xi)[0] for part in self.parts), np.zeros(len(xi))))

    def slopes(self, xi: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The same, with its slopes along all parameters, (draws, parameters)."""
        value, slopes = np.zeros(len(xi)), np.zeros_like(xi)
        for part in self.parts:
            added, along = part.log_ratio(xi)
            value += added
            slopes[:, part.trait.columns] += along
        return value, slopes

    def draw(self, xi: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Parameters before any coupon of the next study, from standard normal ones, both (draws, parameters)."""
        for part in self.parts:
            xi = part.draw(xi, rng)
        return xi


def _row(values: FloatArray) -> Row:
    return tuple(map(float, values))


def _rows(values: FloatArray) -> tuple[Row, ...]:
    return tuple(map(_row, values))
