"""What the coupons of a batch have in common: the machine that is set once for all of them misses its setting alike.

A batch displaces the temperature of its machine by ``d = s x`` in model coordinates: ``x`` a standard normal of the
batch, ``s`` a share of that factor's setting error that is learned for each machine. Around a set value the logit of
the closing window is a quadratic, so

    eta(z + d) = eta(z) - 2 d a'(z - z0) - d^2 A_jj

with ``A`` the curve, ``a`` its row of the displaced factor ``j``: a batch matters on the flank of a window and hardly
at its peak. The logit of *over* moves along with its slope. A coupon's two batches are added, each as if the other were
not there: what they do together beyond that, where factors stand in for each other, is left out. Where a machine
has no such factor, or its actual value was measured on every coupon, a batch moves the logit by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.surfaces.outcomes import FloatArray

OWN_PART = 0.5
"""Part of a displaced factor's setting-error variance that each coupon of a batch keeps for itself."""


@dataclass(frozen=True)
class BatchError:
    """The batches of one machine.

    Attributes
    ----------
    members : array, shape (coupons, batches)
        Which coupon is of which batch, 1 or 0.
    prior : tuple of float
        Mean and standard deviation of the logarithm of ``s``; of logits where nothing is displaced.
    factor : int or None
        Number of the displaced factor.
    error : array, shape (coupons,)
        Its setting error in model coordinates, 0 where measured; ones where nothing is displaced.
    """

    members: FloatArray
    prior: tuple[float, float]
    factor: int | None
    error: FloatArray

    def spread(self, xi: FloatArray) -> FloatArray:
        """``s`` from its standard normal parameter, (draws,)."""
        return np.asarray(np.exp(self.prior[0] + self.prior[1] * xi))

    def moves(self, spread: FloatArray, batches: FloatArray) -> FloatArray:
        """What each coupon is moved by, (draws, coupons); ``batches``: (draws, batches)."""
        moved = batches @ self.members.T
        moved *= self.error
        moved *= spread[:, None]
        return np.asarray(moved)

    def of_coupons(self, rows: NDArray[np.intp]) -> BatchError:
        """The same batches with some of the coupons."""
        return BatchError(self.members[rows], self.prior, self.factor, self.error[rows])


def displaced(factors: Sequence[Factor], stage: str, variance: FloatArray) -> int | None:
    """The factor that batches of a machine displace: its temperature if set once a batch, else what is.

    ``variance``: of the setting error in model coordinates, (coupons, factors). None where there is no such factor or
    no coupon whose actual value is unknown.
    """
    able = [j for j, f in enumerate(factors) if f.hard_to_change and f.stage == stage and (variance[:, j] > 0).any()]
    return min(able, key=lambda j: (not factors[j].is_temperature, factors[j].name), default=None)
