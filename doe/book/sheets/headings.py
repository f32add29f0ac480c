"""Finding the columns of an entry file by their headings."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

from doe.book.sheets.cells import split_unit
from doe.book.sheets.workbook import HEADING_ROWS, SheetFile
from doe.domain.entry import AS_DIALLED, ON_SURFACE, EntryColumn, actual_columns, check_people, entry_columns
from doe.domain.errors import InputError, InputErrors
from doe.domain.finding import Finding
from doe.domain.said import squeeze
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, stored_unit

_HAND = re.compile(r"^hand(?:[\s_-]*feel)?[\s:_,-]+(?!feel$)(?P<person>\S.*)$", re.IGNORECASE)


@dataclass(frozen=True)
class HeadedColumn:
    """One column of the file that means something."""

    index: int
    heading: str
    column: EntryColumn


def _names(study: Study, people: Sequence[str] | None) -> dict[str, EntryColumn]:
    """Columns by every name they are known by, squeezed and without unit."""
    warm = [f.name for f in study.numeric if f.is_temperature]
    columns = (
        *entry_columns(
            study, people or (), shown=METRIC, scales=dict.fromkeys(warm, ON_SURFACE), dials=warm, grades=True
        ),
        *entry_columns(study, (), shown=METRIC, scales=dict.fromkeys(warm, AS_DIALLED)),
        *entry_columns(study, (), shown=METRIC),
        *actual_columns(study),
    )
    names: dict[str, EntryColumn] = {}
    for column in columns:
        for name in (column.key, split_unit(column.heading)[0]):
            names.setdefault(squeeze(name), column)
    for also, key in (("symptoms", "symptom"), ("notes", "note"), ("grades", "grade"), ("howclear", "grade")):
        names.setdefault(also, names[key])
    return names


def find_headings(sheets: Sequence[SheetFile], study: Study, people: Sequence[str] | None) -> tuple[SheetFile, int]:
    """Sheet and row with the most known headings, the coupon's among them."""
    names = _names(study, people)
    best: tuple[int, SheetFile, int] | None = None
    for sheet in sheets:
        for i, row in enumerate(sheet.rows[:HEADING_ROWS]):
            known = {names[s].key for s in (squeeze(split_unit(c)[0]) for c in row if c) if s in names}
            if "coupon" in known and (best is None or len(known) > best[0]):
                best = (len(known), sheet, i)
    if best is None:
        first = sheets[0]
        raise InputError(
            first.name,
            f"no heading 'coupon' ({first.dialect}; first row: {', '.join(first.rows[0][:4])})",
            "the row of headings of the entry file, with a column for every check",
            "Fill in the entry file written for this study, or bring the sheet in as one of your own.",
        )
    return best[1], best[2]


def read_headings(
    sheet: SheetFile, row: int, study: Study, people: Sequence[str] | None
) -> tuple[list[HeadedColumn], list[Finding | str]]:
    """The columns of a sheet that mean something, and notes on what is left out.

    Parameters
    ----------
    sheet : SheetFile
    row : int
        Index of the row of headings.
    study : Study
    people : sequence of str, optional
        Who may have a hand-feel column; None for anybody.

    Raises
    ------
    InputErrors
        Naming every heading that cannot be used.
    """
    where = f"{sheet.name}, row {sheet.numbers[row]}"
    names = _names(study, people)
    places: list[HeadedColumn] = []
    problems: list[InputError] = []
    notes: list[Finding | str] = []
    unknown: list[str] = []
    for j, heading in enumerate(sheet.rows[row]):
        if not heading:
            if any(sheet.cell(i, j) for i in range(row + 1, len(sheet.rows))):
                from openpyxl.utils import get_column_letter  # noqa: PLC0415 - slow to load, and seldom needed

                notes.append(f"Column {get_column_letter(j + 1)} has no heading and was left out.")
            continue
        base, unit = split_unit(heading)
        column = names.get(squeeze(base))
        try:
            column = column or _hand_column(base, people, f"{where}, {base}")
            if column is None:
                unknown.append(heading)
            else:
                places.append(HeadedColumn(j, heading, _in_unit(column, unit, heading, study, f"{where}, {heading}")))
        except InputErrors as error:
            problems += error.problems
        except InputError as error:
            problems.append(error)
    seen: dict[str, str] = {}
    for p in places:
        key = p.column.key if p.column.kind != "hand" else f"hand_{p.column.name.casefold()}"
        if key in seen and p.column.kind not in ("setting", "dial", "mark"):
            also = f"also {seen[key]}"
            problems.append(InputError(f"{where}, {p.heading}", also, "each column once", "Keep the filled one."))
        seen[key] = p.heading
    here = {p.column.key for p in places}
    missing = {name: c for name, c in names.items() if c.key not in here and c.kind not in ("dial", "mark")}
    for heading in unknown:
        meant = _slip(squeeze(split_unit(heading)[0]), missing)
        if meant is None:
            notes.append(f"Column '{heading}' means nothing here and was left out.")
            continue
        remedy = "Correct the heading, or take the column out."
        problems.append(InputError(f"{where}, {heading}", "a heading that is not known", meant.heading, remedy))
    compared = {p.column.name for p in places if p.column.kind == "setting"}
    absent = [f.label for f in study.factors if f.name not in compared]
    if absent:
        notes.append(f"The file does not show {', '.join(absent)}, so it was not compared with the plan.")
    if not problems and all(p.column.protected for p in places):
        problems.append(
            InputError(
                where,
                ", ".join(p.heading for p in places),
                "a column for a check, a symptom, hand-feel or a note",
                "Fill in the entry file written for this study.",
            )
        )
    if problems:
        raise InputErrors(problems)
    return places, notes


def _hand_column(base: str, people: Sequence[str] | None, where: str) -> EntryColumn | None:
    match = _HAND.match(base)
    if match is None:
        return None
    person = match["person"].strip()
    if people is not None:  # the people of the list were found by name already
        allowed = ", ".join(people) or "nobody"
        raise InputError(where, person, allowed, "Correct the name in the heading, or add the person.")
    check_people([person])
    return EntryColumn(f"hand_{person}", base, "hand", name=person)


def _in_unit(column: EntryColumn, unit: str | None, heading: str, study: Study, where: str) -> EntryColumn:
    """The column in the unit its heading names; the stored one when it names none."""
    if column.kind not in ("setting", "actual"):
        return column
    stored = study.factor(column.name).unit
    if unit is not None and stored_unit(unit) != stored:
        allowed = f"a unit like {SYMBOLS[stored] or 'none'}"
        raise InputError(where, SYMBOLS.get(unit, unit), allowed, "Correct the heading.")
    return replace(column, heading=heading, unit=unit or stored)


def _slip(name: str, missing: Mapping[str, EntryColumn]) -> EntryColumn | None:
    """The missing column that a heading is close to: a slip, to be refused; any other extra column is only noted."""
    # names with other digits in them are other names: wash 1, wash 10
    alike = [m for m in missing if re.sub(r"\D", "", m) == re.sub(r"\D", "", name)]
    close = get_close_matches(name, alike, n=1, cutoff=0.85)
    return missing[close[0]] if close else None
