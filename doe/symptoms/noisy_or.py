"""Noisy-or: several possible causes, each of which may show a finding by itself.

A finding stays away only if nothing shows it: ``P(shown | causes) = 1 - (1 - leak) * prod(1 - link)`` over the
causes that are there. Causes are independent before anything is seen; afterwards they explain one another away.

References
----------
J. Pearl (1988), *Probabilistic Reasoning in Intelligent Systems*, section 4.3.2 (from memory).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@lru_cache(maxsize=8)
def states(causes: int, most: int) -> BoolArray:
    """Every set of at most ``most`` causes that are there at once, shape (sets, causes); the empty set first.

    More than three faults at once are left out on purpose: what they would add to a diagnosis is far below what
    the guessed odds can bear.
    """
    chosen = [c for size in range(min(most, causes) + 1) for c in combinations(range(causes), size)]
    made = np.zeros((len(chosen), causes), dtype=bool)
    for row, members in enumerate(chosen):
        made[row, list(members)] = True
    made.flags.writeable = False  # kept between calls
    return made


def log_prior(there: BoolArray, p: FloatArray) -> FloatArray:
    """Log probability of each set before anything is seen, shape (sets,); ``p``: of each cause, below 1."""
    return np.asarray(np.where(there, np.log(p), np.log1p(-p)).sum(axis=1))


def p_shown(there: BoolArray, links: FloatArray, leak: FloatArray) -> FloatArray:
    """Probability that each finding is shown, shape (sets, findings).

    Parameters
    ----------
    there : bool array, shape (sets, causes)
    links : array, shape (causes, findings)
        Probability that a cause by itself shows a finding, below 1.
    leak : array, shape (findings,)
        Probability that it is shown by something that is no listed cause.
    """
    absent = np.log1p(-leak) + there.astype(float) @ np.log1p(-links)
    return np.asarray(-np.expm1(absent))


def weights(log_joint: FloatArray) -> FloatArray:
    """Probability of each set given what was seen, shape (sets,)."""
    scaled = np.exp(log_joint - log_joint.max())
    return np.asarray(scaled / scaled.sum())


def information(posterior: FloatArray, outcomes: FloatArray) -> float:
    """Expected information of a look, in bits: how much less unsure about the causes it leaves us on average.

    Mutual information of causes and outcome. ``outcomes``: shape (sets, outcomes), probability of each outcome.
    """
    overall = posterior @ outcomes
    gained = _bits(overall) - float(posterior @ _bits_of_rows(outcomes))
    return max(0.0, gained)  # rounding may leave it a hair below


def _bits(p: FloatArray) -> float:
    return float(_bits_of_rows(p[None, :])[0])


def _bits_of_rows(p: FloatArray) -> FloatArray:
    safe = np.where(p > 0, p, 1.0)
    return np.asarray(-(p * np.log2(safe)).sum(axis=1))
