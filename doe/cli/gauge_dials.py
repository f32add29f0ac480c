"""What to dial in, as commands that plan or recommend show it, and for ``--json``."""

from __future__ import annotations

from collections.abc import Sequence

from doe.assure.gauges.line import GaugedLine
from doe.cli.desk import Block, Table, Warn
from doe.domain.jsonable import named
from doe.words.gauges.dials import DialSetting
from doe.words.wording import day


def dial_blocks(dials: Sequence[DialSetting], cautions: Sequence[str], gauged: GaugedLine) -> list[Block]:
    """What to dial in for surface temperatures, where readings tell it, and what to be careful about."""
    said: list[Block] = []
    checked = [d for d in dials if d.is_checked]
    if checked:
        rows = [(d.name, d.surface, d.dial, d.plus_minus) for d in dict.fromkeys(checked)]
        said += [
            f"\nTemperatures are those of the surface. To dial in on {gauged.line.name}, by its gauge readings up to "
            f"{day(gauged.on)}:",
            Table(("factor", "surface", "dial in", "±"), rows),
        ]
    return [*said, *(Warn(text) for text in cautions)]


def dial_data(dials: Sequence[DialSetting]) -> list[dict[str, object]]:
    """Dial settings for ``--json``."""
    return [
        {"factor": d.name, **named(d, "machine", "surface_degc", "dial_degc", "u_delta_degc", "is_checked")}
        for d in dials
    ]
