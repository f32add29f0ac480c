"""The map of a platen or an oven, from the gauge readings of its line."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from doe.acts.gauges.line import gauged_line
from doe.assure.gauges.platen import PlatenMap, at_one_setting, judge_map, place_of
from doe.domain.errors import InputError
from doe.domain.gauge import MACHINE_KINDS, MachineKind
from doe.domain.units import METRIC, Shown, show_both
from doe.words.dates import local
from doe.words.gauges.cautions import caution_words, days_read
from reports.files import write_whole
from reports.gauges.map import platen_page

if TYPE_CHECKING:
    from doe.book.book import Book

MOST_PLACES = 20
"""Rows, and columns, that a map may have."""


@dataclass(frozen=True)
class MachineMap:
    """A map of one machine: at which settings and on which days it was read, and what it shows.

    ``elsewhere`` counts readings in force that are not on it (another place or setting); ``left_out`` says of each
    reading that cannot be trusted why.
    """

    line: str
    machine: MachineKind
    name: str
    set_degc: tuple[float, ...]
    first: date | None
    last: date | None
    found: PlatenMap
    elsewhere: int
    left_out: tuple[str, ...]

    def settings(self, shown: Shown = METRIC) -> str:
        """At what settings it was read, in words."""
        return ", ".join(show_both(s, "degC", shown) for s in self.set_degc)

    @property
    def days(self) -> str:
        """When it was read, in words."""
        return days_read(self.first, self.last)


def map_machine(
    book: Book, line: str, machine: str, *, grid: tuple[int, int] = (3, 3), shown: Shown = METRIC
) -> MachineMap:
    """Map of a machine from the readings of its line in force; ``grid`` is rows (back to front) and columns.

    Where enough places were read at one setting, that setting alone is mapped: a display may be off by another amount
    at another.

    Raises
    ------
    InputError
        If the machine or the line is unknown, the grid cannot be one, or fewer than three of its places were read.
    """
    if machine not in MACHINE_KINDS:
        raise InputError("--machine", machine, "oven or press", "Say which machine is mapped.")
    if not all(1 <= n <= MOST_PLACES for n in grid) or grid[0] * grid[1] < 3:
        raise InputError(
            "--rows, --columns",
            f"{grid[0]} x {grid[1]}",
            f"1 to {MOST_PLACES} each, 3 places or more",
            "Count the places that were read.",
        )
    gauged = gauged_line(book, line)
    gauge = next(m for m in gauged.machines if m.machine == machine)
    placed = at_one_setting([r for r in gauge.readings if place_of(r.place, grid) is not None])
    found = judge_map(placed, grid=grid)
    days = sorted(r.taken_at.date() for r in placed if r.taken_at is not None)
    return MachineMap(
        line=gauged.line.name,
        machine=gauge.machine,
        name=gauge.name,
        set_degc=tuple(sorted({r.set_degc for r in placed})),
        first=days[0] if days else None,
        last=days[-1] if days else None,
        found=found,
        elsewhere=len(gauge.readings) - len(placed),
        left_out=caution_words(gauged.left_out),
    )


def write_map(made: MachineMap, output: Path, *, shown: Shown = METRIC) -> Path:
    """Write a map as a page that prints.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    page = platen_page(
        made.found,
        line=made.line,
        machine=made.machine,
        name=made.name,
        settings=made.set_degc,
        days=made.days,
        elsewhere=made.elsewhere,
        left_out=made.left_out,
        made_at=local(datetime.now(UTC)),
        shown=shown,
    )
    return write_whole(output, page)
