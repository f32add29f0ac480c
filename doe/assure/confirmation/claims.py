"""Confirmation plans: how many coupons for which claim, and when the verdict is certain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.stats import binom, nbinom

from doe.assure.binomial import coupons_for_failures, pass_rate_high, pass_rate_low

ClaimState = Literal["accepted", "not accepted", "open"]


@dataclass(frozen=True)
class ClaimPlan:
    """A rule fixed before the coupons are made: so many units, so many failures forgiven.

    A unit is a coupon, or a press stroke where several coupons share one.

    Attributes
    ----------
    pass_rate, assurance : float
        The claim: "at least this pass rate, with this assurance".
    failures : int
        Failures forgiven.
    units : int
        Units to make; the verdict may be certain earlier.
    levels : int
        Levels on each of which the claim must hold, with as many units on each. No more failures are forgiven on all of
        them together than on one, so one level that misses the claim is accepted no oftener than it alone would be.
    """

    pass_rate: float
    assurance: float
    failures: int
    units: int
    levels: int = 1

    @property
    def passes_needed(self) -> int:
        """Passes that make acceptance certain."""
        return self.units - self.failures

    def chance(self, rates: ArrayLike) -> float:
        """Probability that the plan accepts, for one true pass rate or averaged over draws of it, shape (draws,)."""
        drawn = np.atleast_1d(np.asarray(rates, dtype=float))
        return float(binom.cdf(self.failures, self.units, 1 - np.clip(drawn, 0, 1)).mean())

    def risk(self, rate: float) -> float:
        """Highest probability that the plan accepts although some level has no more than this true pass rate."""
        return float(binom.cdf(self.failures, self.units // self.levels, 1 - rate))

    def expected_units(self, rates: ArrayLike) -> float:
        """Units made on average when stopping as soon as the verdict is certain; rates as in `chance`."""
        drawn = np.clip(np.atleast_1d(np.asarray(rates, dtype=float)), 1e-12, 1 - 1e-12)[:, None]
        needed, refused = self.passes_needed, self.failures + 1
        # a run of m units ends accepted with its last pass, or refused with its last failure
        accept = np.arange(needed, self.units + 1)[None, :]
        refuse = np.arange(refused, self.units + 1)[None, :]
        mean = (accept * nbinom.pmf(accept - needed, needed, drawn)).sum(axis=1)
        mean += (refuse * nbinom.pmf(refuse - refused, refused, 1 - drawn)).sum(axis=1)
        return float(mean.mean())

    def rate_for(self, chance: float) -> float:
        """True pass rate that the plan accepts with the given probability: below it, expect to be sent back."""
        return brentq(lambda p: self.chance(p) - chance, 0.0, 1.0)

    def state(self, passed: int, failed: int) -> ClaimState:
        """Verdict as soon as it is certain, whatever the units still to come do."""
        if failed > self.failures:
            return "not accepted"
        return "accepted" if passed >= self.passes_needed else "open"


def claim_plan(pass_rate: float, assurance: float = 0.90, *, failures: int = 0, levels: int = 1) -> ClaimPlan:
    """Smallest plan that shows a claim when at most ``failures`` units fail.

    Parameters
    ----------
    pass_rate, assurance : float
        The claim.
    failures : int
        0 is the success run; more failures forgiven ask for more units but send fewer good recipes back.
    levels : int
        Levels on each of which the claim must hold: as many units are made on each.

    Examples
    --------
    >>> claim_plan(0.95, 0.90).units, claim_plan(0.95, 0.90, failures=1).units
    (45, 77)
    """
    each = coupons_for_failures(pass_rate, assurance, failures=failures)
    return ClaimPlan(pass_rate, assurance, failures, levels * each, levels)


@dataclass(frozen=True)
class ClaimLimits:
    """Exact one-sided limits of the pass rate, each at the plan's assurance; ``final`` once the verdict is certain."""

    low: float
    high: float
    final: bool


def claim_limits(
    plan: ClaimPlan, passed: int, failed: int, waiting: int = 0, *, any_passed: int | None = None
) -> ClaimLimits:
    """Limits of the pass rate that stay true although making units stops as soon as the verdict is certain.

    Parameters
    ----------
    plan : ClaimPlan
    passed, failed, waiting : int
        Units made: passed every check, failed any, or still waiting for one (a wash).
    any_passed : int, optional
        Units (strokes) in which at least one coupon has passed or may still; by default ``passed + waiting``. The
        upper limit needs it.

    Returns
    -------
    ClaimLimits

    Notes
    -----
    Units still waiting count as failed for the lower limit and as passed for the upper one, since failures show earlier
    than passes. A stroke passes when all its coupons do, which is no more likely than that one coupon passes: the lower
    limit holds for coupons too. After an early stop outcomes are ordered by how soon they came (acceptance: the earlier
    the better),
    which keeps the limits exact: Clopper and Pearson's formula with the counts of the deciding units.

    References
    ----------
    Clopper and Pearson (1934); ordering of curtailed outcomes as in C. Jennison and B. W. Turnbull (1983),
    *Technometrics* 25, 49-58 (from memory).
    """
    made = passed + failed + waiting
    if made == 0:
        return ClaimLimits(0.0, 1.0, False)
    best = min(passed + waiting if any_passed is None else any_passed, made)
    state = plan.state(passed, failed)
    low = _low(plan, made, made - passed)
    high = pass_rate_high(best, made, plan.assurance)
    if made < plan.units and state == "accepted":
        low = _low(plan, made, made - plan.passes_needed)
        before = pass_rate_high(plan.passes_needed - 1, made - 1, plan.assurance) if made > 1 else 1.0
        high = max(high, before)
    return ClaimLimits(low, high, state != "open" and (waiting == 0 or made < plan.units))


def _low(plan: ClaimPlan, made: int, failed: int) -> float:
    """Lower limit of the pass rate; of several levels that of the worst, which may have had all the failures."""
    each = made // plan.levels
    return pass_rate_low(max(each - failed, 0), each, plan.assurance) if each else 0.0
