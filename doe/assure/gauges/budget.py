"""Uncertainty budgets: what each source adds, and how far a value may be off altogether."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import norm, t

from doe.domain.errors import InputError

Distribution = Literal["standard", "expanded", "rectangular", "triangular", "u-shaped", "repeats"]

_FIXED_DIVISORS: dict[str, float] = {
    "standard": 1.0,
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "u-shaped": math.sqrt(2),
}

K_TWO_COVERAGE = float(2 * norm.cdf(2) - 1)
"""Coverage for which the factor of a well-known uncertainty is just 2: 95.45 %."""


@dataclass(frozen=True)
class Component:
    """One source of uncertainty.

    Parameters
    ----------
    name : str
    value : float
        What is known: a standard or expanded uncertainty, a half-width, or the standard deviation of repeats.
    shape : {"standard", "expanded", "rectangular", "triangular", "u-shaped", "repeats"}
        ``expanded`` is divided by ``k``; a half-width by root 3 (rectangular: anywhere within), root 6 (triangular:
        more likely in the middle), root 2 (u-shaped: swings between the ends, as a thermostat does); ``repeats`` by the
        root of ``repeats``, whose mean is used.
    k : float
        Coverage factor of an expanded uncertainty.
    repeats : int
        How many repeats the standard deviation comes from.
    df : float
        Degrees of freedom behind the value, infinity when it is simply known; repeats have their own.
    sensitivity : float
        How much the result moves for one unit of this source.

    Raises
    ------
    InputError
        If a number cannot be one.
    """

    name: str
    value: float
    shape: Distribution = "standard"
    k: float = 2.0
    repeats: int = 1
    df: float = math.inf
    sensitivity: float = 1.0

    def __post_init__(self) -> None:
        where = f"uncertainty of {self.name}"
        if not (math.isfinite(self.value) and self.value >= 0):
            raise InputError(where, self.value, "0 or more", "Give a half-width, a deviation or an uncertainty.")
        if self.shape not in (*_FIXED_DIVISORS, "expanded", "repeats"):
            allowed = ", ".join((*_FIXED_DIVISORS, "expanded", "repeats"))
            raise InputError(f"{where}, shape", self.shape, allowed, "Say how the value is meant.")
        if self.shape == "repeats" and self.repeats < 2:
            raise InputError(f"{where}, repeats", self.repeats, "2 or more", "Read it again.")
        if not (self.k > 0 and self.df > 0 and math.isfinite(self.sensitivity)):
            raise InputError(where, f"k {self.k}, degrees of freedom {self.df}", "above 0", "Correct the entry.")

    @property
    def divisor(self) -> float:
        """What the value is divided by to become a standard uncertainty."""
        if self.shape == "expanded":
            return self.k
        return math.sqrt(self.repeats) if self.shape == "repeats" else _FIXED_DIVISORS[self.shape]

    @property
    def u(self) -> float:
        """Standard uncertainty it gives the result."""
        return abs(self.sensitivity) * self.value / self.divisor

    @property
    def degrees(self) -> float:
        """Degrees of freedom of its standard uncertainty."""
        return float(self.repeats - 1) if self.shape == "repeats" else self.df


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

    Returns
    -------
    Budget

    Raises
    ------
    InputError
        Without a component, or if the coverage is no probability.

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
    if not components:
        raise InputError("uncertainty budget", "no source", "at least one", "Name what makes the value uncertain.")
    if not 0 < coverage < 1:
        raise InputError("coverage", coverage, "between 0 and 1", "Write 95 % as 0.95.")
    u = np.array([c.u for c in components])
    degrees = np.array([c.degrees for c in components])
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
            "sensitivity": [c.sensitivity for c in components],
            "u": u,
            "df": degrees,
            "share": u**2 / total**2 if total > 0 else np.zeros(len(u)),
        }
    )
    return Budget(table, total, df, k, k * total, coverage)
