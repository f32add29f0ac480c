"""The shop's odds: where they start, and how its own cases move them.

Every probability is kept as counts (the mean of a beta distribution), so that a case moves what it speaks about and
by no more than one case can.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from doe.symptoms.catalogue import CATALOGUE
from doe.symptoms.faults import FAULTS
from doe.symptoms.looks import LOOKS

FloatArray = NDArray[np.float64]

PRIOR_CASES = 30.0
"""The guess how often a fault is there counts as much as this many cases of the shop."""
LINK_CASES = 8.0
"""The guess how often a fault shows a symptom counts as much as this many cases of that fault."""
OUTCOME_CASES = 8.0
"""The guess how a check comes out counts as much as this many times it was made on that fault."""
LEAK = 0.01
"""Probability that a symptom shows without any listed fault."""
REPORTED = 0.5
"""Probability that a symptom that is there is written down. So a symptom nobody named speaks only softly against
the faults that show it; one that was looked for and is not there speaks in full."""

SYMPTOMS = tuple(s.key for s in CATALOGUE)
FAULT_KEYS = tuple(f.key for f in FAULTS)
_LOOKS = {made.key: made for made in LOOKS}


@dataclass(frozen=True)
class Case:
    """One case of the shop whose cause was found.

    Attributes
    ----------
    symptoms : tuple of str
        What was reported.
    cause : str
        Key of the fault it turned out to be; ``""`` when it was none of the list.
    absent : tuple of str
        Symptoms that were looked for and not there.
    found : mapping
        Checks that were made, by key, with their outcome.
    """

    symptoms: tuple[str, ...]
    cause: str
    absent: tuple[str, ...] = ()
    found: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Odds:
    """Numbers of the model.

    Attributes
    ----------
    there : array, shape (faults,)
        Probability that a fault is there in a failing recipe.
    links : array, shape (faults, symptoms)
        Probability that a fault by itself shows a symptom.
    brought : mapping of str to array, shape (faults, outcomes beside the usual)
        By key of a check: probability that a fault by itself brings an outcome about.
    cases : int
        Cases of the shop that moved them.
    """

    there: FloatArray
    links: FloatArray
    brought: Mapping[str, FloatArray]
    cases: int = 0


@cache
def starting_odds() -> Odds:
    """Odds before the shop has any case of its own."""
    links = np.zeros((len(FAULTS), len(SYMPTOMS)))
    for i, f in enumerate(FAULTS):
        for key, p in f.shows().items():
            links[i, SYMPTOMS.index(key)] = p
    brought = {
        made.key: np.array([[o.brought_by.get(key, 0.0) for o in made.outcomes] for key in FAULT_KEYS])
        for made in LOOKS
    }
    return Odds(np.array([f.per_hundred / 100 for f in FAULTS]), links, brought)


def shop_odds(cases: Iterable[Case]) -> Odds:
    """Odds after the shop's own cases.

    A case whose cause was none of the list counts as one in which every listed fault was absent.

    Examples
    --------
    >>> before, after = starting_odds(), shop_odds([Case(("edge_haze",), "powder_uneven")] * 5)
    >>> i = FAULT_KEYS.index("powder_uneven")
    >>> bool(after.there[i] > before.there[i]), after.cases
    (True, 5)
    """
    start = starting_odds()
    there = PRIOR_CASES * start.there
    shown, total = LINK_CASES * start.links, np.full_like(start.links, LINK_CASES)
    came_out = {key: OUTCOME_CASES * brought for key, brought in start.brought.items()}
    times_made = {key: np.full(len(FAULTS), OUTCOME_CASES) for key in came_out}
    made = 0
    for case in cases:
        made += 1
        if case.cause not in FAULT_KEYS:
            continue
        i = FAULT_KEYS.index(case.cause)
        there[i] += 1
        seen = np.isin(SYMPTOMS, case.symptoms)
        looked = seen | np.isin(SYMPTOMS, case.absent)
        shown[i] += seen
        # a symptom nobody named may have been there all the same: it counts as half a look
        total[i] += np.where(looked, 1.0, REPORTED)
        for made_key, outcome in case.found.items():
            check = _LOOKS.get(made_key)
            if check is None or outcome not in check.outcome_keys():
                continue  # a check of an older list
            times_made[made_key][i] += 1
            if outcome != "usual":
                came_out[made_key][i, check.place(outcome)] += 1
    brought = {key: _below_certain(counts / times_made[key][:, None]) for key, counts in came_out.items()}
    return Odds(there / (PRIOR_CASES + made), np.minimum(shown / total, 0.98), brought, made)


def _below_certain(brought: FloatArray, most: float = 0.98) -> FloatArray:
    """Rows held to a sum that leaves room for the usual outcome."""
    return np.asarray(brought * np.minimum(1.0, most / np.maximum(brought.sum(axis=1, keepdims=True), 1e-9)))
