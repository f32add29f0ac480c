"""Finding the columns of an entry file by their headings."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

from doe.book.sheets.cells import split_unit
from doe.book.sheets.workbook import SheetFile
from doe.domain.entry import EntryColumn, actual_columns, check_people, entry_columns
from doe.domain.errors import InputError, InputErrors
from doe.domain.said import squeeze
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, stored_unit

_HEADING_ROWS = 40
_HAND = re.compile(r"^hand(?:[\s_-]*feel)?[\s:_,-]+(?!feel$)(?P<person>\S.*)$", re.IGNORECASE)


@dataclass(frozen=True)
class HeadedColumn:
    """One column of the file that means something."""

    index: int
    heading: str
    column: EntryColumn


def _names(study: Study, people: Sequence[str] | None) -> dict[str, EntryColumn]:
    """Columns by every name they are known by, squeezed and without unit."""
    columns = (*entry_columns(study, people or (), shown=METRIC), *actual_columns(study))
    names: dict[str, EntryColumn] = {}
    for column in columns:
        for name in (column.key, split_unit(column.heading)[0]):
            names.setdefault(squeeze(name), column)
    for also, key in (("symptoms", "symptom"), ("notes", "note")):
        names.setdefault(also, names[key])
    return names


def find_headings(sheets: Sequence[SheetFile], study: Study, people: Sequence[str] | None) -> tuple[SheetFile, int]:
    """Sheet and row with the most known headings, the coupon's among them."""
    names = _names(study, people)
    best: tuple[int, SheetFile, int] | None = None
    for sheet in sheets:
        for i, row in enumerate(sheet.rows[:_HEADING_ROWS]):
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


@dataclass
class Headings:
    """The columns of a sheet, what is wrong with them, and what is left out.

    Parameters
    ----------
    sheet : SheetFile
    row : int
        Index of the row of headings.
    study : Study
    people : sequence of str, optional
        Who may have a hand-feel column; None for anybody.
    """

    sheet: SheetFile
    row: int
    study: Study
    people: Sequence[str] | None
    places: list[HeadedColumn] = field(default_factory=list)
    problems: list[InputError] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._read()

    def _read(self) -> None:
        names = _names(self.study, self.people)
        places = self.places
        unknown: list[tuple[str, str]] = []
        for j, heading in enumerate(self.sheet.rows[self.row]):
            if not heading:
                self._blank_heading(j)
                continue
            base, unit = split_unit(heading)
            column = names.get(squeeze(base)) or self._hand_column(base)
            if column is None:
                unknown.append((heading, squeeze(base)))
                continue
            places.append(HeadedColumn(j, heading, self._in_unit(column, unit, heading)))
        self._check_twice(places)
        self._explain_unknown(unknown, names, places)
        compared = {p.column.name for p in places if p.column.kind == "setting"}
        absent = [f.label for f in self.study.factors if f.name not in compared]
        if absent:
            self.notes.append(f"The file does not show {', '.join(absent)}, so it was not compared with the plan.")
        if not any(not p.column.protected for p in places):
            self.problems.append(
                InputError(
                    self._name(),
                    ", ".join(p.heading for p in places),
                    "a column for a check, a symptom, hand-feel or a note",
                    "Fill in the entry file written for this study.",
                )
            )

    def _name(self) -> str:
        return f"{self.sheet.name}, row {self.sheet.numbers[self.row]}"

    def _hand_column(self, base: str) -> EntryColumn | None:
        match = _HAND.match(base)
        if match is None:
            return None
        person = match["person"].strip()
        if self.people is not None:  # the people of the list were found by name already
            self.problems.append(
                InputError(
                    f"{self._name()}, {base}",
                    person,
                    ", ".join(self.people) or "nobody",
                    "Correct the name in the heading, or add the person.",
                )
            )
        else:
            try:
                check_people([person])
            except InputErrors as error:
                self.problems += error.problems
        return EntryColumn(f"hand_{person}", base, "hand", name=person)

    def _in_unit(self, column: EntryColumn, unit: str | None, heading: str) -> EntryColumn:
        """The column in the unit its heading names; the stored one when it names none."""
        if column.kind not in ("setting", "actual"):
            return column
        stored = self.study.factor(column.name).unit
        if unit is not None and stored_unit(unit) != stored:
            self.problems.append(
                InputError(
                    f"{self._name()}, {heading}",
                    SYMBOLS.get(unit, unit),
                    f"a unit like {SYMBOLS[stored] or 'none'}",
                    "Correct the heading.",
                )
            )
            unit = None
        return replace(column, heading=heading, unit=unit or stored)

    def _blank_heading(self, j: int) -> None:
        rows = [i for i in range(self.row + 1, len(self.sheet.rows)) if self.sheet.cell(i, j)]
        if rows:
            self.notes.append(f"Column {_letter(j)} has no heading and was left out.")

    def _check_twice(self, places: list[HeadedColumn]) -> None:
        seen: dict[str, str] = {}
        for p in places:
            key = p.column.key if p.column.kind != "hand" else f"hand_{p.column.name.casefold()}"
            if key in seen and p.column.kind not in ("setting", "mark"):
                self.problems.append(
                    InputError(
                        f"{self._name()}, {p.heading}", f"also {seen[key]}", "each column once", "Keep the filled one."
                    )
                )
            seen[key] = p.heading

    def _explain_unknown(
        self, unknown: list[tuple[str, str]], names: Mapping[str, EntryColumn], places: list[HeadedColumn]
    ) -> None:
        """A heading close to a missing one is a slip and is refused; any other extra column is only noted."""
        here = {p.column.key for p in places}
        missing = {name: c for name, c in names.items() if c.key not in here and c.kind != "mark"}
        for heading, name in unknown:
            # names with other digits in them are other names: wash 1, wash 10
            alike = [m for m in missing if re.sub(r"\D", "", m) == re.sub(r"\D", "", name)]
            close = get_close_matches(name, alike, n=1, cutoff=0.85)
            if close:
                self.problems.append(
                    InputError(
                        f"{self._name()}, {heading}",
                        "a heading that is not known",
                        f"{missing[close[0]].heading}",
                        "Correct the heading, or take the column out.",
                    )
                )
            else:
                self.notes.append(f"Column '{heading}' means nothing here and was left out.")


def _letter(j: int) -> str:
    """Letter of a spreadsheet column, from 0.

    >>> _letter(0), _letter(27)
    ('A', 'AB')
    """
    letters = ""
    j += 1
    while j:
        j, rest = divmod(j - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
