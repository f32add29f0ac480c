"""Reading a sheet of coupons made and scored elsewhere, and guessing what its columns are."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path
from statistics import median

import pandas as pd

from doe.book.sheets.cells import split_unit
from doe.book.sheets.workbook import HEADING_ROWS, SheetFile, read_sheets
from doe.domain.errors import InputError
from doe.domain.factors import Factor
from doe.domain.jsonable import packaged_table
from doe.domain.said import FAILED, PASSED, TICKED, is_nothing, squeeze, words
from doe.domain.spec import Check
from doe.domain.study import Study
from doe.domain.units import looks_like_fahrenheit, stored_unit, unit_spelled

_WORDS = packaged_table("heading_words")
_SURE_ENOUGH = 0.55


@dataclass(frozen=True)
class ColumnUse:
    """What a column of a foreign sheet is used for.

    Parameters
    ----------
    role : str
        A factor, ``actual_<factor>``, ``check_<check>``, ``pass`` (one verdict over everything), ``ticked`` (a mark
        means what the heading says), ``hand_<person>``,
        ``hand`` (nobody named), ``coupon``, ``symptom``, ``side``, ``grade``, ``note``, ``void``, ``round``,
        ``cure_batch``, ``press_batch``, ``garment`` or ``ignore``.
    unit : str
        Unit of bare numbers in it (``degF``, ``min`` ...); empty for the stored unit.
    """

    role: str
    unit: str = ""

    @classmethod
    def of(cls, role: str, heading: str) -> ColumnUse:
        """Use with the unit that the heading names, if any."""
        return cls(role, heading_unit(heading)[1])


def heading_unit(heading: str) -> tuple[str, str]:
    """Heading without its unit, and that unit, also without brackets.

    >>> heading_unit("Press °F"), heading_unit("dwell sec"), heading_unit("oven [C]")
    (('Press', 'degF'), ('dwell', 's'), ('oven', 'degC'))
    """
    base, unit = split_unit(heading)
    if unit is not None:
        return base, unit
    parts = heading.replace("_", " ").replace(",", " ").split()
    if len(parts) > 1 and (spelled := unit_spelled(parts[-1])) is not None:
        rest = parts[:-1]
        return " ".join(rest[:-1] if rest[-1].casefold() == "in" else rest), spelled
    return heading, unit_spelled(heading) or ""


@dataclass(frozen=True)
class ForeignSheet:
    """A sheet with headings of its own.

    Parameters
    ----------
    name : str
        File, and sheet when there are several.
    headings : tuple of str
        One a column, each once: a missing one reads ``column C``, a second one ``wash (2)``.
    rows : DataFrame of str
        Cells below the headings, ``""`` where empty; the index is the row number in the file.
    dialect : str
        How the file was read, in words.
    odd : mapping of (row number, heading) to str
        Cells with a date, an error or a formula without a result, and which of these.
    notes : tuple of str
        What was left out.
    """

    name: str
    headings: tuple[str, ...]
    rows: pd.DataFrame
    dialect: str
    odd: Mapping[tuple[int, str], str]
    notes: tuple[str, ...] = ()


def read_foreign(path: str | Path, *, sheet_title: str | None = None) -> ForeignSheet:
    """Read a sheet (.xlsx or .csv) whose headings are not ours.

    In a workbook the first sheet with a row of headings is taken, or the one named. The row of headings is the first
    one that is about as wide as the rows below it and holds words rather than numbers.

    Parameters
    ----------
    path : str or Path
    sheet_title : str, optional
        Sheet of the workbook to take.

    Raises
    ------
    InputError
        If the file cannot be read, or has no row of headings with rows below it, or no sheet of that title.
    """
    sheets = read_sheets(path)
    titles = [s.title for s in sheets]
    if sheet_title is not None and sheet_title not in titles:
        raise InputError(
            Path(path).name,
            f"no sheet '{sheet_title}'",
            ", ".join(titles) or "a text file has no sheets",
            "Name a sheet that is there.",
        )
    asked = [s for s in sheets if sheet_title in (None, s.title)]
    sheet, top = next(((s, row) for s in asked if (row := _heading_row(s)) is not None), (asked[0], None))
    if top is None:
        raise InputError(
            sheet.name,
            f"no row of headings ({sheet.dialect})",
            "one row of headings above one row a coupon",
            "Put the name of each setting and score at the top of its column.",
        )
    rest = [title for title in titles if title != sheet.title]
    notes = (f"Only '{sheet.title}' was read, not {', '.join(rest)}.",) if rest else ()
    below = range(top + 1, len(sheet.rows))
    width = max(len(sheet.rows[i]) for i in (top, *below))
    headings = _headings(sheet.rows[top], width)
    rows = pd.DataFrame(
        [[sheet.cell(i, j) for j in range(width)] for i in below],
        columns=list(headings),
        index=pd.Index([sheet.numbers[i] for i in below], name="row"),
        dtype=object,
    )
    odd = {(sheet.numbers[i], headings[j]): words for (i, j), words in sheet.odd.items() if i > top}
    return ForeignSheet(sheet.name, headings, rows, sheet.dialect, odd, notes)


def _heading_row(sheet: SheetFile) -> int | None:
    widths = sorted(sum(bool(c) for c in row) for row in sheet.rows)
    usual = widths[len(widths) // 2]
    for i, row in enumerate(sheet.rows[:HEADING_ROWS]):
        filled = [c for c in row if c]
        wordy = sum(_number(c) is None for c in filled)
        if len(filled) >= max(2, 0.6 * usual) and wordy >= 0.8 * len(filled) and i + 1 < len(sheet.rows):
            return i
    return None


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _headings(row: tuple[str, ...], width: int) -> tuple[str, ...]:
    headings: list[str] = []
    for j in range(width):
        base = row[j] if j < len(row) and row[j] else f"column {j + 1}"
        name, n = base, 1
        while name in headings:
            n += 1
            name = f"{base} ({n})"
        headings.append(name)
    return tuple(headings)


def guess_mapping(sheet: ForeignSheet, study: Study) -> dict[str, ColumnUse]:
    """`guess_uses` for the factors and checks of a study."""
    return guess_uses(sheet, study.factors, study.spec.checks)


def guess_uses(
    sheet: ForeignSheet,
    factors: Sequence[Factor],
    checks: Sequence[Check],
    is_telling: Callable[[str], bool] = lambda heading: heading.casefold() in PASSED | FAILED,
) -> dict[str, ColumnUse]:
    """What each column of a foreign sheet is likely used for, to be shown to a person before it is used.

    Names are matched loosely, units are read from the headings (``Press °F``, ``dwell sec``). A temperature column
    without a unit is guessed to be Fahrenheit when its numbers are out of every Celsius range here.

    Parameters
    ----------
    sheet : ForeignSheet
    factors, checks : sequence of Factor, of Check
        What there may be columns of.
    is_telling : callable
        Whether a heading says itself what marks below it mean, such as *ok*.

    Returns
    -------
    dict of heading to ColumnUse
        Every heading of the sheet, the surest first taken; ``ColumnUse("ignore")`` for what is not understood. No use
        but ``ticked`` occurs twice.
    """
    # a number in a cell may say pass or fail; at the top of a column it counts something
    uses = {
        heading: ColumnUse("ticked")
        for heading in sheet.headings
        if _number(heading) is None and is_telling(heading) and _only_ticked(sheet.rows[heading])
    }
    offers = [
        (score, -j, role, heading)
        for j, heading in enumerate(sheet.headings)
        for role, score in _scores(heading, factors, checks).items()
        if score >= _SURE_ENOUGH
    ]
    taken: set[str] = set()
    for _, _, role, heading in sorted(offers, reverse=True):
        if heading in uses or role in taken:
            continue
        uses[heading] = ColumnUse(role, _unit(role, heading, factors, sheet))
        taken.add(role)
    return {heading: uses.get(heading, ColumnUse("ignore")) for heading in sheet.headings}


def _only_ticked(cells: Iterable[str]) -> bool:
    said = [cell.casefold() for cell in cells if not is_nothing(cell)]
    return bool(said) and all(cell in TICKED for cell in said)


def _unit(role: str, heading: str, factors: Sequence[Factor], sheet: ForeignSheet) -> str:
    factor = next((f for f in factors if not f.is_categorical and role in (f.name, f"actual_{f.name}")), None)
    if factor is None:
        return ""
    unit = heading_unit(heading)[1]
    numbers = [number for text in sheet.rows[heading] if (number := _number(text)) is not None]
    if not unit and factor.is_temperature and numbers and looks_like_fahrenheit(median(numbers)):
        return "degF"
    return unit


def _scores(heading: str, factors: Sequence[Factor], checks: Sequence[Check]) -> dict[str, float]:
    """How well each use fits a heading, 0 to 1."""
    base, unit = heading_unit(heading)
    tokens = set(words(base))
    name = squeeze(base)
    scores = {role: 1.0 for role, known in _WORDS["exact"].items() if name in known}
    if name in _WORDS["pass"]:
        scores["pass"] = 0.9
    for check in checks:
        for text in (check.name, f"check_{check.name}", f"after_{check.name}", f"{check.name}es"):
            scores[f"check_{check.name}"] = max(scores.get(f"check_{check.name}", 0.0), _likeness(base, text))
    scores |= _wash_scores(tokens, checks, scores)
    person = _person(base)
    if person is not None:
        scores[f"hand_{person}" if person else "hand"] = 0.95
    is_actual = _any(tokens, _WORDS["actual"]) or name.startswith("actual")
    for f in factors:
        score = _factor_score(base, tokens.difference(_WORDS["actual"]), unit, f, factors)
        scores[f"actual_{f.name}" if is_actual and not f.is_categorical else f.name] = score
    return scores


def _wash_scores(tokens: set[str], checks: Sequence[Check], scores: Mapping[str, float]) -> dict[str, float]:
    """How well a heading that speaks of washing fits each check after a wash: by its number, else the first of them."""
    after = [check for check in checks if check.after_washes]
    if not after or not _any(tokens, _WORDS["wash"]):
        return {}
    numbers = {int(token) for token in tokens if token.isdecimal()}
    meant = [c for c in after if c.after_washes in numbers] if numbers else after[:1]
    return {f"check_{c.name}": max(scores.get(f"check_{c.name}", 0.0), 0.85 if numbers else 0.7) for c in meant}


def _factor_score(base: str, tokens: set[str], unit: str, f: Factor, factors: Sequence[Factor]) -> float:
    """How well a heading names a factor: by its name, or by machine and measure.

    A unit of another kind rules it out.
    """
    if unit and stored_unit(unit) != f.unit:
        return 0.0
    named = max(_likeness(base, f.name), _likeness(base, f.label))
    telling = _any(tokens, _WORDS["telling"].get(f.name, ()))
    if f.is_categorical:
        return max(named, 0.6 * telling)
    at = next((machine for machine in ("cure", "press") if _any(tokens, _WORDS[machine])), "")
    if not unit and not telling and not _any(tokens, _WORDS["measure"].get(f.unit, ())):
        return named
    usual = f.name in ("cure_temp", "cure_time", "press_temp", "dwell", "pressure")
    alone = sum(g.unit == f.unit and g.stage == f.stage for g in factors) == 1
    only_one = sum(g.unit == f.unit for g in factors) == 1
    beside = 0.85 if telling else 0.8 if at == f.stage and (usual or alone) else 0.6 if not at and only_one else 0.0
    return max(named, beside)


def _any(tokens: Iterable[str], known: Iterable[str]) -> bool:
    return not set(tokens).isdisjoint(known)


def _person(base: str) -> str | None:
    """Person of a hand-feel column, "" when nobody is named, None when it is none."""
    parts = [part.strip("(),") for part in re.split(r"[-_:\s]+", base)]
    if not _any(map(str.casefold, parts), _WORDS["hand"]):
        return None
    return " ".join(p for p in parts if p.casefold() not in (*_WORDS["hand"], *_WORDS["beside_hand"])).strip()


def _likeness(base: str, name: str) -> float:
    """Likeness of two names, 1 when they are the same; little of it counts as none.

    Names with different numbers (wash 1, wash 5) are different names.
    """
    ours, theirs = words(base), words(name)
    if [w for w in ours if w.isdigit()] != [w for w in theirs if w.isdigit()]:
        return 0.0
    ratio = SequenceMatcher(None, "".join(ours), "".join(theirs)).ratio()
    return ratio if ratio >= 0.8 else 0.0
