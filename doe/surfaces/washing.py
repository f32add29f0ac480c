"""What a check still to come, such as a wash, may do: how many failures only it shows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, polygamma

from doe.domain.outcome import HELD, LATE, WAITING
from doe.domain.results import Results
from doe.surfaces.outcomes import FloatArray, expit

LATE_PRIOR = (1.0, 2.0)
"""Of failures, those shown only by a check to come, such as a wash, against the rest, as so many coupons of each (our
guess, no source)."""


WASH_DISCOUNT, MOST_EARLIER_WASHES = 0.3, 6.0
"""What one failure of the shop's earlier studies counts for, and how many coupons all of them count for at most, so
that a new kind of material is soon heard (our guess, no source)."""


@dataclass(frozen=True)
class Washes:
    """What washes showed of the coupons of one study, or of several.

    Attributes
    ----------
    held, failed : int
        Coupons that passed at the press and were washed: how many survived it, and how many did not.
    at_press : float
        Coupons that failed at the press, counted as far as their like was washed.
    """

    held: int = 0
    failed: int = 0
    at_press: float = 0.0

    @property
    def washed(self) -> int:
        """Coupons that passed at the press and were washed."""
        return self.held + self.failed

    @property
    def part(self) -> float:
        """What one of their failures counts for in another study of the shop."""
        return min(WASH_DISCOUNT, MOST_EARLIER_WASHES / max(self.failed + self.at_press, MOST_EARLIER_WASHES))

    def __add__(self, other: Washes) -> Washes:
        """Both together."""
        return Washes(self.held + other.held, self.failed + other.failed, self.at_press + other.at_press)


NO_WASHES = Washes()


def washes_of(results: Results) -> Washes:
    """What washes showed of some coupons.

    Failures at the press count only as far as their like was washed: while most passes wait, it is not known how many
    failures are still hidden among them.
    """
    failed, held, waiting = (int((results.wash == state).sum()) for state in (LATE, HELD, WAITING))
    share = (failed + held) / max(failed + held + waiting, 1)
    return Washes(held, failed, float(share * (~results.passed & (results.wash == "")).sum()))


def late_beta(results: Results, earlier: Washes = NO_WASHES) -> tuple[float, float]:
    """What is known of the share of failures that pass until they are washed: the two numbers of a beta posterior.

    ``earlier`` is what washes showed in other studies of the shop; it counts as `Washes.part` says.
    """
    mine = washes_of(results)
    late = LATE_PRIOR[0] + earlier.part * earlier.failed + mine.failed
    early = LATE_PRIOR[1] + earlier.part * earlier.at_press + mine.at_press
    return late, early


def late_share(results: Results, earlier: Washes = NO_WASHES) -> float:
    """Share of all failures that pass every check until they are washed: the mean of `late_beta`."""
    late, early = late_beta(results, earlier)
    return late / (late + early)


@dataclass(frozen=True)
class ToCome:
    """Coupons that pass so far and wait for a check, by kind: washes, and checks before them that nobody scored.

    Of the failures of a coupon that waits for both, the wash alone shows its share; of the rest, which show at the
    press, the check there that nobody scored shows its own: ``1 - (1 - a) (1 - b)`` of them are not seen yet.

    Attributes
    ----------
    kind : array, shape (coupons, kinds)
        1 where a coupon waits for that kind; a kind that no coupon waits for has no column.
    logit : array, shape (2, kinds)
        Mean and standard deviation of the logit of the share of failures that only such a check shows.
    share : array, shape (kinds,)
        Mean of that share.
    """

    kind: FloatArray
    logit: FloatArray
    share: FloatArray

    def of_coupons(self, rows: NDArray[np.intp]) -> ToCome:
        """The same kinds for some of the coupons."""
        return replace(self, kind=self.kind[rows])

    @property
    def kinds(self) -> int:
        """Number of kinds that some coupon waits for."""
        return len(self.share)

    @property
    def mean(self) -> FloatArray:
        """Expected share of failures that a coupon's checks did not show yet, shape (coupons,); 0 where it is done.

        What is known of the two kinds is independent, so that the mean of their product is that of their means.
        """
        return np.asarray(self._seen_late(self.share[None])[0])

    def shares(self, xi: FloatArray) -> FloatArray:
        """Shares of each kind from their standard normal parameters, both (draws, kinds)."""
        return expit(self.logit[0] + self.logit[1] * xi)

    def late(self, xi: FloatArray) -> FloatArray:
        """The same of each coupon, (draws, coupons)."""
        if not self.kinds:  # no memory for it in the usual case
            return np.broadcast_to(0.0, (len(xi), len(self.kind)))
        return self._seen_late(self.shares(xi))

    @cached_property
    def _both(self) -> FloatArray | None:
        """1 where a coupon waits for both kinds; None where none does."""
        both = self.kind.prod(axis=1) if self.kinds > 1 else np.zeros(0)
        return both if both.any() else None

    def _seen_late(self, share: FloatArray) -> FloatArray:
        late = share @ self.kind.T
        return np.asarray(late if self._both is None else late - share.prod(axis=1)[:, None] * self._both)

    def slopes(self, xi: FloatArray, along: FloatArray) -> FloatArray:
        """Slopes along the parameters, (draws, kinds), from those along each coupon's share, (draws, coupons)."""
        share = self.shares(xi)
        of_share = along @ self.kind
        if self._both is not None:
            of_share = of_share - (along @ self._both)[:, None] * share[:, ::-1]
        return np.asarray(of_share * self.logit[1] * share * (1 - share))


def to_come(results: Results, earlier: Washes = NO_WASHES) -> ToCome:
    """What coupons still wait for. Of checks before the wash nothing is known but the guess.

    The beta of each share is taken as a normal of its logit, which has mean ``digamma(a) - digamma(b)`` and variance
    ``trigamma(a) + trigamma(b)`` (Aitchison and Shen 1980, Biometrika 67, 261-272), so that a surface has it as
    one more standard normal parameter.
    """
    washes = results.wash == WAITING
    kinds = ((washes, late_beta(results, earlier)), (results.open_at_press, LATE_PRIOR))
    there = [(waits, beta) for waits, beta in kinds if waits.any()]
    late, early = np.array([beta for _, beta in there], dtype=float).reshape(-1, 2).T
    return ToCome(
        np.array([waits for waits, _ in there], dtype=float).reshape(-1, results.coupons).T,
        np.stack([digamma(late) - digamma(early), np.sqrt(polygamma(1, late) + polygamma(1, early))]),
        late / (late + early),
    )


def so_far(results: Results, sound: FloatArray, earlier: Washes = NO_WASHES) -> FloatArray:
    """Chance that each coupon passes what it was looked at for, from that of a sound print, (draws, coupons)."""
    return np.asarray(sound + to_come(results, earlier).mean * (1 - sound))


def survives(results: Results, sound: float, earlier: Washes = NO_WASHES) -> float:
    """Share that survives the wash of the prints that pass before it, from the share ``sound`` of all prints."""
    return sound / (sound + late_share(results, earlier) * (1 - sound))
