"""Coupons and scores out of a foreign sheet, once a person has said which column is what."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any

import pandas as pd

from doe.book.sheets.cells import coupon_name, read_amount, read_level
from doe.book.sheets.foreign import ColumnUse, ForeignSheet
from doe.domain.entry import FileCode, SymptomWords, check_people
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import Factor
from doe.domain.finding import Finding, Value
from doe.domain.limits import CEILING_DEGC
from doe.domain.outcome import BATCH_COLUMNS, SIDES
from doe.domain.said import (
    ANY_SYMPTOM,
    FAILED,
    PASSED,
    TICKED,
    is_nothing,
    read_check,
    read_grade,
    read_hand,
    read_symptoms,
    read_void,
    squeeze,
)
from doe.domain.score import ScoreEntry
from doe.domain.study import Study

_PLACES = ("round", "cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke")
_NOBODY = "someone"
PASS, FAIL, NOTHING = "pass", "fail", "nothing"
"""What a word of a cell may mean, beside keys of symptoms with ``;`` between."""
_BETWEEN_WORDS = re.compile(r"[;,/+&|\n]")
_PLAIN_ROLES = ("coupon", "symptom", "side", "grade", "note", "void", *BATCH_COLUMNS)


@dataclass(frozen=True)
class ForeignResults:
    """Coupons and scores of a foreign sheet.

    Parameters
    ----------
    coupons : DataFrame
        coupon, the factors (stored units), round, cure_batch, press_batch, cure_order, press_order, garment, stroke,
        role. What the sheet does not say is None, except round, which is then 1.
    entries : tuple of ScoreEntry
        One for each coupon with a score.
    notes : tuple of Finding or str
        What lies outside the study's ranges and limits as facts, of `FileCode`; whole sentences on what was assumed.
    """

    coupons: pd.DataFrame
    entries: tuple[ScoreEntry, ...]
    notes: tuple[Finding | str, ...] = ()


class BadRows(InputErrors):
    """What cannot be used of a sheet; ``rows`` holds the row of each problem, None where it is not about a row."""

    def __init__(self, problems: Sequence[InputError], rows: Sequence[int | None]) -> None:
        super().__init__(problems)
        self.rows = tuple(rows)


def word_key(text: str) -> str:
    """A word of a cell as it is compared: in any case, blanks as one."""
    return " ".join(text.casefold().split())


def known_meaning(text: str, words: Mapping[str, str], symptoms: SymptomWords | None = None) -> str | None:
    """What a word says of a coupon: as agreed, pass or fail in plain words, or a symptom by name; None if unclear.

    >>> known_meaning("n.i.O.", {}), known_meaning("peeled", {}), known_meaning("Peeled", {"peeled": "no_transfer"})
    ('fail', None, 'no_transfer')
    """
    word = word_key(text)
    if word in words:
        return words[word]
    if word in PASSED or word in FAILED:
        return PASS if word in PASSED else FAIL
    labels = {} if symptoms is None else symptoms.labels
    return next(
        (key for key, label in labels.items() if squeeze(word) and squeeze(word) in map(squeeze, (key, label))), None
    )


def words_to_ask(
    sheet: ForeignSheet,
    mapping: Mapping[str, ColumnUse],
    words: Mapping[str, str],
    symptoms: SymptomWords | None = None,
) -> dict[str, list[int]]:
    """Words in the columns of checks, and headings above ticks, that are not known, with the rows they stand in."""
    found: dict[str, list[int]] = {}
    for heading, use in mapping.items():
        if heading not in sheet.headings or use.role.partition("_")[0] not in ("pass", "check", "ticked"):
            continue
        for number, cell in sheet.rows[heading].items():
            text = str(cell)
            if is_nothing(text) and text not in ("-", "–", "—"):
                continue
            if use.role == "ticked":
                text = heading if text.casefold() in TICKED else ""
            for part in _words_of(text, words, symptoms):
                if known_meaning(part, words, symptoms) is None:
                    found.setdefault(part, []).append(int(str(number)))
    return found


def _words_of(text: str, words: Mapping[str, str], symptoms: SymptomWords | None) -> list[str]:
    """Words of a cell: all of it where that has a meaning, else its parts."""
    if is_nothing(text) or known_meaning(text, words, symptoms) is not None:
        return [text]
    return [part for part in map(str.strip, _BETWEEN_WORDS.split(text)) if part] or ([text] if text else [])


def without_rows(sheet: ForeignSheet, mapping: Mapping[str, ColumnUse], names: Sequence[str]) -> ForeignSheet:
    """The sheet without some rows, each named by its number in the file or by its coupon.

    Where coupons are numbered too, ``row 21`` and ``coupon 21`` tell the two apart.

    Raises
    ------
    InputError
        If there is no such row, or a number may be a row and the coupon of another one.
    """
    numbers, by_name = _rows_by_coupon(sheet, mapping)
    left: list[int] = []
    for text in names:
        kind, name = "", text.strip()
        if name.casefold().startswith(("row ", "coupon ")):
            kind, _, name = name.partition(" ")
        named = None if kind.casefold() == "row" else by_name.get(coupon_name(name))
        is_row = name.isdecimal() and int(name) in numbers and kind.casefold() != "coupon"
        number = int(name) if is_row else named
        if is_row and named not in (None, number):
            allowed = f"row {name}, or coupon {name} (row {named})"
            raise InputError(f"{sheet.name}, row to leave out", repr(text), allowed, "Say which of them is meant.")
        if number not in numbers:
            allowed = f"a row from {numbers[0]} to {numbers[-1]}" + (", or the name of a coupon" if by_name else "")
            raise InputError(f"{sheet.name}, row to leave out", repr(text), allowed, "Name one that is there.")
        left.append(number)
    return replace(sheet, rows=sheet.rows.drop(index=left))


def _rows_by_coupon(sheet: ForeignSheet, mapping: Mapping[str, ColumnUse]) -> tuple[list[int], dict[str, int]]:
    """Numbers of the rows, and the row of each coupon."""
    numbers = [int(str(number)) for number in sheet.rows.index]
    column = next((h for h, use in mapping.items() if use.role == "coupon" and h in sheet.headings), None)
    called = [] if column is None else list(sheet.rows[column])
    return numbers, {coupon_name(str(name)): n for name, n in zip(called, numbers, strict=False) if name}


def row_name(sheet: ForeignSheet, mapping: Mapping[str, ColumnUse], number: int) -> str:
    """What a row is called in `without_rows`, so that it is not taken for a coupon of that number."""
    named = _rows_by_coupon(sheet, mapping)[1].get(str(number), number)
    return str(number) if named == number else f"row {number}"


def map_foreign(
    sheet: ForeignSheet,
    study: Study,
    mapping: Mapping[str, ColumnUse | str],
    *,
    people: Sequence[str] = (),
    symptoms: SymptomWords | None = None,
    words: Mapping[str, str] | None = None,
) -> ForeignResults:
    """Coupons and scores of a foreign sheet.

    Settings outside the study's ranges, forbidden combinations and limits are taken, as the coupons exist; notes
    say so. A single pass column can only be used when the study has a single check: which of several checks failed
    would be invented.

    Parameters
    ----------
    sheet : ForeignSheet
    study : Study
    mapping : mapping of heading to ColumnUse or str
        Uses as in `ColumnUse`; columns not named are ignored.
    people : sequence of str
        Who felt the coupons; with one person, a plain ``hand`` column is theirs.
    symptoms : SymptomWords, optional
        The symptom list; without it a column of symptoms goes into the notes of the coupons.
    words : mapping, optional
        What words of cells mean, by `word_key`: ``pass``, ``fail``, ``nothing``, or keys of symptoms.

    Raises
    ------
    InputErrors
        Naming every column that cannot be used; `BadRows`, naming every cell.
    """
    uses = _uses(sheet, study, mapping, people)
    notes: list[Finding | str] = list(sheet.notes)
    problems: list[InputError] = []
    rows: list[int | None] = []
    unknown: list[str] = []
    names: dict[str, int] = {}
    known = {word_key(word): meaning for word, meaning in (words or {}).items()}
    coupons: list[dict[str, object]] = []
    entries: list[ScoreEntry] = []
    for count, (number, cells) in enumerate(sheet.rows.iterrows(), start=1):
        row = _Row(sheet, study, uses, int(str(number)), cells, symptoms, known, problems, unknown)
        coupon = row.coupon(count)
        first = names.setdefault(coupon_name(coupon), row.number)
        if first != row.number:
            found = f"{coupon} again (first in row {first})"
            where = row.where("coupon")
            problems.append(InputError(where, found, "each coupon once", "Give each coupon a name of its own."))
        coupons.append({"coupon": coupon, **row.settings(), **row.batches(), "role": "brought"})
        entry = row.entry(coupon)
        if entry.says_anything:
            entries.append(entry)
        rows += [row.number] * (len(problems) - len(rows))
    if not coupons:
        problems.append(InputError(sheet.name, "no rows", "one row a coupon", "Add the coupons below the headings."))
    if problems:
        raise BadRows(problems, [*rows, *[None] * (len(problems) - len(rows))])
    frame = pd.DataFrame(coupons)
    for name in _PLACES:
        frame[name] = _whole_numbers(frame.get(name), len(frame), name)
    frame = frame[["coupon", *study.factor_names, *_PLACES, "role"]]
    if "coupon" not in uses:
        notes.append("The sheet names no coupons; they were numbered own-01, own-02, ... in its order.")
    if f"hand_{_NOBODY}" in uses and _NOBODY not in people:
        notes.append(f"Nobody is named for the hand-feel scores; they were kept under '{_NOBODY}'.")
    notes += [f"{word} is no symptom of the list; the words were kept as a note." for word in dict.fromkeys(unknown)]
    notes += _outside(study, frame)
    return ForeignResults(frame, tuple(entries), tuple(notes))


def _whole_numbers(column: pd.Series | None, rows: int, name: str) -> pd.Series:
    """Batch labels as whole numbers, one a label in order of appearance; None where the sheet says nothing."""
    unknown = 1 if name == "round" else None
    labels = [""] * rows if column is None else list(column)
    whole = {label: i for i, label in enumerate(dict.fromkeys(v for v in labels if v), start=1)}
    numbers = [whole.get(label, unknown) for label in labels]
    return pd.Series(numbers, dtype=object if None in numbers else "int64")


def _uses(
    sheet: ForeignSheet, study: Study, mapping: Mapping[str, ColumnUse | str], people: Sequence[str]
) -> dict[str, tuple[str, str]]:
    """Which column is used for what, checked once against the sheet and the study: heading and unit by use."""
    check_people(people)
    uses: dict[str, tuple[str, str]] = {}
    problems: list[InputError] = []
    for heading, given in mapping.items():
        use = given if isinstance(given, ColumnUse) else ColumnUse.of(given, heading)
        if use.role == "ignore":
            continue
        where = f"{sheet.name}, column {heading}"
        try:
            if heading not in sheet.headings:
                close = get_close_matches(heading, sheet.headings, n=3, cutoff=0.4) or sheet.headings
                raise InputError(where, "no such heading", ", ".join(close), "Correct the heading.")
            role = _role(use.role, where, study, people)
            if role == "ticked":
                role = f"ticked {heading}"
            if role in uses:
                found = f"{role}, as {uses[role][0]} already"
                raise InputError(where, found, "each use once", "Choose one of the two columns.")
            uses[role] = heading, use.unit
        except InputError as error:
            problems.append(error)
    problems += [
        InputError(
            f"{sheet.name}, {f.label}",
            "no column",
            "one column for every factor of the study",
            "Say which column holds it, add one, or take the factor out of the study.",
        )
        for f in study.factors
        if f.name not in uses
    ]
    if problems:
        raise InputErrors(problems)
    return uses


def _role(role: str, where: str, study: Study, people: Sequence[str]) -> str:
    """Use of a column, with the check or person that a bare one means."""
    checks = [check.name for check in study.spec.checks]
    kind, _, name = role.partition("_")
    if role == "pass":
        if len(checks) > 1:
            raise InputError(
                where,
                "one pass column for several checks",
                ", ".join(f"check_{check}" for check in checks),
                "Say which check it is, or give the study a single check.",
            )
        return f"check_{checks[0]}"
    if role == "ticked":
        return role
    if role == "hand":
        return f"hand_{people[0] if len(people) == 1 else _NOBODY}"
    if kind == "hand":
        if people and name not in people:
            raise InputError(where, name, ", ".join(people), "Say whose column it is, or add the person.")
        try:
            check_people([name])
        except InputErrors as error:
            raise InputError(where, error.found, error.allowed, error.remedy) from error
    elif kind == "check":
        if name not in checks:
            raise InputError(where, name, ", ".join(checks), "Use a check of the study.")
    elif role not in (*_PLAIN_ROLES, *study.factor_names, *(f"actual_{f.name}" for f in study.numeric)):
        raise InputError(
            where,
            role,
            "a factor, actual_<factor>, check_<check>, pass, hand_<person>, coupon, symptom, grade, "
            "note, void, a batch, or ignore",
            "Correct the use of the column.",
        )
    return role


@dataclass
class _Row:
    """One row of the sheet; its problems and words that are no symptom are added to those of the others."""

    sheet: ForeignSheet
    study: Study
    uses: Mapping[str, tuple[str, str]]
    number: int
    cells: pd.Series
    symptoms: SymptomWords | None
    words: Mapping[str, str]
    problems: list[InputError]
    unknown_words: list[str]

    def where(self, role: str) -> str:
        """How messages call the cell of a use."""
        return f"{self.sheet.name}, row {self.number}, {self.uses.get(role, (role,))[0]}"

    def _text(self, role: str, *, needed: str = "", remedy: str = "") -> str:
        """Cell of a use, "" where it says nothing.

        Raises
        ------
        InputError
            If it holds what nobody typed, or says nothing where it is needed.
        """
        heading = self.uses[role][0]
        text = str(self.cells[heading])
        odd = self.sheet.odd.get((self.number, heading))
        if not is_nothing(text) and odd is not None:
            raise InputError(
                self.where(role), odd, "a number or word", "Format the cell as text or number and type it again."
            )
        if is_nothing(text) and needed:
            raise InputError(self.where(role), "nothing", needed, remedy)
        # a dash says nothing, except in a check, where it may mean fail: `read_check` has to see it
        return "" if is_nothing(text) and not role.startswith("check_") else text

    def coupon(self, count: int) -> str:
        """Its name, made up where the sheet has none."""
        if "coupon" not in self.uses:
            return f"own-{count:02d}"
        name = ""
        with self._collecting():
            name = self._text("coupon", needed="the name of the coupon", remedy="Give each coupon a name of its own.")
        return name or f"row {self.number}"

    def settings(self) -> dict[str, float | str]:
        """Settings in stored units."""
        found: dict[str, float | str] = {}
        for f in self.study.factors:
            with self._collecting():
                text = self._text(f.name, needed=f"the {f.label} used", remedy="Fill it in, or take the row out.")
                is_level = f.is_categorical
                found[f.name] = read_level(text, f, self.where(f.name)) if is_level else self._amount(text, f, f.name)
        return found

    def batches(self) -> dict[str, str]:
        """Labels of the batches that the sheet names."""
        found = {}
        for name in BATCH_COLUMNS:
            with self._collecting():
                if name in self.uses:
                    found[name] = self._text(name)
        return found

    def entry(self, coupon: str) -> ScoreEntry:
        """What is said about the coupon."""
        checks: dict[str, bool] = {}
        hand: dict[str, float] = {}
        actual: dict[str, float] = {}
        symptoms: tuple[str, ...] = ()
        note = other_words = side = grade = ""
        void = None
        for role in self.uses:
            kind, _, name = role.partition("_")
            with self._collecting():
                if kind == "check" or role.startswith("ticked"):
                    passed, seen = self._heard(role)
                    symptoms += seen
                    if passed is not None:
                        self._take(checks, name if kind == "check" else "", passed, role)
                elif kind == "hand":
                    score = read_hand(self._text(role), self.where(role))
                    if score is not None:
                        hand[name] = score
                elif kind == "actual":
                    text = self._text(role)
                    if text:
                        actual[name] = self._amount(text, self.study.factor(name), role)
                elif role == "symptom":
                    seen, other_words = self._symptoms(self._text(role))
                    symptoms += seen
                elif role == "side":
                    side = self._text(role).casefold()
                    if side not in SIDES:
                        allowed = "under, over, other, unknown, or empty"
                        raise InputError(self.where(role), repr(side), allowed, "Correct the side.")
                elif role == "grade":
                    grade = read_grade(self._text(role), self.where(role))
                elif role == "note":
                    note = self._text(role)
                elif role == "void":
                    void = read_void(self._text(role), self.where(role))
        if not side and self.symptoms is not None and symptoms:
            side = self.symptoms.side_of(dict.fromkeys(symptoms))
        symptoms = tuple(dict.fromkeys(symptoms))
        note = "; ".join(part for part in (note, other_words) if part)
        return ScoreEntry(coupon, checks, symptoms, side, hand, actual, note, void, grade=grade)

    def _heard(self, role: str) -> tuple[bool | None, tuple[str, ...]]:
        """Pass, fail or neither, and the symptoms, of the words of a cell, or of its heading where that is ticked."""
        text = self._text(role)
        if role.startswith("ticked"):
            if is_nothing(text) or text.casefold() in FAILED:
                return None, ()
            if text.casefold() not in TICKED:
                raise InputError(self.where(role), repr(text), "x, or an empty cell", "Tick it, or say pass or fail.")
            text = self.uses[role][0]
        verdicts: list[bool] = []
        keys: list[str] = []
        for word in _words_of(text, self.words, self.symptoms):
            meaning = known_meaning(word, self.words, self.symptoms)
            if meaning is None:
                passed = read_check(word, self.where(role))  # says what is allowed
                verdicts += [] if passed is None else [passed]
            elif meaning in (PASS, FAIL):
                verdicts.append(meaning == PASS)
            elif meaning != NOTHING:
                keys += meaning.split(";")
        if keys:
            verdicts.append(False)
        if len(set(verdicts)) > 1:
            raise InputError(self.where(role), repr(text), "pass or fail, not both", "Correct the cell.")
        return (verdicts[0] if verdicts else None), tuple(key.strip() for key in keys)

    def _take(self, checks: dict[str, bool], check: str, passed: bool, role: str) -> None:
        names = [c.name for c in self.study.spec.checks]
        if not check and len(names) > 1:
            remedy = "Make it a column of pass and fail, and say which check it is."
            raise InputError(self.where(role), "a tick for one of several checks", ", ".join(names), remedy)
        check = check or names[0]
        if checks.setdefault(check, passed) != passed:
            raise InputError(self.where(role), "pass and fail", "one of the two", "Correct the cells.")

    def _symptoms(self, text: str) -> tuple[tuple[str, ...], str]:
        """Symptoms of the list, and text that is none of them: a shop's own words are kept, not refused."""
        if self.symptoms is None:
            return (), text
        agreed = self.words.get(word_key(text))
        if agreed is not None:
            return (() if agreed in (PASS, FAIL, NOTHING) else tuple(agreed.split(";"))), ""
        try:
            return read_symptoms(text, self.symptoms.labels, self.where("symptom")), ""
        except InputError as error:
            close = "" if error.allowed == ANY_SYMPTOM else f" (close: {error.allowed})"
            self.unknown_words.append(f"'{error.found}'{close}".replace("''", "'"))
            return (), text

    def _amount(self, text: str, f: Factor, role: str) -> float:
        return round(read_amount(text, f, self.uses[role][1] or f.unit, self.where(role)), 6)

    @contextmanager
    def _collecting(self) -> Iterator[None]:
        """Keeps a problem for the end, so that all of them are reported at once."""
        try:
            yield
        except InputError as error:
            self.problems.append(error)


def _outside(study: Study, coupons: pd.DataFrame) -> Iterator[Finding]:
    """What lies outside ranges, limits, forbidden combinations and the ceiling: taken, but said."""

    def found(code: FileCode, which: Any, **values: Value) -> Iterator[Finding]:
        if which.any():
            yield Finding(code, {"coupons": int(which.sum()), **values})

    for f in study.numeric:
        values = coupons[f.name].astype(float)
        low, high = study.limits.bounds(f.name, f.heated_mm) if study.limits is not None else (None, None)
        named: dict[str, Value] = {"factor": f.name, "unit": f.unit}
        ends: dict[str, Value] = {"low": f.low, "high": f.high, "least": values.min(), "most": values.max()}
        yield from found("outside the range", (values < f.low) | (values > f.high), **named, **ends)
        if f.unit == "s" and values.max() < f.low and values.max() * 60 <= 2 * f.high:
            yield Finding("looks like minutes", {"factor": f.name})
        for limit, over in ((low, values < (low or 0)), (high, values > (high or math.inf))):
            if limit is not None:
                yield from found("beyond a limit", over, **named, limit=limit)
        if f.is_temperature:
            yield from found("at the ceiling", values >= CEILING_DEGC, factor=f.name, ceiling_degc=CEILING_DEGC)
    for combination in study.forbidden:
        units = {f.name: f.unit for f in study.factors}
        clauses = tuple((c.factor, c.compare, c.value, units[c.factor]) for c in combination.clauses)
        yield from found("in a forbidden combination", combination.matches(coupons), clauses=clauses)
