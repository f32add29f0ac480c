"""What to dial in, as commands that plan or recommend show it, and for ``--json``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from doe.assure.gauges.line import GaugedLine
from doe.cli.desk import Block, Table, Warn
from doe.domain.jsonable import named
from doe.domain.study import Study
from doe.words.gauges.cautions import in_short
from doe.words.gauges.dials import Dialled, DialSetting
from doe.words.wording import day

if TYPE_CHECKING:
    import pandas as pd


def dial_blocks(dials: Sequence[DialSetting], cautions: Sequence[str], gauged: GaugedLine) -> list[Block]:
    """What to dial in for surface temperatures with its limits, where readings tell it, and every caution in full."""
    said: list[Block] = []
    checked = [d for d in dials if d.is_checked]
    if checked:
        rows = [(d.name, d.dial, d.surface, d.plus_minus) for d in dict.fromkeys(checked)]
        said += [
            f"\nTo dial in on {gauged.line.name}, by its gauge readings up to {day(gauged.on)} (±: 95 % limits):",
            Table(("factor", "dial", "surface", "±"), rows),
        ]
    return [*said, *(Warn(text) for text in cautions)]


def caution_lines(cautions: Sequence[str]) -> list[Block]:
    """One short line for each thing that gauges leave open; what follows from it stands below, with ``--more``."""
    return [Warn(text) for text in dict.fromkeys(map(in_short, cautions))]


def dial_notes(dialled: Dialled, cautions: Sequence[str] = ()) -> list[Block]:
    """What the dial values of a table rest on, which are not checked, and what else gauges leave open, in short."""
    told: list[Block] = [dialled.note] if dialled.note else []
    if dialled.unchecked:
        told.append(Warn(dialled.unchecked))
        cautions = [text for text in cautions if not text.startswith("Display not checked")]
    return [*told, *caution_lines(cautions)]


def coupon_table(study: Study, frame: pd.DataFrame, dialled: Dialled, **others: str) -> Table:
    """Settings of coupons as they are dialled in, one row each, beside other columns of the frame with their heads.

    A coupon's name stands before its settings, everything else behind them.
    """
    first, behind = [c for c in others if c == "coupon"], [c for c in others if c != "coupon"]
    rows = [
        (
            *(str(row[c]) for c in first),
            *(dialled.amount(f, row[f.name]) for f in study.factors),
            *(str(row[c]) for c in behind),
        )
        for row in frame.to_dict("records")
    ]
    heads = (*(others[c] for c in first), *(f.name for f in study.factors), *(others[c] for c in behind))
    return Table(heads, rows, right=heads[len(first) :], is_list=True)


def dial_data(dials: Sequence[DialSetting]) -> list[dict[str, object]]:
    """Dial settings for ``--json``."""
    return [
        {"factor": d.name, **named(d, "machine", "surface_degc", "dial_degc", "u_delta_degc", "is_checked")}
        for d in dials
    ]
