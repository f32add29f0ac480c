"""Faults of a shop: what may be wrong when a recipe starts failing, how often, and what each one shows.

A fault is finer than a pointer of the catalogue: "press too little" may be a platen set too low, one that does not
reach what it shows, or one cold place, and each asks for another remedy.

They stand in `templates/tables/faults.toml`. How often (``per_hundred``) and how likely a fault shows a symptom are our
guesses, no source; they are where a shop starts, and its own cases move them (`doe.symptoms.odds`). A link that is not
named there comes from the catalogue: the surer it is that a symptom points to a cause, the likelier that cause is taken
to show it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from doe.domain.errors import InputError
from doe.domain.jsonable import packaged_table, rows
from doe.symptoms.catalogue import CATALOGUE, CauseSide, Pointer, Sureness

SHOWS: Mapping[Sureness, float] = packaged_table("faults")["shows"]
"""Probability that a fault shows a symptom, from the sureness of the catalogue (our guess, no source)."""

Call = Literal["", "maker", "licensed"]
Where = Literal["the dial", "the machine", "handling", "material"]


@dataclass(frozen=True)
class Fault:
    """One thing that may be wrong.

    Parameters
    ----------
    key, label : str
        The stored name, and the words for people.
    pointer : Pointer or None
        What the catalogue calls it; None where only this list knows it.
    per_hundred : float
        In how many of 100 failing recipes it is there (our guess, no source).
    remedy : str
        What helps, never beyond window and limits.
    at : str
        Where it sits. Only a fault of ``the dial`` is mended by moving a setting.
    settings : tuple of str
        Factors on which it acts.
    links : mapping
        Probability that it shows a symptom, by key of the catalogue, where that differs from `SHOWS`.
    call : {"", "maker", "licensed"}
        Who is to be asked when it is confirmed.
    """

    key: str
    label: str
    pointer: Pointer | None
    per_hundred: float
    remedy: str
    at: Where = "handling"
    settings: tuple[str, ...] = ()
    links: Mapping[str, float] = field(default_factory=dict)
    call: Call = ""

    @property
    def side(self) -> CauseSide:
        """``under`` or ``over`` when it is heat, else ``other``."""
        return self.pointer.side if self.pointer is not None else "other"

    def shows(self) -> dict[str, float]:
        """Probability of every symptom it can show, by key."""
        from_catalogue = {
            s.key: SHOWS[c.sureness]
            for s in CATALOGUE
            for c in s.causes
            if self.pointer is not None and c.pointer is self.pointer
        }
        return {key: p for key, p in {**from_catalogue, **self.links}.items() if p > 0}


FAULTS: tuple[Fault, ...] = rows(
    Fault,
    (
        {**row, "pointer": Pointer(row["pointer"]) if "pointer" in row else None}
        for row in packaged_table("faults")["fault"]
    ),
)
"""Every fault, each once."""

_BY_KEY = {f.key: f for f in FAULTS}


def fault(key: str) -> Fault:
    """Fault by its key, or by the start of its label.

    Raises
    ------
    InputError
        If there is none, or several begin so.
    """
    word = key.strip().lower()
    found = _BY_KEY.get(word.replace(" ", "_").replace("-", "_"))
    if found is not None:
        return found
    close = [f for f in FAULTS if word and f.label.startswith(word)]
    if len(close) == 1:
        return close[0]
    raise InputError("cause", repr(key), ", ".join(_BY_KEY), "Choose one of these.")
