"""Coupons and scores out of a foreign sheet, once a person has said which column is what."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
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
from doe.domain.said import ANY_SYMPTOM, is_nothing, read_check, read_grade, read_hand, read_symptoms, read_void
from doe.domain.score import ScoreEntry
from doe.domain.study import Study

_PLACES = ("round", "cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke")
_NOBODY = "someone"
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


def map_foreign(
    sheet: ForeignSheet,
    study: Study,
    mapping: Mapping[str, ColumnUse | str],
    *,
    people: Sequence[str] = (),
    symptoms: SymptomWords | None = None,
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

    Raises
    ------
    InputErrors
        Naming every column and every cell that cannot be used.
    """
    uses = _uses(sheet, study, mapping, people)
    notes: list[Finding | str] = list(sheet.notes)
    problems: list[InputError] = []
    unknown: list[str] = []
    names: dict[str, int] = {}
    coupons: list[dict[str, object]] = []
    entries: list[ScoreEntry] = []
    for count, (number, cells) in enumerate(sheet.rows.iterrows(), start=1):
        row = _Row(sheet, study, uses, int(str(number)), cells, symptoms, problems, unknown)
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
    if not coupons:
        problems.append(InputError(sheet.name, "no rows", "one row a coupon", "Add the coupons below the headings."))
    if problems:
        raise InputErrors(problems)
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
                if kind == "check":
                    passed = read_check(self._text(role), self.where(role))
                    if passed is not None:
                        checks[name] = passed
                elif kind == "hand":
                    score = read_hand(self._text(role), self.where(role))
                    if score is not None:
                        hand[name] = score
                elif kind == "actual":
                    text = self._text(role)
                    if text:
                        actual[name] = self._amount(text, self.study.factor(name), role)
                elif role == "symptom":
                    symptoms, other_words = self._symptoms(self._text(role))
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
            side = self.symptoms.side_of(symptoms)
        note = "; ".join(part for part in (note, other_words) if part)
        return ScoreEntry(coupon, checks, symptoms, side, hand, actual, note, void, grade=grade)

    def _symptoms(self, text: str) -> tuple[tuple[str, ...], str]:
        """Symptoms of the list, and text that is none of them: a shop's own words are kept, not refused."""
        if self.symptoms is None:
            return (), text
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
        low, high = study.limits.bounds(f.name) if study.limits is not None else (None, None)
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
