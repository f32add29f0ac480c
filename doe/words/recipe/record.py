"""The least record in words: what there is of each item, what is missing, and what can only be said."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from doe.words.dates import day
from doe.words.wording import count, listing

MOST_NAMED = 6
"""Coupons that an item names."""

CARE_LABEL_MEANS = "what the care label of the fabric says"
ROOM_MEANS = "temperature and humidity of the room"
DEVIATIONS = "void coupons, corrections and late entries, each with its reason"
VOIDS = "listed on the recipe"
NOTHING = "nothing"
NOTHING_KEPT = "nothing kept"
NO_LIMITS = "no limits"
NO_PLAN = "no plan"
NO_ANSWER = "no answer"
NOT_PLANNED = "the first coupons came in from a sheet: they were not planned"
SCORED_BEFORE = "the first score is older than the plan"
NO_WINDOW = "no window was found: there is no known room around the setpoint"


def entries(made_by: str) -> str:
    """Who did what when."""
    return f"every entry of the book; the study was made by {made_by}"


def machine(named: str, readings: int, last: datetime | None) -> str:
    """A machine with its gauge readings."""
    if not readings:
        return f"{named}, no gauge reading"
    when = "" if last is None else f", last on {day(last)}"
    return f"{named}, {count(readings, 'gauge reading')}{when}"


def no_lot(material: object) -> str:
    """A material whose lot nobody named."""
    return f"{material}, no lot"


def limits(known: int) -> str:
    """Limits that all have a source."""
    return f"{count(known, 'limit')}, each with its source"


def no_source(names: Sequence[str]) -> str:
    """Limits without a source."""
    return f"no source for {listing(names)}"


def plan(kind: str, seed: int, stored: datetime) -> str:
    """The plan of the first round."""
    return f"{kind}, seed {seed}, stored {day(stored)}, before any score"


def waiting(coupons: Sequence[str]) -> str:
    """Coupons without a result.

    >>> waiting(["R1-01", "R1-02"])
    '2 coupons without a result (R1-01 and R1-02)'
    """
    more = " ..." if len(coupons) > MOST_NAMED else ""
    return f"{count(len(coupons), 'coupon')} without a result ({listing(coupons[:MOST_NAMED])}{more})"


def coupons(number: int, failed: int, void: int) -> str:
    """Every coupon of the study."""
    return f"{count(number, 'coupon')}, {failed} failed, {void} void"


def measured(readings: int, with_display: int, on_coupons: Sequence[str]) -> str:
    """What was set, shown and measured."""
    more = f"; measured on coupons: {listing(on_coupons)}" if on_coupons else ""
    return f"set values of every coupon; {count(readings, 'gauge reading')}, {with_display} with the display{more}"


def raters(people: Sequence[str]) -> str:
    """Who judged."""
    if len(people) > 1:
        return f"hand-feel by {listing(people)}; who entered each check is in the book"
    one = f"hand-feel by {people[0]} alone" if people else "nobody scored hand-feel"
    return f"{one}: agreement between people cannot be told"


def window(cliffs: int) -> str:
    """Setpoint, room each way, nearest failing point."""
    near = count(cliffs, "cliff") if cliffs else "no cliff inside the tested ranges"
    return f"window of every setting; {near}"


def waived(reason: str) -> str:
    """No confirmation, and why."""
    return f"released without an accepted one: {reason}"


def source(inputs_hash: str, seed: int | None, version: str) -> str:
    """What the figures come from."""
    return f"{inputs_hash[:12]}..., seed {seed}, version {version}"
