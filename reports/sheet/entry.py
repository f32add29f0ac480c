"""Entry files: what people fill in at the press and after the wash, as a workbook or as CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

from doe.assure.gauges.line import GaugedLine
from doe.domain.entry import AS_DIALLED, ON_SURFACE, OWN_PREFIX, TO_DIAL, EntryColumn, entry_columns, sheet_mark
from doe.domain.errors import InputError, plain
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, rounded, show_both
from doe.symptoms.catalogue import CATALOGUE
from doe.words.cautions import CAUTIONS, FIXED_WORDING, FOOTER
from doe.words.gauges.dials import dial_setting
from reports.files import write_whole
from reports.pages import template_source

if TYPE_CHECKING:
    import pandas as pd
    from openpyxl.cell.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet

ENTRY_SHEET, HELP_SHEET, CHOICE_SHEET = "entries", "how to fill", "choices"
_WIDTHS = {
    "coupon": 10,
    "setting": 13,
    "dial": 13,
    "actual": 14,
    "check": 10,
    "grade": 11,
    "symptom": 24,
    "handled": 11,
    "hand": 10,
    "void": 18,
    "note": 30,
    "mark": 12,
}
_MEASURED_DEGC = (20.0, 199.9)
"""Measured temperatures a workbook takes; from 200 degC a number is more likely Fahrenheit."""


def write_entry_csv(
    path: str | Path,
    study: Study,
    coupons: pd.DataFrame,
    people: Sequence[str] = (),
    *,
    shown: Shown = METRIC,
    gauged: GaugedLine | None = None,
) -> Path:
    """Write the entry file as CSV: UTF-8 with a byte-order mark (spreadsheets then keep °C), comma, decimal point.

    Parameters
    ----------
    path : str or Path
    study : Study
    coupons : DataFrame
        Plan: column ``coupon`` and one a factor, in stored units; the rows to offer, in their order. Of a factor with
        a column `OWN_PREFIX` too, that one is listed.
    people : sequence of str
        Who feels the coupons.
    shown : Shown
        The user's units.
    gauged : GaugedLine, optional
        The line with its corrections; then its temperatures say what they are, and beside them stands the dial.

    Raises
    ------
    InputError
        If a name cannot head a column, the plan lacks columns, or the place cannot be written.
    """
    columns = entry_columns(study, people, shown=shown, **_scales(study, gauged))
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow([c.heading for c in columns])
    for row in _rows(study, coupons, columns, gauged):
        writer.writerow(["" if v is None else plain_setting(v) if isinstance(v, float) else v for v in row])
    return write_whole(path, text.getvalue().encode("utf-8-sig"))


def write_entry_xlsx(
    path: str | Path,
    study: Study,
    coupons: pd.DataFrame,
    people: Sequence[str] = (),
    *,
    shown: Shown = METRIC,
    gauged: GaugedLine | None = None,
) -> Path:
    """Write the entry file as a workbook with drop-downs, locked settings and a sheet on how to fill it.

    The locks carry no password: they stop a slip of the hand, not a person who means it.

    Parameters, Raises
    ------------------
    As `write_entry_csv`.
    """
    from openpyxl import Workbook  # noqa: PLC0415 # slow to load, and most commands write no workbook

    symptoms = [s.label for s in CATALOGUE]
    columns = entry_columns(study, people, symptoms=symptoms, shown=shown, **_scales(study, gauged))
    rows = _rows(study, coupons, columns, gauged)
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = ENTRY_SHEET
    _fill_entries(sheet, columns, rows)
    _fill_help(book.create_sheet(HELP_SHEET), study, shown, gauged)
    _fill_choices(book.create_sheet(CHOICE_SHEET), columns)
    _add_choices(sheet, columns, len(rows))
    _set_print(sheet, study)
    stream = io.BytesIO()
    book.save(stream)
    return write_whole(path, stream.getvalue())


def plain_setting(value: float) -> str:
    """Number as it stands in an entry file: at most three digits behind the point.

    >>> plain_setting(150.0), plain_setting(36.2594)
    ('150', '36.259')
    """
    return fixed(value, 3).rstrip("0").rstrip(".")


class _Scales(TypedDict):
    """What `entry_columns` is told of machines' temperatures."""

    scales: dict[str, str]
    dials: list[str]


def _scales(study: Study, gauged: GaugedLine | None) -> _Scales:
    """What each temperature of a machine is, and beside which stands its dial."""
    gauges = {} if gauged is None else {f.name: g for f in study.numeric if (g := gauged.gauge_of(f.name)) is not None}
    return {
        "scales": {name: AS_DIALLED if g.as_dialled else ON_SURFACE for name, g in gauges.items()},
        "dials": [name for name, g in gauges.items() if g.is_checked and not g.as_dialled],
    }


def _temperature_words(study: Study, gauged: GaugedLine | None) -> str:
    """What the temperatures in the grey columns are."""
    known = _scales(study, gauged)
    said = []
    if ON_SURFACE in known["scales"].values():
        said.append(f"A temperature '{ON_SURFACE}' is the one the surface should have.")
    if known["dials"]:
        said.append(f"Beside it, '{TO_DIAL}', stands what the machine is set to for it, by its gauge readings.")
    if AS_DIALLED in known["scales"].values():
        said.append(f"A temperature '{AS_DIALLED}' is what the machine is set to.")
    return " ".join(said) or "What to dial in stands on the bench sheet."


def _rows(
    study: Study, coupons: pd.DataFrame, columns: Sequence[EntryColumn], gauged: GaugedLine | None
) -> list[list[str | float | None]]:
    """Cells of the file below the headings: what the plan says, and None where a person writes."""
    absent = [n for n in ("coupon", *study.factor_names) if n not in coupons.columns]
    if absent:
        found = ", ".join(map(str, coupons.columns))
        raise InputError("coupons", found, f"columns {', '.join(absent)}", "Make the plan of this study first.")
    mark = sheet_mark(study)
    filled: list[list[str | float | None]] = []
    for column in columns:
        if column.kind == "coupon":
            filled.append([str(c) for c in coupons["coupon"]])
        elif column.kind == "dial":
            assert gauged is not None  # no other line has such a column
            dials = [dial_setting(gauged, study, column.name, float(v)) for v in coupons[column.name]]
            units = _units_of(column)
            filled.append([None if d is None else rounded(units.value(d.dial_degc, "degC")) for d in dials])
        elif column.kind == "setting":
            factor = study.factor(column.name)
            own = OWN_PREFIX + column.name
            values = coupons[own if own in coupons else column.name]
            if factor.is_categorical:
                filled.append([str(v) for v in values])
            else:
                units = _units_of(column)
                amounts = (units.value(float(v), factor.unit) for v in values)
                filled.append([None if math.isnan(v) else float(plain_setting(v)) for v in amounts])
        else:
            filled.append([mark if column.kind == "mark" else None] * len(coupons))
    return [list(row) for row in zip(*filled, strict=True)]


def _units_of(column: EntryColumn) -> Shown:
    """The column's own units; a temperature stands there in both."""
    return Shown("degF" if column.unit == "degF" else "degC", "psi" if column.unit == "psi" else "bar")


def _write(sheet: Worksheet, row: int, column: int, value: str | float | None, *, bold: bool = False) -> Cell:
    """Write a cell as it stands, its words wrapped."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE, MergedCell  # noqa: PLC0415
    from openpyxl.styles import Alignment, Font  # noqa: PLC0415

    cell = sheet.cell(row, column)
    assert not isinstance(cell, MergedCell)  # these sheets merge nothing
    cell.font, cell.alignment = Font(bold=bold), Alignment(wrap_text=True, vertical="top")
    if isinstance(value, str):
        cell.value = ILLEGAL_CHARACTERS_RE.sub("", value)
        cell.data_type = "s"  # a name that starts with = is a name, not a formula
    else:
        cell.value = value
    return cell


def _fill_entries(sheet: Worksheet, columns: Sequence[EntryColumn], rows: list[list[str | float | None]]) -> None:
    from openpyxl.styles import Border, PatternFill, Protection, Side  # noqa: PLC0415
    from openpyxl.utils import get_column_letter  # noqa: PLC0415

    thin = Side(style="thin", color="999999")
    box = Border(left=thin, right=thin, top=thin, bottom=thin)
    given, asked = PatternFill("solid", fgColor="E8E8E8"), PatternFill("solid", fgColor="FFFFFF")
    for j, column in enumerate(columns, start=1):
        place = sheet.column_dimensions[get_column_letter(j)]
        place.width = max(_WIDTHS[column.kind], *(len(w) + 1 for w in column.heading.split()))
        place.hidden = column.kind == "mark"
        head = _write(sheet, 1, j, column.heading, bold=True)
        head.fill, head.border = given, box
        for i, row in enumerate(rows, start=2):
            cell = _write(sheet, i, j, row[j - 1])
            cell.border, cell.fill = box, given if column.protected else asked
            cell.protection = Protection(locked=column.protected)
            if column.kind in ("coupon", "check", "grade", "symptom", "handled", "void", "note"):
                cell.number_format = "@"  # text: a spreadsheet would turn 1-2 into a date
    sheet.row_dimensions[1].height = 48
    _lock(sheet)
    sheet.protection.formatColumns = sheet.protection.formatRows = False  # False: stays allowed


def _lock(sheet: Worksheet) -> None:
    sheet.freeze_panes = "B2"
    sheet.protection.sheet = True


def _fill_help(sheet: Worksheet, study: Study, shown: Shown, gauged: GaugedLine | None) -> None:
    text = template_source("entry_help.txt")
    assert text is not None
    told = text.format(
        study=study.name,
        checks="\n".join(f"    {check.name.replace('_', ' ')}: {check.label}" for check in study.spec.checks),
        temperatures=_temperature_words(study, gauged),
        unit=SYMBOLS[shown.unit("degC")],
        cautions="\n".join(CAUTIONS),
        hottest=show_both(200, "degC", shown),
        fixed_wording=FIXED_WORDING,
    )
    sheet.column_dimensions["A"].width = 110
    lines = [line for line in told.splitlines() if study.asks_grades or not line.startswith("Grade:")]
    for i, line in enumerate(lines, start=1):
        _write(sheet, i, 1, line.removeprefix("# "), bold=line.startswith("# "))
    sheet.protection.sheet = True
    _fit_width(sheet)


def _fill_choices(sheet: Worksheet, columns: Sequence[EntryColumn]) -> None:
    """Symptoms with what is seen, and the hand-feel steps as numbers (text would not suit a decimal comma)."""
    heads = {"symptom": 24, "what is seen": 44, "shows first": 12, "look at first": 70, "hand-feel": 10}
    for letter, width in zip("ABCDE", heads.values(), strict=True):
        sheet.column_dimensions[letter].width = width
    rows = [tuple(heads), *((s.label, s.seen, s.when, s.first_check) for s in CATALOGUE)]
    for i, row in enumerate(rows, start=1):
        for j, text in enumerate(row, start=1):
            _write(sheet, i, j, text, bold=i == 1)
    steps = next((column.allowed for column in columns if column.kind == "hand"), ())
    for i, step in enumerate(steps, start=2):
        _write(sheet, i, 5, float(step))
    _lock(sheet)


def _add_choices(sheet: Worksheet, columns: Sequence[EntryColumn], coupons: int) -> None:
    """Drop-downs and number checks on the white cells."""
    from openpyxl.utils import get_column_letter  # noqa: PLC0415
    from openpyxl.worksheet.datavalidation import DataValidation  # noqa: PLC0415

    for j, column in enumerate(columns, start=1):
        match column.kind:
            case "check" | "grade" | "handled":
                rule = DataValidation("list", formula1=f'"{",".join(column.allowed)}"', errorStyle="stop")
                rule.error = f"Choose {' or '.join(column.allowed)}, or leave it empty."
            case "symptom":
                names = f"'{CHOICE_SHEET}'!$A$2:$A${1 + len(CATALOGUE)}"
                rule = DataValidation("list", formula1=names, errorStyle="warning")
                rule.error = "Not a name of the list. Letters of the sheet are fine, and several with ; between."
            case "hand":
                steps = f"'{CHOICE_SHEET}'!$E$2:$E${1 + len(column.allowed)}"
                rule = DataValidation("list", formula1=steps, errorStyle="stop")
                rule.error = "1 to 5 in half steps, or leave it empty."
            case "actual":
                low, high = (plain(round(_units_of(column).value(v, "degC"), 1)) for v in _MEASURED_DEGC)
                rule = DataValidation("decimal", operator="between", formula1=low, formula2=high, errorStyle="stop")
                rule.error = f"A number from {low} to {high} {SYMBOLS[column.unit]}."
            case _:
                continue
        rule.allow_blank = True
        rule.showErrorMessage = rule.showInputMessage = True
        rule.errorTitle, rule.promptTitle = "Please check", column.heading[:32]
        rule.prompt = column.hint[:255]
        letter = get_column_letter(j)
        rule.add(f"{letter}2:{letter}{1 + max(coupons, 1)}")
        sheet.add_data_validation(rule)


def _set_print(sheet: Worksheet, study: Study) -> None:
    from openpyxl.worksheet.header_footer import HeaderFooterItem, _HeaderFooterPart  # noqa: PLC0415

    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = 9  # A4; printers with Letter scale it by themselves
    _fit_width(sheet)
    sheet.print_title_rows = "1:1"
    # & starts a code in a page header or footer; doubled it is itself
    sheet.oddHeader = HeaderFooterItem(
        left=_HeaderFooterPart(study.name[:100].replace("&", "&&")), right=_HeaderFooterPart("page &P of &N")
    )
    sheet.oddFooter = HeaderFooterItem(left=_HeaderFooterPart(FOOTER[:100].replace("&", "&&")))


def _fit_width(sheet: Worksheet) -> None:
    """One page wide, as many long as it takes."""
    from openpyxl.worksheet.properties import PageSetupProperties  # noqa: PLC0415

    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
