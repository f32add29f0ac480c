"""The map of a platen or an oven as a file, from the gauge readings of its line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from doe.assure.gauges.summary import MachineMap
from doe.domain.units import METRIC, Shown
from doe.words.dates import local
from reports.files import write_whole
from reports.gauges.map import platen_view
from reports.pages import render


def write_map(made: MachineMap, output: Path, *, shown: Shown = METRIC) -> Path:
    """Write a map as a page that prints.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    page = platen_view(made, made_at=local(datetime.now(UTC)), shown=shown)
    return write_whole(output, render("platen.html", page))
