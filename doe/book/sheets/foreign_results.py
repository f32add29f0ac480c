"""Coupons and scores out of a foreign sheet, once a person has said which column is what."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from difflib import get_close_matches

import pandas as pd

from doe.book.sheets.cells import coupon_name, read_amount, read_level
from doe.book.sheets.columns import ColumnUse
from doe.book.sheets.foreign import ForeignSheet
from doe.domain.entry import SymptomWords, check_people
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import Factor
from doe.domain.limits import CEILING_DEGC
from doe.domain.outcome import BATCH_COLUMNS, SIDES
from doe.domain.said import ANY_SYMPTOM, is_nothing, read_check, read_hand, read_symptoms, read_void
from doe.domain.score import ScoreEntry
from doe.domain.study import Study
from doe.domain.units import show, show_both

_PLACES = ("round", "cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke")
_NOBODY = "someone"


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
    notes : tuple of str
        Whole sentences on what lies outside the study's ranges and limits, and what was assumed.
    """

    coupons: pd.DataFrame
    entries: tuple[ScoreEntry, ...]
    notes: tuple[str, ...] = ()


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
    uses = _Uses(sheet, study, mapping, people)
    notes = list(sheet.notes)
    problems: list[InputError] = []
    unknown: list[str] = []
    names: dict[str, int] = {}
    coupons: list[dict[str, object]] = []
    entries: list[ScoreEntry] = []
    for count, (number, row) in enumerate(sheet.rows.iterrows(), start=1):
        reader = _RowReader(sheet, study, uses, int(str(number)), {str(h): str(t) for h, t in row.items()}, symptoms)
        coupon = reader.coupon(count)
        key = coupon_name(coupon)
        if key in names:
            reader.problem(
                uses.heading("coupon") or "coupon",
                f"{coupon} again (first in row {names[key]})",
                "each coupon once",
                "Give each coupon a name of its own.",
            )
        names.setdefault(key, reader.number)
        coupons.append({"coupon": coupon, **reader.settings(), **reader.batches(), "role": "brought"})
        entry = reader.entry(coupon)
        if any(True for _ in entry.fields()):
            entries.append(entry)
        problems += reader.problems
        unknown += reader.unknown_words
    if not coupons:
        problems.append(InputError(sheet.name, "no rows", "one row a coupon", "Add the coupons below the headings."))
    if problems:
        raise InputErrors(problems)
    frame = pd.DataFrame(coupons)
    for name in _PLACES:
        frame[name] = _whole_numbers(frame.get(name), len(frame), name)
    frame = frame[["coupon", *study.factor_names, *_PLACES, "role"]]
    if uses.heading("coupon") is None:
        notes.append("The sheet names no coupons; they were numbered own-01, own-02, ... in its order.")
    if _NOBODY in uses.hand.values() and _NOBODY not in people:
        notes.append(f"Nobody is named for the hand-feel scores; they were kept under '{_NOBODY}'.")
    notes += [f"{word} is no symptom of the list; the words were kept as a note." for word in dict.fromkeys(unknown)]
    notes += _outside(study, frame)
    return ForeignResults(frame, tuple(entries), tuple(notes))


def _whole_numbers(column: pd.Series | None, rows: int, name: str) -> pd.Series:
    """Batch labels as whole numbers, one a label in order of appearance; None where the sheet says nothing."""
    unknown = 1 if name == "round" else None
    labels = ["" if pd.isna(v) else str(v) for v in column] if column is not None else [""] * rows
    whole = {label: i for i, label in enumerate(dict.fromkeys(v for v in labels if v), start=1)}
    numbers = [whole.get(label, unknown) for label in labels]
    return pd.Series(numbers, dtype=object if None in numbers else "int64")


class _Uses:
    """Which column is used for what, checked once against the sheet and the study."""

    def __init__(
        self, sheet: ForeignSheet, study: Study, mapping: Mapping[str, ColumnUse | str], people: Sequence[str]
    ) -> None:
        check_people(people)
        self._heading: dict[str, str] = {}
        self.unit: dict[str, str | None] = {}
        self.hand: dict[str, str] = {}  # heading -> person
        self.check: dict[str, str] = {}  # heading -> check
        problems: list[InputError] = []
        checks = [c.name for c in study.spec.checks]
        for heading, given in mapping.items():
            use = given if isinstance(given, ColumnUse) else ColumnUse.of(given, heading)
            where = f"{sheet.name}, column {heading}"
            if use.role == "ignore":
                continue
            if heading not in sheet.headings:
                close = get_close_matches(heading, sheet.headings, n=3, cutoff=0.4) or sheet.headings
                problems.append(InputError(where, "no such heading", ", ".join(close), "Correct the heading."))
                continue
            role, problem = self._role(use, where, study, checks, people)
            if problem is None and role in self._heading:
                problem = InputError(
                    where,
                    f"{role}, as {self._heading[role]} already",
                    "each use once",
                    "Choose one of the two columns.",
                )
            if problem is not None:
                problems.append(problem)
                continue
            self._heading[role] = heading
            self.unit[role] = use.unit or None
            if role.startswith("hand_"):
                self.hand[heading] = role.removeprefix("hand_")
            elif role.startswith("check_"):
                self.check[heading] = role.removeprefix("check_")
        problems += [
            InputError(
                f"{sheet.name}, {f.label}",
                "no column",
                "one column for every factor of the study",
                "Say which column holds it, add one, or take the factor out of the study.",
            )
            for f in study.factors
            if f.name not in self._heading
        ]
        if problems:
            raise InputErrors(problems)

    @staticmethod
    def _role(
        use: ColumnUse, where: str, study: Study, checks: Sequence[str], people: Sequence[str]
    ) -> tuple[str, InputError | None]:
        role = use.role
        if role == "pass":
            if len(checks) == 1:
                return f"check_{checks[0]}", None
            return role, InputError(
                where,
                "one pass column for several checks",
                ", ".join(f"check_{c}" for c in checks),
                "Say which check it is, or give the study a single check.",
            )
        if role == "hand":
            return f"hand_{people[0] if len(people) == 1 else _NOBODY}", None
        kind, _, name = role.partition("_")
        if kind == "hand" and people and name not in people:
            return role, InputError(where, name, ", ".join(people), "Say whose column it is, or add the person.")
        if kind == "hand":
            try:
                check_people([name])
            except InputErrors as error:
                return role, InputError(where, error.found, error.allowed, error.remedy)
        if kind == "check" and name not in checks:
            return role, InputError(where, name, ", ".join(checks), "Use a check of the study.")
        plain_roles = ("coupon", "symptom", "side", "note", "void", *BATCH_COLUMNS)
        numeric = [f.name for f in study.numeric]
        known = role in plain_roles or role in study.factor_names or kind in ("hand", "check")
        if not known and not (kind == "actual" and name in numeric):
            return role, InputError(
                where,
                role,
                "a factor, actual_<factor>, check_<check>, pass, hand_<person>, coupon, symptom, note, "
                "void, a batch, or ignore",
                "Correct the use of the column.",
            )
        return role, None

    def heading(self, role: str) -> str | None:
        """Heading of the column with that use, None when there is none."""
        return self._heading.get(role)


@dataclass
class _RowReader:
    sheet: ForeignSheet
    study: Study
    uses: _Uses
    number: int
    cells: Mapping[str, str]
    symptoms: SymptomWords | None

    def __post_init__(self) -> None:
        self.problems: list[InputError] = []
        self.unknown_words: list[str] = []

    def problem(self, what: str, found: object, allowed: str, remedy: str) -> None:
        self.problems.append(InputError(f"{self.sheet.name}, row {self.number}, {what}", found, allowed, remedy))

    def _text(self, heading: str | None) -> str:
        """Cell of a column, "" where it says nothing or holds what nobody typed."""
        if heading is None or is_nothing(self.cells[heading]):
            return ""
        odd = self.sheet.odd.get((self.number, heading))
        if odd is not None:
            self.problem(heading, odd, "a number or word", "Format the cell as text or number and type it again.")
            return ""
        return self.cells[heading]

    def _where(self, heading: str) -> str:
        return f"{self.sheet.name}, row {self.number}, {heading}"

    def coupon(self, count: int) -> str:
        heading = self.uses.heading("coupon")
        if heading is None:
            return f"own-{count:02d}"
        before = len(self.problems)
        text = self._text(heading)
        if not text and len(self.problems) == before:
            self.problem(heading, "nothing", "the name of the coupon", "Give each coupon a name of its own.")
        return text or f"row {self.number}"

    def settings(self) -> dict[str, float | str]:
        found: dict[str, float | str] = {}
        for f in self.study.factors:
            heading = self.uses.heading(f.name)
            assert heading is not None  # `_Uses` refuses a mapping without it
            before = len(self.problems)
            text = self._text(heading)
            with self._collecting():
                if text and f.is_categorical:
                    found[f.name] = read_level(text, f, self._where(heading))
                elif text:
                    found[f.name] = self._amount(text, f, f.name, heading)
                elif len(self.problems) == before:
                    self.problem(heading, "nothing", f"the {f.label} used", "Fill it in, or take the row out.")
        return found

    def batches(self) -> dict[str, str]:
        return {name: self._text(heading) for name in BATCH_COLUMNS if (heading := self.uses.heading(name)) is not None}

    def entry(self, coupon: str) -> ScoreEntry:
        keys, unknown = self._symptoms()
        note = "; ".join(part for part in (self._text(self.uses.heading("note")), unknown) if part)
        return ScoreEntry(
            coupon,
            checks=self._checks(),
            symptoms=keys,
            side=self._side(keys),
            hand=self._hand(),
            actual=self._actual(),
            note=note,
            void_reason=self._void(),
        )

    def _checks(self) -> dict[str, bool]:
        found: dict[str, bool] = {}
        for heading, name in self.uses.check.items():
            if (self.number, heading) in self.sheet.odd:
                self._text(heading)  # refuses it
                continue
            with self._collecting():  # not `_text`: a dash in a check may mean fail
                passed = read_check(self.cells[heading], self._where(heading))
                if passed is not None:
                    found[name] = passed
        return found

    def _hand(self) -> dict[str, float]:
        found: dict[str, float] = {}
        for heading, person in self.uses.hand.items():
            with self._collecting():
                score = read_hand(self._text(heading), self._where(heading))
                if score is not None:
                    found[person] = score
        return found

    def _actual(self) -> dict[str, float]:
        found: dict[str, float] = {}
        for f in self.study.numeric:
            heading = self.uses.heading(f"actual_{f.name}")
            text = self._text(heading)
            if heading is not None and text:
                with self._collecting():
                    found[f.name] = self._amount(text, f, f"actual_{f.name}", heading)
        return found

    def _symptoms(self) -> tuple[tuple[str, ...], str]:
        """Symptoms of the list, and text that is none of them: a shop's own words are kept, not refused."""
        heading = self.uses.heading("symptom")
        text = self._text(heading)
        if heading is None or not text:
            return (), ""
        if self.symptoms is None:
            return (), text
        try:
            return read_symptoms(text, self.symptoms.labels, self._where(heading)), ""
        except InputError as error:
            close = "" if error.allowed == ANY_SYMPTOM else f" (close: {error.allowed})"
            self.unknown_words.append(f"'{error.found}'{close}".replace("''", "'"))
            return (), text

    def _side(self, keys: tuple[str, ...]) -> str:
        heading = self.uses.heading("side")
        text = self._text(heading).casefold()
        if heading is not None and text:
            if text in SIDES:
                return text
            self.problem(heading, repr(text), "under, over, other, unknown, or empty", "Correct the side.")
        return self.symptoms.side_of(keys) if self.symptoms is not None and keys else ""

    def _void(self) -> str | None:
        heading = self.uses.heading("void")
        text = self._text(heading)
        if heading is None or not text:
            return None
        try:
            return read_void(text, self._where(heading))
        except InputError as error:
            self.problems.append(error)
            return None

    def _amount(self, text: str, f: Factor, role: str, heading: str) -> float:
        return round(read_amount(text, f, self.uses.unit[role] or f.unit, self._where(heading)), 6)

    @contextmanager
    def _collecting(self) -> Iterator[None]:
        """Keeps a problem for the end, so that all of them are reported at once."""
        try:
            yield
        except InputError as error:
            self.problems.append(error)


def _outside(study: Study, coupons: pd.DataFrame) -> list[str]:
    """What lies outside ranges, limits, forbidden combinations and the ceiling: taken, but said."""
    notes: list[str] = []
    for f in study.numeric:
        values = coupons[f.name].astype(float)
        low, high = study.limits.bounds(f.name) if study.limits is not None else (None, None)
        beyond = int(((values < f.low) | (values > f.high)).sum())
        if beyond:
            notes.append(
                f"{f.label}: {_coupons(beyond)} outside the range of the study, {show(f.low, f.unit)} to "
                f"{show(f.high, f.unit)} (found {show(values.min(), f.unit)} to {show(values.max(), f.unit)})."
            )
        if f.unit == "s" and values.max() < f.low and values.max() * 60 <= 2 * f.high:
            notes.append(f"{f.label}: these look like minutes. If they are, write min into the heading.")
        for limit, over in ((low, values < (low or 0)), (high, values > (high or math.inf))):
            if limit is not None and over.any():
                notes.append(
                    f"{f.label}: {_coupons(int(over.sum()))} beyond the limit of {show_both(limit, f.unit)}; "
                    f"do not make such a coupon again."
                )
        if f.is_temperature and (values >= CEILING_DEGC).any():
            notes.append(
                f"{f.label}: {_coupons(int((values >= CEILING_DEGC).sum()))} at or above "
                f"{show_both(CEILING_DEGC, 'degC')}. Never set that again: fumes."
            )
    for combination in study.forbidden:
        hit = int(combination.matches(coupons).sum())
        if hit:
            notes.append(
                f"{_coupons(hit)} in the forbidden combination {combination}; do not make such a coupon again."
            )
    return notes


def _coupons(number: int) -> str:
    return f"{number} coupon{'s' if number != 1 else ''}"
