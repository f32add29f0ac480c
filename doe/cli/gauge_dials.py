"""What to dial in, as commands that plan or recommend show it, and for ``--json``."""

from __future__ import annotations

from collections.abc import Sequence

from doe.assure.gauges.line import GaugedLine
from doe.cli.desk import Block, Table, Warn
from doe.domain.jsonable import named
from doe.words.gauges.cautions import in_short
from doe.words.gauges.dials import DialSetting
from doe.words.wording import day


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


def caution_line(cautions: Sequence[str]) -> list[Block]:
    """One short line where gauges leave something open; what it means stands below, with ``--more``."""
    return [Warn(in_short(cautions[0]))] if cautions else []


def dial_data(dials: Sequence[DialSetting]) -> list[dict[str, object]]:
    """Dial settings for ``--json``."""
    return [
        {"factor": d.name, **named(d, "machine", "surface_degc", "dial_degc", "u_delta_degc", "is_checked")}
        for d in dials
    ]
