"""Reading symptoms: by key, the side they agree on, the causes to look at, the short list of the bench sheet."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from doe.domain.entry import SymptomWords
from doe.domain.errors import InputError
from doe.domain.jsonable import packaged_table
from doe.domain.outcome import Side
from doe.symptoms.catalogue import CATALOGUE, Symptom

_BY_KEY = {s.key: s for s in CATALOGUE}


def symptom(key: str) -> Symptom:
    """Symptom of the catalogue by its key.

    Raises
    ------
    InputError
        If there is none; close names are offered.
    """
    found = _BY_KEY.get(key)
    if found is None:
        close = get_close_matches(key.strip().lower().replace(" ", "_"), _BY_KEY, n=3)
        raise InputError(
            "symptom", repr(key), ", ".join(close) or "a key of the symptom list", "Take it from the symptom list."
        )
    return found


def side_of(keys: Iterable[str]) -> Side:
    """Which way a coupon with these symptoms failed.

    Each symptom says a side or ``unknown`` (see `Symptom.side`). One heat side named by any of them and
    contradicted by none is the answer, also beside symptoms that are not heat: those are a second fault, not
    a contradiction. Both heat sides make ``unknown``; only non-heat ones make ``other``.

    >>> side_of(["grainy_back"]), side_of(["film_lock"]), side_of(["grainy_back", "film_lock"])
    ('under', 'over', 'unknown')

    Returns
    -------
    {"", "under", "over", "other", "unknown"}
        ``""`` when no symptom is given.

    Raises
    ------
    InputError
        If a key is not in the catalogue.
    """
    sides = {symptom(key).side for key in keys}
    if not sides:
        return ""
    if "under" in sides or "over" in sides:
        if {"under", "over"} <= sides:
            return "unknown"
        return "under" if "under" in sides else "over"
    return "other" if sides == {"other"} else "unknown"


def short_list(n: int = 12) -> tuple[Symptom, ...]:
    """The ``n`` symptoms a bench sheet has room for, the usual ones of a first article first.

    Raises
    ------
    InputError
        If n is not 1 to the size of the catalogue.
    """
    if not 1 <= n <= len(CATALOGUE):
        raise InputError("short list", n, f"1 to {len(CATALOGUE)}", "Ask for as many symptoms as there are.")
    usual_first = [_BY_KEY[key] for key in packaged_table("symptoms")["usual_first"]]
    return tuple(dict.fromkeys([*usual_first, *CATALOGUE]))[:n]


WORDS = SymptomWords({s.key: s.label for s in CATALOGUE}, side_of)
"""The catalogue as files and forms need it: labels by key, and the side they agree on."""
