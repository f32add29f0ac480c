"""Uncertainty budgets: what each source adds, and how far a value may be off altogether."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import norm, t

Distribution = Literal["standard", "expanded", "rectangular"]

_DIVISORS: dict[Distribution, float] = {"standard": 1.0, "expanded": 2.0, "rectangular": math.sqrt(3)}

K_TWO_COVERAGE = float(2 * norm.cdf(2) - 1)
"""Coverage for which the factor of a well-known uncertainty is just 2: 95.45 %."""


@dataclass(frozen=True)
class Component:
    """One source of uncertainty.

    Parameters
    ----------
    name : str
    value : float
        What is known: a standard or expanded uncertainty, or a half-width.
    shape : {"standard", "expanded", "rectangular"}
        An ``expanded`` uncertainty (k = 2) is divided by 2, a half-width (``rectangular``: anywhere within) by root 3.
    df : float
        Degrees of freedom behind the value, infinity when it is simply known.
    """

    name: str
    value: float
    shape: Distribution = "standard"
    df: float = math.inf

    @property
    def divisor(self) -> float:
        """What the value is divided by to become a standard uncertainty."""
        return _DIVISORS[self.shape]

    @property
    def u(self) -> float:
        """Standard uncertainty it gives the result."""
        return self.value / self.divisor


@dataclass(frozen=True)
class Budget:
    """A combined uncertainty.

    Attributes
    ----------
    table : DataFrame
        One row a source: source, value, shape, divisor, sensitivity, u, df, share (of the variance).
    u : float
        Combined standard uncertainty.
    df : float
        Effective degrees of freedom (Welch and Satterthwaite), not cut down.
    k : float
        Coverage factor.
    expanded : float
        U = k u.
    coverage : float
        What k stands for.
    """

    table: pd.DataFrame
    u: float
    df: float
    k: float
    expanded: float
    coverage: float

    @property
    def largest(self) -> str:
        """Name of the source that adds most."""
        return str(self.table["source"].iloc[int(np.argmax(self.table["u"].to_numpy()))])


def combine_uncertainty(components: Sequence[Component], *, coverage: float = K_TWO_COVERAGE) -> Budget:
    """Combine independent sources of uncertainty.

    Parameters
    ----------
    components : sequence of Component
        At least one; they must not share a cause.
    coverage : float
        Wanted of the interval value +- U; the default gives k = 2 when everything is well known.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1 and annex G.4: standard uncertainties in quadrature; k is the t quantile on the effective
    degrees of freedom cut down to a whole number.

    Examples
    --------
    >>> budget = combine_uncertainty([Component("probe", 2.2, "expanded"), Component("resolution", 0.5, "rectangular")])
    >>> round(budget.u, 3), round(budget.expanded, 2)
    (1.137, 2.27)
    """
    u = np.array([c.u for c in components])
    degrees = np.array([c.df for c in components])
    total = float(np.sqrt(u @ u))
    below = float(np.sum((u / total) ** 4 / degrees)) if total > 0 else 0.0
    df = 1 / below if below > 0 else math.inf
    k = float(t.ppf((1 + coverage) / 2, max(math.floor(df + 1e-9), 1) if math.isfinite(df) else math.inf))
    table = pd.DataFrame(
        {
            "source": [c.name for c in components],
            "value": [c.value for c in components],
            "shape": [c.shape for c in components],
            "divisor": [c.divisor for c in components],
            "sensitivity": 1.0,  # every source is stated in the unit of the result
            "u": u,
            "df": degrees,
            "share": u**2 / total**2 if total > 0 else np.zeros(len(u)),
        }
    )
    return Budget(table, total, df, k, k * total, coverage)
