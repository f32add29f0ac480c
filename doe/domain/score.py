"""What a person says about a coupon: checks, symptoms, hand-feel, measured settings, a note, void or not."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from doe.domain.entry import check_people
from doe.domain.errors import NAME_LENGTH, InputError, check_line, check_note
from doe.domain.factors import check_value
from doe.domain.outcome import GRADES, HANDLED, SIDES, check_hand, grade_at_odds, grade_fits
from doe.domain.study import Study
from doe.domain.units import check_celsius

PLAIN_FIELDS = ("symptoms", "side", "handled", "grade", "note", "void")
"""Fields of a coupon that are not kept per check, person or factor."""

FieldValue = bool | float | str | tuple[str, ...] | None
"""Value of one field; None means taken back (cleared)."""


@dataclass(frozen=True)
class ScoreEntry:
    """Scores of one coupon, all or some of them; what is left empty says nothing.

    Nothing is checked here beyond the name, so that a file or a form can report every problem at once:
    see `entry_problems`.

    Parameters
    ----------
    coupon : str
        Its identifier in the plan.
    checks : mapping of check name to bool
        True when the coupon passed that check.
    symptoms : tuple of str
        Keys of the symptom catalogue.
    side : {"", "under", "over", "other", "unknown"}
        Which way it failed; ``""`` says nothing.
    hand : mapping of person to float
        Hand-feel, 1 to 5 in half steps.
    actual : mapping of factor name to float
        Measured settings, in the unit of the factor.
    note : str
    void_reason : str or None
        A reason makes the coupon void; ``""`` takes that back; None says nothing.
    scored_at : datetime or None
        When it was judged, with a time zone, if that was not when it is stored.
    cleared : tuple of str
        Fields to empty again as a correction, named as `fields` names them: ``check:release``, ``hand:ana``,
        ``actual:dwell``, ``symptoms``, ``side``, ``handled``, ``grade``, ``note``.
    grade : {"", "clean", "just", "slight", "bad"}
        How far it lies from the line between pass and fail; ``""`` says nothing.
    handled : {"", "yes", "no"}
        Whether it was powdered evenly and peeled at its wait; ``""`` where nobody looked.
    """

    coupon: str
    checks: Mapping[str, bool] = field(default_factory=dict)
    symptoms: tuple[str, ...] = ()
    side: str = ""
    hand: Mapping[str, float] = field(default_factory=dict)
    actual: Mapping[str, float] = field(default_factory=dict)
    note: str = ""
    void_reason: str | None = None
    scored_at: datetime | None = None
    cleared: tuple[str, ...] = ()
    grade: str = ""
    handled: str = ""

    def __post_init__(self) -> None:
        if not self.coupon.strip():
            raise InputError("coupon", "nothing", "the coupon's name", "Write the name printed on the label.")
        object.__setattr__(self, "symptoms", tuple(self.symptoms))
        object.__setattr__(self, "cleared", tuple(self.cleared))

    @property
    def says_anything(self) -> bool:
        """Whether it speaks about any field."""
        return any(True for _ in self.fields())

    def fields(self) -> Iterator[tuple[str, FieldValue]]:
        """Every field the entry speaks about with its value, such as ``("hand:ana", 4.0)``."""
        yield from ((f"check:{name}", bool(value)) for name, value in self.checks.items())
        if self.symptoms:
            yield "symptoms", self.symptoms
        if self.handled:
            yield "handled", self.handled
        if self.side:
            yield "side", self.side
        if self.grade:
            yield "grade", self.grade
        yield from ((f"hand:{person}", float(value)) for person, value in self.hand.items())
        yield from ((f"actual:{name}", float(value)) for name, value in self.actual.items())
        if self.note:
            yield "note", self.note
        if self.void_reason is not None:
            yield "void", self.void_reason
        yield from ((name, None) for name in self.cleared)


AGAIN = "again:"
"""Start of the fields of a further look; none of them is part of a coupon's result."""


@dataclass(frozen=True)
class SecondLook:
    """A coupon judged again, blind, to see how far people agree. It never changes what the coupon came to.

    Parameters
    ----------
    coupon : str
    person : str
        Who looked.
    checks : mapping of check name to bool
    hand : float or None
        Hand-feel, 1 to 5 in half steps.
    """

    coupon: str
    person: str
    checks: Mapping[str, bool] = field(default_factory=dict)
    hand: float | None = None

    def fields(self, number: int) -> Iterator[tuple[str, FieldValue]]:
        """Every field with its value; ``number`` counts this person's further looks at the coupon from 1."""
        start = f"{AGAIN}{number}:{self.person}"
        yield from ((f"{start}:check:{name}", bool(value)) for name, value in self.checks.items())
        if self.hand is not None:
            yield f"{start}:hand", float(self.hand)


@dataclass(frozen=True)
class AgainField:
    """A field of a further look, taken apart; ``check`` is empty for hand-feel."""

    number: int
    person: str
    check: str


def again_field(name: str) -> AgainField | None:
    """A field of a further look taken apart; None for every other field.

    >>> again_field("again:1:ana:check:release"), again_field("hand:ana")
    (AgainField(number=1, person='ana', check='release'), None)
    """
    if not name.startswith(AGAIN):
        return None
    number, _, rest = name.removeprefix(AGAIN).partition(":")
    person, colon, check = rest.partition(":check:")
    if not colon:
        person, check = rest.removesuffix(":hand"), ""
    if not (number.isdecimal() and person and (check if colon else rest.endswith(":hand"))):
        return None
    return AgainField(int(number), person, check)


def look_problems(look: SecondLook, study: Study) -> list[InputError]:
    """Everything in a further look that its study cannot take; empty when it is fine."""
    place = f"coupon {look.coupon}, looked at again"
    hand = {} if look.hand is None else {look.person: look.hand}
    try:
        entry = ScoreEntry(look.coupon, checks=look.checks, hand=hand)
        if not look.person.strip():
            raise InputError(place, repr(look.person), "the name of a person", "Say who looked.")
        check_people([look.person])
        check_line(look.person, f"{place}, person", longest=NAME_LENGTH)
    except InputError as error:
        return [error]
    if ":" in look.person:
        return [InputError(f"{place}, person", repr(look.person), "a name without a colon", "Correct the name.")]
    if not look.checks and look.hand is None:
        return [InputError(place, "nothing said about it", "a check or a hand-feel", "Say what was seen.")]
    return entry_problems(entry, study, place)


def entry_problems(entry: ScoreEntry, study: Study, where: str = "") -> list[InputError]:
    """Everything in an entry that its study cannot take; empty when it is fine.

    Parameters
    ----------
    entry : ScoreEntry
    study : Study
    where : str
        How to name the entry in the messages; by default ``coupon R1-01``.
    """
    place = where or f"coupon {entry.coupon}"
    problems: list[InputError] = []

    def bad(what: str, found: object, allowed: str, remedy: str) -> None:
        problems.append(InputError(f"{place}, {what}", found, allowed, remedy))

    checks = [check.name for check in study.spec.checks]
    for name in entry.checks:
        if name not in checks:
            bad("check", name, ", ".join(checks), "Use a check of the study.")
    for key in entry.symptoms:
        if not key.strip() or "\n" in key:
            bad("symptom", repr(key), "a key of the symptom catalogue", "Choose a symptom from the list.")
    if entry.side not in SIDES:
        bad("side", repr(entry.side), "under, over, other, unknown, or empty", "Correct the side.")
    problems += _word_problems(entry, place)
    for person, value in entry.hand.items():
        try:
            if not person.strip():
                raise InputError(f"{place}, hand", repr(person), "the name of a person", "Say who felt the coupon.")
            check_people([person])
            check_hand(value, f"{place}, hand_{person}")
        except InputError as error:
            problems.append(error)
    problems += _actual_problems(entry, study, place)
    for what, text in (("note", entry.note), ("void", entry.void_reason or "")):
        try:
            check_note(text, f"{place}, {what}")
        except InputError as error:
            problems.append(error)
    if entry.void_reason is not None and entry.void_reason and not entry.void_reason.strip():
        bad("void", repr(entry.void_reason), "a reason", "Say in a few words what happened to the coupon.")
    if entry.scored_at is not None and entry.scored_at.tzinfo is None:
        bad("scored at", entry.scored_at, "a time with its zone", "Add the zone, such as +00:00.")
    spoken = [name for name, _ in entry.fields()]
    for name in entry.cleared:
        kind = name.partition(":")[0]
        if name not in ("symptoms", "side", "handled", "grade", "note") and kind not in ("check", "hand", "actual"):
            bad("cleared", name, "a field such as hand:ana or note", "Name a field that was entered.")
        elif spoken.count(name) > 1:
            bad("cleared", name, "a field that is not entered at the same time", "Enter it or clear it, not both.")
    return problems


def _word_problems(entry: ScoreEntry, place: str) -> list[InputError]:
    if entry.handled not in HANDLED:
        remedy = "Leave it empty if nobody looked."
        return [
            InputError(f"{place}, handled well", repr(entry.handled), "yes, no, or empty", remedy),
            *_grade_problems(entry, place),
        ]
    return _grade_problems(entry, place)


def _grade_problems(entry: ScoreEntry, place: str) -> list[InputError]:
    passed = all(entry.checks.values()) if entry.checks else None
    if entry.grade not in GRADES:
        allowed = f"{', '.join(GRADES[1:])}, or empty"
        return [InputError(f"{place}, grade", repr(entry.grade), allowed, "Correct the grade.")]
    if passed is None or grade_fits(entry.grade, passed):
        return []
    return [grade_at_odds(entry.grade, passed=passed, where=f"{place}, grade")]


def _actual_problems(entry: ScoreEntry, study: Study, place: str) -> list[InputError]:
    problems: list[InputError] = []
    numeric = {f.name: f for f in study.numeric}
    for name, value in entry.actual.items():
        at = f"{place}, actual_{name}"
        factor = numeric.get(name)
        if factor is None:
            problems.append(InputError(at, name, ", ".join(numeric), "Use a factor of the study with a range."))
        elif not math.isfinite(value) or (value <= 0 if factor.scale == "log" else False):
            positive = " above 0" if factor.scale == "log" else ""
            problems.append(
                InputError(at, value, f"a number{positive} in {factor.unit}", "Leave it empty if not measured.")
            )
        else:
            try:
                if factor.is_temperature:
                    check_celsius(value, at)
                check_value(value, factor.unit, at)
            except InputError as error:
                problems.append(error)
    return problems
