"""Reading filled entry files: all of a file or nothing, every problem at once."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path

import pandas as pd

from doe.book.sheets.cells import coupon_name, read_amount, read_level
from doe.book.sheets.headings import HeadedColumn, find_headings, read_headings
from doe.book.sheets.workbook import SheetFile, read_sheets
from doe.domain.entry import OWN_PREFIX, FileCode, SymptomWords, sheet_mark
from doe.domain.errors import InputError, InputErrors, plain
from doe.domain.finding import Finding
from doe.domain.said import is_nothing, read_check, read_grade, read_hand, read_handled, read_symptoms, read_void
from doe.domain.score import ScoreEntry
from doe.domain.study import Study
from doe.domain.units import SYMBOLS, Shown

_SAME = 0.006  # entry files show three digits behind the point, spreadsheets may keep two
_FAR_DELTA_DEGC = 40.0
_FAR: FileCode = "far from the plan"


@dataclass(frozen=True)
class EntryFile:
    """What a filled entry file says.

    Parameters
    ----------
    entries : tuple of ScoreEntry
        One for each coupon with anything filled in, in the order of the file.
    notes : tuple of Finding or str
        What was left out or looks doubtful: whole sentences, and facts of `FileCode`.
    """

    entries: tuple[ScoreEntry, ...]
    notes: tuple[Finding | str, ...] = ()


def read_entry(
    path: str | Path,
    study: Study,
    coupons: pd.DataFrame,
    people: Sequence[str] | None = None,
    *,
    symptoms: SymptomWords,
    names: Sequence[str] = (),
) -> EntryFile:
    """Read a filled entry file (.xlsx or .csv).

    Columns are found by their headings, in any order and case, in the units the headings name. Columns of no
    meaning here are left out with a note, as are coupons with nothing filled in. The settings in the file are
    compared with the plan: they are the plan's and cannot be changed here.

    Checks take pass, p, ok, yes, y, true, 1 and fail, f, no, n, false, 0, nok; a bare x, +, -, / or ? may mean either
    and is refused. Elsewhere a dash, n/a, none and nan are an empty cell.

    Parameters
    ----------
    path : str or Path
    study : Study
    coupons : DataFrame
        The plan: ``coupon`` and one column a factor, stored units. The file may hold fewer of its coupons. Of a factor
        with a column `OWN_PREFIX` too, the file may list either.
    people : sequence of str, optional
        Who may have felt the coupons; by default whoever has a column.
    symptoms : SymptomWords
        The symptom list, as ``doe.symptoms.WORDS``.
    names : sequence of str
        What else the study was called: a file written then is its own too.

    Returns
    -------
    EntryFile

    Raises
    ------
    InputError
        If the file cannot be read, has no headings, or belongs to another study.
    InputErrors
        Naming every row and column that cannot be used; then nothing of the file is.
    """
    sheet, heading_row = find_headings(read_sheets(path), study, people)
    places, notes = read_headings(sheet, heading_row, study, people)
    return _Reader(sheet, heading_row, study, places, notes, symptoms, tuple(names)).read(coupons)


@dataclass
class _Reader:
    sheet: SheetFile
    heading_row: int
    study: Study
    places: list[HeadedColumn]
    notes: list[Finding | str]
    symptoms: SymptomWords
    names: tuple[str, ...] = ()
    problems: list[InputError] = field(default_factory=list)

    def read(self, coupons: pd.DataFrame) -> EntryFile:
        self._check_mark()
        plan: dict[str, Mapping[Hashable, object]] = {str(row["coupon"]): row for row in coupons.to_dict("records")}
        by_name = {coupon_name(coupon): coupon for coupon in reversed(plan)}
        coupon_at = next(p.index for p in self.places if p.column.kind == "coupon")
        filled = [p for p in self.places if not p.column.protected]
        entries: list[ScoreEntry] = []
        first_row: dict[str, int] = {}
        for i in range(self.heading_row + 1, len(self.sheet.rows)):
            if self._is_ragged(i):
                continue
            said = self.sheet.cell(i, coupon_at)
            says = any(self._says(i, p) for p in filled)
            coupon = said if said in plan else by_name.get(coupon_name(said), "")
            if not said or not coupon:
                self._no_coupon(i, coupon_at, said, says, plan)
                continue
            if coupon in first_row:
                found = f"{coupon} again (first in row {first_row[coupon]})"
                self._problem(i, "coupon", found, "each coupon once", "Keep one row a coupon.")
                continue
            first_row[coupon] = self.sheet.numbers[i]
            self._check_settings(i, plan[coupon])
            if says:
                entry = self._entry(i, coupon, filled, plan[coupon])
                if entry.says_anything:
                    entries.append(entry)
        if self.problems:
            raise InputErrors(self.problems)
        if not entries:
            self.notes.append("No coupon has anything filled in.")
        return EntryFile(tuple(entries), tuple(dict.fromkeys(self.notes)))

    def _is_ragged(self, i: int) -> bool:
        """Whether a row of a text file has more cells than headings: its cells may have slipped sideways."""
        beyond = len(self.sheet.rows[i]) - len(self.sheet.rows[self.heading_row])
        if beyond <= 0:
            return False
        if self.sheet.title:  # a workbook: its columns stand where they stand
            self.notes.append(f"{self._row_name(i)}: cells to the right of the headings were left out.")
            return False
        self._problem(
            i,
            f"column {len(self.sheet.rows[i])}",
            f"{beyond} cells more than headings",
            "one cell under each heading",
            "Put text and decimal commas between double quotes, or save the sheet as .xlsx.",
        )
        return True

    def _check_mark(self) -> None:
        mark = sheet_mark(self.study)
        known = {sheet_mark(replace(self.study, name=name)).rpartition("[")[2] for name in self.names}
        known.add(mark.rpartition("[")[2])
        for p in self.places:
            for i in range(self.heading_row + 1, len(self.sheet.rows)) if p.column.kind == "mark" else ():
                text = self.sheet.cell(i, p.index)
                if text and text.rpartition("[")[2] not in known:
                    raise InputError(
                        self._where(i, p),
                        text,
                        mark,
                        "This is the sheet of another study (or its factors changed): choose the right one, or write "
                        "a new entry file and copy the entries into it.",
                    )

    def _no_coupon(self, i: int, at: int, said: str, says: bool, plan: Mapping[str, object]) -> None:
        if not says:
            if said:
                self.notes.append(f"{self._row_name(i)}: '{said}' is no coupon of the plan and was left out.")
            return
        odd = self.sheet.odd.get((i, at))
        close = get_close_matches(said, plan, n=3) if said else []
        allowed = ", ".join(close) if close else "a coupon of the plan"
        self._problem(
            i,
            "coupon",
            odd or (repr(said) if said else "nothing"),
            allowed,
            "A spreadsheet made a date of it: format the column as text and type it again."
            if odd
            else "Write the name printed on the label.",
        )

    def _check_settings(self, i: int, row: Mapping[Hashable, object]) -> None:
        for p in self.places:
            text, unit = self.sheet.cell(i, p.index), p.column.unit
            if p.column.kind != "setting" or not text:
                continue
            factor, where = self.study.factor(p.column.name), self._where(i, p)
            planned, instead = str(row[factor.name]), "say in the note what was set"
            try:
                self._refuse_odd(i, p)
                if factor.is_categorical:
                    same = read_level(text, factor, where) == planned
                else:
                    value = float(planned)
                    # as each coupon has it, or the plan's, which older files list for all of them
                    own = float(str(row.get(OWN_PREFIX + factor.name, value)))
                    first = value if math.isnan(own) else own
                    shown = _in_column(first, factor.unit, unit)
                    found = _in_column(read_amount(text, factor, unit, where, near=first), factor.unit, unit)
                    either = (shown, _in_column(value, factor.unit, unit))
                    same = any(math.isclose(found, one, rel_tol=1e-6, abs_tol=_SAME) for one in either)
                    planned = f"{plain(round(shown, 3))} {SYMBOLS.get(unit, unit)}"
                    instead = f"enter what was measured as 'measured {factor.label}'"
                if not same:
                    remedy = f"Settings belong to the plan: put it back and {instead}."
                    raise InputError(where, text, f"{planned} (the plan)", remedy)
            except InputError as error:
                self.problems.append(error)

    def _entry(self, i: int, coupon: str, filled: list[HeadedColumn], row: Mapping[Hashable, object]) -> ScoreEntry:
        checks: dict[str, bool] = {}
        hand: dict[str, float] = {}
        actual: dict[str, float] = {}
        symptoms: tuple[str, ...] = ()
        grade, handled, note, void = "", "", "", None
        for p in filled:
            text, where = self.sheet.cell(i, p.index), self._where(i, p)
            if not text:
                continue
            if (i, p.index) in self.sheet.formulas:
                self.notes.append(f"{where}: the stored result of a formula was taken ({text}).")
            try:
                if p.column.kind != "note":
                    self._refuse_odd(i, p)
                match p.column.kind:
                    case "check":
                        passed = read_check(text, where)
                        if passed is not None:
                            checks[p.column.name] = passed
                    case "grade":
                        grade = read_grade(text, where)
                    case "hand":
                        score = read_hand(text, where)
                        if score is not None:
                            hand[p.column.name] = score
                    case "actual" if not is_nothing(text):
                        actual[p.column.name] = self._actual(text, p, where, row)
                    case "symptom":
                        symptoms = read_symptoms(text, self.symptoms.labels, where, self.symptoms.letters)
                    case "handled":
                        handled = read_handled(text, where)
                    case "void":
                        void = read_void(text, where)
                    case "note":
                        note = "" if is_nothing(text) else text
            except InputError as error:
                self.problems.append(error)
        side = self.symptoms.side_of(symptoms) if symptoms else ""
        return ScoreEntry(coupon, checks, symptoms, side, hand, actual, note, void, grade=grade, handled=handled)

    def _actual(self, text: str, p: HeadedColumn, where: str, row: Mapping[Hashable, object]) -> float:
        factor = self.study.factor(p.column.name)
        planned = float(str(row[factor.name]))
        value = read_amount(text, factor, p.column.unit, where, near=planned)
        if factor.is_temperature and abs(value - planned) > _FAR_DELTA_DEGC:
            self.notes.append(Finding(_FAR, {"where": where, "found": text, "far_delta_degc": _FAR_DELTA_DEGC}))
        return value

    def _says(self, i: int, p: HeadedColumn) -> bool:
        text = self.sheet.cell(i, p.index)
        # a dash says nothing, except in a check, where it may mean fail: `read_check` has to see it
        return bool(text) if p.column.kind == "check" else not is_nothing(text)

    def _refuse_odd(self, i: int, p: HeadedColumn) -> None:
        odd = self.sheet.odd.get((i, p.index))
        if odd is None:
            return
        remedy = (
            "A spreadsheet made a date of it: format the cell as text or number and type it again."
            if odd.startswith(("the date", "the time"))
            else "Type the value itself."
        )
        wanted = (
            "text" if p.column.kind in ("void", "symptom", "handled", "grade") else "a number or a choice of the list"
        )
        raise InputError(self._where(i, p), odd, wanted, remedy)

    def _problem(self, i: int, what: str, found: str, allowed: str, remedy: str) -> None:
        self.problems.append(InputError(f"{self._row_name(i)}, {what}", found, allowed, remedy))

    def _row_name(self, i: int) -> str:
        return f"{self.sheet.name}, row {self.sheet.numbers[i]}"

    def _where(self, i: int, p: HeadedColumn) -> str:
        return f"{self._row_name(i)}, {p.heading}"


def _in_column(value: float, stored: str, unit: str) -> float:
    """Stored value in the unit of a column, for comparing as the file shows it."""
    if unit in ("degF", "psi"):
        return Shown("degF", "psi").value(value, stored)
    return value
