"""The symptoms: what is seen, what it points to, what to look at first, what then helps.

They stand in `templates/tables/symptoms.toml`, with where they come from. The makers' data sheets always win.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import StrEnum
from functools import cache
from typing import Literal, get_args

from doe.domain.entry import SymptomWords
from doe.domain.errors import InputError
from doe.domain.jsonable import packaged_table, rows
from doe.domain.outcome import POINTED, Side
from doe.domain.said import read_symptoms, squeeze
from doe.domain.said import words as words_of

PRACTICE = "common practice, no source"
TRADE_PAGES = "trade pages, secondary"

Sureness = Literal["weak", "medium", "fairly strong", "strong"]
SURENESS: tuple[Sureness, ...] = get_args(Sureness)
"""From least to most sure."""

CauseSide = Literal["under", "over", "other"]
When = Literal["after cure", "at press", "at peel", "after press", "after wash", "days later"]


class Pointer(StrEnum):
    """What a symptom may point to, in words for people."""

    CURE_UNDER = "cure too little"
    CURE_OVER = "cure too much"
    PRESS_UNDER = "press too little"
    PRESS_OVER = "press too much"
    PRESSURE_LOW = "pressure low or uneven"
    PRESSURE_HIGH = "pressure high"
    POWDER_LOW = "powder low"
    POWDER_HIGH = "powder high"
    POWDER_UNEVEN = "powder uneven"
    POWDER_COARSE = "powder coarse"
    POWDER_OLD = "powder old"
    POWDER_LOW_MELT = "powder melts too low"
    MOISTURE = "moisture"
    PEEL = "peel handling"
    GAP = "waiting time wrong"
    FABRIC = "fabric"
    INK = "ink or print"
    DUST = "dust"
    PAD = "no pad"
    NO_SECOND_PRESS = "no second press"
    REPEATED_PRESS = "pressed too often"
    COVER_SHEET = "cover sheet or platen"
    WHITE = "white ink"
    FILM_MOVED = "film moved"
    WASHED_HARD = "washed against the label"

    @property
    def side(self) -> CauseSide:
        """Which way it misses: ``under`` and ``over`` are heat at cure or press, everything else is ``other``."""
        if self in (Pointer.CURE_UNDER, Pointer.PRESS_UNDER):
            return "under"
        return "over" if self in (Pointer.CURE_OVER, Pointer.PRESS_OVER) else "other"


@dataclass(frozen=True)
class Cause:
    """One thing a symptom points to."""

    pointer: Pointer
    sureness: Sureness
    detail: str = ""
    source: str = PRACTICE

    @property
    def side(self) -> CauseSide:
        """``under``, ``over`` or ``other``."""
        return self.pointer.side

    def __str__(self) -> str:
        return f"{self.pointer} ({self.detail})" if self.detail else str(self.pointer)


@dataclass(frozen=True)
class Symptom:
    """What is seen on a coupon, and what it points to.

    Parameters
    ----------
    key, label : str
        The stored name, and the words for people (no comma or semicolon, so that a cell can hold several).
    seen : str
        What is seen on the coupon.
    when : str
        When in the process it shows first.
    causes : tuple of Cause
        In order; never one answer, because a symptom may point both ways.
    first_check : str
        What to look at before any setting is moved.
    remedy : str
        What then helps, always inside the makers' limits.
    """

    key: str
    label: str
    seen: str
    when: When
    causes: tuple[Cause, ...]
    first_check: str
    remedy: str

    @property
    def shows_later(self) -> bool:
        """Whether nobody sees it at the press."""
        return self.when in ("after wash", "days later")

    @property
    def sureness(self) -> Sureness:
        """How sure the leading cause is."""
        return self.causes[0].sureness

    @property
    def source(self) -> str:
        """Where the pointers come from."""
        from_pages = [str(c.pointer) for c in self.causes if c.source != PRACTICE]
        return f"{PRACTICE}; {', '.join(from_pages)}: {TRADE_PAGES}" if from_pages else PRACTICE

    @property
    def side(self) -> Literal["under", "over", "other", "unknown"]:
        """Which way this symptom alone says the coupon failed.

        The surest cause decides when it is surer than ``weak`` and no other side is as sure. A symptom whose
        causes are all ``other`` is ``other`` however weak: it is not heat.
        """
        best: dict[CauseSide, int] = {}
        for cause in self.causes:
            best[cause.side] = max(best.get(cause.side, 0), SURENESS.index(cause.sureness))
        if set(best) == {"other"}:
            return "other"
        top = max(best.values())
        leading = [side for side, sureness in best.items() if sureness == top]
        return leading[0] if top > 0 and len(leading) == 1 else "unknown"


CATALOGUE: tuple[Symptom, ...] = rows(
    Symptom,
    (
        {**row, "causes": [Cause(**{**cause, "pointer": Pointer(cause["pointer"])}) for cause in row["causes"]]}
        for row in packaged_table("symptoms")["symptom"]
    ),
)
"""Every symptom, each once."""


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

_LOOK_BY_KEY = {look.key: look for look in LOOKS}


def look(key: str) -> Look:
    """Check by its key.

    Raises
    ------
    InputError
        If there is none.
    """
    found = _LOOK_BY_KEY.get(key.strip().lower().replace(" ", "_").replace("-", "_"))
    if found is None:
        raise InputError("check", repr(key), ", ".join(_LOOK_BY_KEY), "Choose one of these.")
    return found


_SHORT = 15  # rows of a bench sheet
_SYMPTOM_BY_KEY = {s.key: s for s in CATALOGUE}


def symptom(key: str) -> Symptom:
    """Symptom of the catalogue by its key.

    Raises
    ------
    InputError
        If there is none; close names are offered.
    """
    found = _SYMPTOM_BY_KEY.get(key)
    if found is None:
        close = get_close_matches(key.strip().lower().replace(" ", "_"), _SYMPTOM_BY_KEY, n=3)
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


def short_list() -> tuple[Symptom, ...]:
    """The symptoms a bench sheet has room for, the usual ones of a first article first."""
    usual_first = [_SYMPTOM_BY_KEY[key] for key in packaged_table("symptoms")["usual_first"]]
    return tuple(dict.fromkeys([*usual_first, *CATALOGUE]))[:_SHORT]


EVERYDAY: Mapping[str, tuple[str, ...]] = {
    squeeze(said): tuple(keys) for said, keys in packaged_table("everyday_words")["words"].items()
}
"""What people say for what is seen, squeezed, and the symptoms it may mean."""

TOGETHER: tuple[tuple[tuple[tuple[str, ...], ...], tuple[str, ...]], ...] = tuple(
    (tuple(tuple(one.split("/")) for one in said.split()), tuple(keys))
    for said, keys in packaged_table("everyday_words")["together"].items()
)
"""Beginnings of words of which one of each group has to be said, in any order, and the symptoms they may mean."""


def meant(text: str, where: str) -> tuple[str, ...]:
    """Symptoms of what somebody says of a print, in the words of the list or in everyday ones, comma between.

    >>> meant("bubbles, edge haze", "symptom"), meant("the film won't peel", "symptom")
    (('blisters', 'edge_haze'), ('film_lock',))

    Raises
    ------
    InputError
        If words may mean several symptoms, or none: those that may be meant are offered.
    """
    keys: list[str] = []
    for part in filter(None, map(str.strip, re.split(r"[;,\n|+]", text))):
        may_be = may_be_meant(part)
        if len(may_be) > 1:
            offered = "; ".join(f"{_SYMPTOM_BY_KEY[key].label} ({_SYMPTOM_BY_KEY[key].seen})" for key in may_be)
            raise InputError(where, f"{part!r}, which may be several", offered, "Say which of these it is.")
        keys += may_be or read_symptoms(part, WORDS.labels, where)
    return tuple(dict.fromkeys(keys))


def may_be_meant(part: str) -> tuple[str, ...]:
    """Symptoms that words may mean: a name of the list, else everyday words in it.

    >>> may_be_meant("the corners come off in the wash"), may_be_meant("a shiny square around the print")
    (('edge_lift_wash',), ('press_mark',))
    """
    word = squeeze(part)
    for s in CATALOGUE:
        if word in (squeeze(s.key), squeeze(s.label)):
            return (s.key,)
    within = [said for said in EVERYDAY if said in word]
    within = [said for said in within if not any(said != other and said in other for other in within)]
    spoken = words_of(part)
    phrases = [EVERYDAY[said] for said in within]
    apart = [keys for groups, keys in TOGETHER if all(_is_said(group, spoken) for group in groups)]
    # words that stand apart make a phrase surer, and speak by themselves only where there is none
    return _common([*phrases, *apart]) or _common(phrases) or _any_of(phrases or apart)


def _common(sets: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """What all of them may mean."""
    return tuple(key for key in sets[0] if all(key in other for other in sets)) if sets else ()


def _any_of(sets: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """What any of them may mean."""
    return tuple(dict.fromkeys(key for one in sets for key in one))


def _is_said(beginnings: Iterable[str], spoken: Iterable[str]) -> bool:
    """Whether a word begins like one of these."""
    return any(word.startswith(beginning) for beginning in beginnings for word in spoken)


HANDLING = ("powder_missing", "powder_uneven", "peel_fast", "peel_early", "peel_late")
"""Faults that one look settles: was the powder even, and was the print peeled at its wait?"""

SEEN_OFTEN = 0.1
"""A fault shows a symptom often from this chance on."""


def asks_of_handling(keys: Iterable[str]) -> bool:
    """Whether uneven powder or a wrong peel may be behind symptoms that count as too little or too much heat.

    Not where one of them is hardly ever shown by these: that one says which side it is.

    >>> asks_of_handling(["patchy_transfer"]), asks_of_handling(["film_lock"]), asks_of_handling(["glass_back"])
    (True, True, False)
    >>> asks_of_handling(["film_lock", "glass_back"]), asks_of_handling(["pinholes"]), asks_of_handling([])
    (False, False, False)
    """
    named = [symptom(key) for key in keys]
    heat = [one.key for one in named if one.side in ("under", "over")]
    return bool(heat) and all(any(by.get(key, 0.0) >= SEEN_OFTEN for by in _shown_by_handling()) for key in heat)


@cache
def _shown_by_handling() -> tuple[Mapping[str, float], ...]:
    return tuple(fault.shows() for fault in FAULTS if fault.key in HANDLING)


def side_seen(keys: Iterable[str], *, handled_well: bool | None) -> Side:
    """Which way a coupon failed, where it is known whether it was powdered evenly and peeled at its wait.

    >>> side_seen(["film_lock"], handled_well=False), side_seen(["film_lock"], handled_well=True)
    ('other', 'over')
    >>> side_seen(["film_lock"], handled_well=None), side_seen(["glass_back"], handled_well=False)
    ('over', 'over')
    """
    named = tuple(keys)
    return "other" if handled_well is False and asks_of_handling(named) else side_of(named)


def points_to(keys: Iterable[str], *, handled_well: bool | None = None) -> tuple[float, float, float]:
    """How much symptoms point to too little heat, too much, and other reasons, adding up to 1.

    Each cause that shows a symptom speaks for its side, against how often such causes are there at all; of several
    symptoms the one that points most to their common side speaks. All 0 where they name none. Of a coupon that was
    powdered evenly and peeled at its wait, uneven powder and a wrong peel are no causes: what is left adds up to 1.

    >>> points_to(["glass_back"]), [round(part, 2) for part in points_to(["film_lock"])]
    ((0.0, 1.0, 0.0), [0.0, 0.88, 0.12])
    >>> [round(part, 2) for part in points_to(["film_lock"], handled_well=True)]
    [0.0, 0.93, 0.07]
    """
    named = tuple(keys)
    without = HANDLING if handled_well and asks_of_handling(named) else ()
    side = side_of(named)
    if side not in ("under", "over"):
        return 0.0, 0.0, float(side == "other")
    at = POINTED.index(side)
    return max((_points_of(symptom(key).key, without) for key in named), key=lambda points: points[at])


@cache
def _points_of(key: str, without: tuple[str, ...]) -> tuple[float, float, float]:
    usual, here = dict.fromkeys(POINTED, 0.0), dict.fromkeys(POINTED, 0.0)
    for made in FAULTS:
        # that a cause is not there is news against its side, too: it goes on counting among what there usually is
        usual[made.side] += made.per_hundred
        if made.key in without:
            continue
        here[made.side] += made.per_hundred * made.shows().get(key, 0.0)
    under, over, other = (here[side] / usual[side] for side in POINTED)
    whole = under + over + other
    return (under / whole, over / whole, other / whole) if whole else (0.0, 0.0, 0.0)


WORDS = SymptomWords({s.key: s.label for s in CATALOGUE}, side_of)
"""The catalogue as files and forms need it: labels by key, and the side they agree on."""
