"""Checks that tell causes apart: what to look at, how long it takes, and how likely each outcome is.

They stand in `templates/tables/checks.toml`. Minutes and probabilities are our guesses, no source; the checks are
common practice, no source. An outcome that is not the usual one comes from a fault that brings it about, or by
accident (`SLIP`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from doe.domain.errors import InputError
from doe.domain.jsonable import packaged_table, rows

SLIP = 0.03
"""Probability that a check comes out one way without any listed fault behind it."""


@dataclass(frozen=True)
class Outcome:
    """One way a check can come out. ``brought_by``: probability with which each fault brings it about."""

    key: str
    words: str
    brought_by: Mapping[str, float]


@dataclass(frozen=True)
class Look:
    """One check.

    Parameters
    ----------
    key, words : str
        The stored name, and what to do, a full sentence.
    minutes : float
        Of work.
    outcomes : tuple of Outcome
        What may be found beside the usual.
    usual : str
        Words for "nothing unusual".
    repeats : tuple of str
        Symptoms it would only see again, and facts (fields of `Known`) it would only find again; then it is not
        proposed.
    """

    key: str
    words: str
    minutes: float
    outcomes: tuple[Outcome, ...]
    usual: str = "nothing unusual"
    repeats: tuple[str, ...] = ()

    def outcome_keys(self) -> tuple[str, ...]:
        """Every outcome, ``usual`` last."""
        return (*(o.key for o in self.outcomes), "usual")

    def place(self, outcome: str) -> int:
        """Number of an outcome.

        Raises
        ------
        InputError
            If it is none of this check.
        """
        keys = self.outcome_keys()
        if outcome not in keys:
            raise InputError(f"outcome of {self.key}", repr(outcome), ", ".join(keys), "Choose one of these.")
        return keys.index(outcome)


LOOKS: tuple[Look, ...] = rows(
    Look, ({**row, "outcomes": rows(Outcome, row["outcomes"])} for row in packaged_table("checks")["look"])
)
"""Every check, each once."""

_BY_KEY = {look.key: look for look in LOOKS}


def look(key: str) -> Look:
    """Check by its key.

    Raises
    ------
    InputError
        If there is none.
    """
    found = _BY_KEY.get(key.strip().lower().replace(" ", "_").replace("-", "_"))
    if found is None:
        raise InputError("check", repr(key), ", ".join(_BY_KEY), "Choose one of these.")
    return found
