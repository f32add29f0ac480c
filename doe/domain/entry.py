"""Columns of an entry file: what a person fills in, in which order, with which headings and choices."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from doe.domain.errors import InputError, InputErrors, plain
from doe.domain.factors import Factor
from doe.domain.outcome import ACTUAL_PREFIX, HAND_PREFIX, HANDLED_BADLY, HANDLED_COLUMN, HANDLED_WELL, Side
from doe.domain.said import GRADE_WORDS
from doe.domain.spec import HAND_HIGH, HAND_LOW, HAND_STEP
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, Shown, to_stored

ColumnKind = Literal[
    "coupon", "setting", "dial", "actual", "check", "grade", "symptom", "handled", "hand", "void", "note", "mark"
]

FileCode = Literal[
    "outside the range",
    "looks like minutes",
    "beyond a limit",
    "at the ceiling",
    "in a forbidden combination",
    "far from the plan",
    "grades at odds",
    "read as",
]
"""What may be found in a filled file or a sheet of one's own beside the scores."""

CHECK_PREFIX = "check_"
DIAL_PREFIX = "dial_"
OWN_PREFIX = "own_"
"""Column of a plan's coupons with a setting as each coupon has it, where that is not the plan's: empty if not told."""
ON_SURFACE, TO_DIAL, AS_DIALLED = "on the surface", "to dial in", "as dialled"
"""What stands behind the name of a machine's temperature: which of the two a column holds."""
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"  # no I: by hand it is taken for a 1 or an L
PASS_WORD, FAIL_WORD = "pass", "fail"
HAND_CHOICES = tuple(plain(HAND_LOW + HAND_STEP * i) for i in range(round((HAND_HIGH - HAND_LOW) / HAND_STEP) + 1))


@dataclass(frozen=True)
class SymptomWords:
    """Symptoms as a file or form needs them.

    Label by key, the side that several keys agree on, and the key behind each letter of the bench sheet.
    """

    labels: Mapping[str, str]
    side_of: Callable[[Iterable[str]], Side]
    letters: Mapping[str, str] = field(default_factory=dict)


def sheet_letters(keys: Iterable[str]) -> dict[str, str]:
    """Symptom key behind each letter that is written by hand on the bench sheet, in the order printed.

    >>> sheet_letters(["no_transfer", "scorch"])
    {'A': 'no_transfer', 'B': 'scorch'}
    """
    return dict(zip(_LETTERS, keys, strict=False))


@dataclass(frozen=True)
class EntryColumn:
    """One column of an entry file.

    Parameters
    ----------
    key : str
        Name in the results: ``coupon``, a factor, ``dial_<factor>``, ``actual_<factor>``, ``check_<check>``,
        ``grade``, ``symptom``, ``handled well``, ``hand_<person>``, ``void``, ``note`` or ``mark``.
    heading : str
        Words at the top of the column, with the unit.
    kind : str
        What it holds.
    allowed : tuple of str
        Choices of a drop-down; empty when it takes text or a number.
    protected : bool
        Whether the plan fills it (True) or a person does.
    name : str
        Factor, check or person it belongs to.
    unit : str
        Unit of the numbers in it, as in ``Shown.unit`` (such as ``degF``).
    hint : str
        What to enter, one sentence.
    """

    key: str
    heading: str
    kind: ColumnKind
    allowed: tuple[str, ...] = ()
    protected: bool = False
    name: str = ""
    unit: str = ""
    hint: str = ""

    def stored(self, value: float) -> float:
        """Value of this column in the stored unit."""
        return to_stored(value, self.unit)


def entry_columns(
    study: Study,
    people: Sequence[str],
    *,
    symptoms: Sequence[str] = (),
    shown: Shown = METRIC,
    scales: Mapping[str, str] | None = None,
    dials: Collection[str] = (),
    grades: bool | None = None,
) -> tuple[EntryColumn, ...]:
    """Columns of the entry file of a study, in order.

    A temperature setting stands in two protected columns, the user's unit first. The last column repeats the
    mark of the study in every row, so that a sheet of another study is recognised even after sorting, or after
    a workbook was saved as CSV.

    Parameters
    ----------
    study : Study
    people : sequence of str
        Who feels the coupons; may be empty.
    symptoms : sequence of str
        Labels to choose from.
    shown : Shown
        The user's units.
    scales : mapping of str to str, optional
        Temperatures of machines, with `ON_SURFACE` or `AS_DIALLED`.
    dials : collection of str
        Those beside which stands what is dialled in for them.
    grades : bool, optional
        Whether there is a column for grades; by default where the study asks for them. A file may bring one anyway.

    Raises
    ------
    InputErrors
        If a name of a person cannot head a column.
    """
    check_people(people)
    columns = [EntryColumn("coupon", "coupon", "coupon", protected=True)]
    for f in study.factors:
        columns += _setting_columns(f, shown, (scales or {}).get(f.name, ""))
        if f.name in dials:
            columns += [replace(c, key=DIAL_PREFIX + f.name, kind="dial") for c in _setting_columns(f, shown, TO_DIAL)]
    columns += [_actual_column(f, shown) for f in study.numeric if f.is_temperature]
    columns += [
        EntryColumn(
            CHECK_PREFIX + check.name,
            check_heading(check.name, study),
            "check",
            (PASS_WORD, FAIL_WORD),
            name=check.name,
            hint=f"{check.label}. Leave it empty until it was looked at.",
        )
        for check in study.spec.checks
    ]
    if study.asks_grades if grades is None else grades:
        hint = "May stay empty. Passed clean or only just; failed slightly or badly."
        columns.append(EntryColumn("grade", "grade", "grade", tuple(GRADE_WORDS.values()), hint=hint))
    columns += [
        EntryColumn(
            "symptom",
            "symptom",
            "symptom",
            tuple(symptoms),
            hint="What is seen on a failed coupon, by name or by letter of the sheet. Several: put ; between.",
        ),
        EntryColumn(
            HANDLED_COLUMN,
            HANDLED_COLUMN,
            "handled",
            (HANDLED_WELL, HANDLED_BADLY),
            hint="Was the powder even, and was it peeled at its wait? Leave it empty if nobody looked.",
        ),
    ]
    columns += [
        EntryColumn(
            HAND_PREFIX + person,
            hand_heading(person),
            "hand",
            HAND_CHOICES,
            name=person,
            hint="1 stiff to 5 soft in half steps. Leave it empty if the coupon did not transfer.",
        )
        for person in people
    ]
    columns += [
        EntryColumn("void", "void because", "void", hint="Only for a lost or spoiled coupon: say what happened."),
        EntryColumn("note", "note", "note", hint="Anything else worth keeping."),
        EntryColumn("mark", "sheet of", "mark", protected=True),
    ]
    return tuple(columns)


def _setting_columns(f: Factor, shown: Shown, scale: str) -> list[EntryColumn]:
    if f.is_categorical:
        return [EntryColumn(f.name, f.label, "setting", f.levels, protected=True, name=f.name)]
    units = [shown.unit(f.unit)]
    if f.is_temperature:
        units.append("degF" if units[0] == "degC" else "degC")
    return [
        EntryColumn(
            f.name, with_unit(f"{f.label} {scale}".strip(), unit), "setting", protected=True, name=f.name, unit=unit
        )
        for unit in units
    ]


def _actual_column(f: Factor, shown: Shown) -> EntryColumn:
    unit = shown.unit(f.unit)
    return EntryColumn(
        ACTUAL_PREFIX + f.name,
        with_unit(f"measured {f.label}", unit),
        "actual",
        name=f.name,
        unit=unit,
        hint=f"Only if it was measured at the surface, in {SYMBOLS[unit]}; not what the display shows.",
    )


def actual_columns(study: Study, shown: Shown = METRIC) -> tuple[EntryColumn, ...]:
    """Columns for measured settings of every numeric factor; an entry file offers the temperatures only."""
    return tuple(_actual_column(f, shown) for f in study.numeric)


def with_unit(label: str, unit: str) -> str:
    """Heading with its unit, such as ``press dwell (s)``."""
    return f"{label} ({SYMBOLS[unit]})" if unit else label


def hand_heading(person: str) -> str:
    """Heading of a person's hand-feel column."""
    return f"hand: {person}"


def check_heading(name: str, study: Study) -> str:
    """Heading of a check's column; a check named like another column says that it is a check."""
    words = name.replace("_", " ")
    taken = {"coupon", "grade", "symptom", HANDLED_COLUMN, "void because", "void", "note", "sheet of", "mark"}
    taken |= {label.casefold() for f in study.factors for label in (f.label, f.name.replace("_", " "))}
    return f"check: {words}" if words.casefold() in taken else words


def check_people(people: Sequence[str]) -> None:
    """Refuse names that cannot head a column: empty, twice (in any case), of several lines, or with a formula sign.

    Raises
    ------
    InputErrors
        Naming every bad name.
    """
    problems: list[InputError] = []
    seen: set[str] = set()
    for person in people:
        bad = not person.strip() or person != person.strip() or not person.isprintable() or person[0] in "=+-@"
        if bad or len(person) > 40:
            problems.append(
                InputError(
                    "people",
                    repr(person),
                    "a name of at most 40 characters on one line",
                    "Write it as it stands on the score sheet.",
                )
            )
        elif person.casefold() in seen:
            problems.append(
                InputError("people", repr(person), "each person once", "Add an initial to tell them apart.")
            )
        seen.add(person.casefold())
    if problems:
        raise InputErrors(problems)


def sheet_mark(study: Study) -> str:
    """Text by which an entry file is known to belong to a study: its name and a short sum over name and factors.

    It starts with a word, never with a sign that a spreadsheet takes for a formula.
    """
    parts = [study.name, *(f"{f.name}|{f.unit}|{'/'.join(f.levels)}" for f in study.factors)]
    digest = hashlib.sha256("\n".join(parts).encode()).hexdigest()[:10]
    return f"study {' '.join(study.name.split())[:60]} [{digest}]"
