"""The map of a platen or an oven as one printable page: what each place gives, and where to lay a coupon."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from doe.assure.gauges.platen import PlatenMap, place_name
from doe.assure.gauges.summary import MachineMap
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, rounded, show_both
from doe.words.gauges.cautions import caution_words, days_read, map_words, settings_words
from doe.words.gauges.dials import whole_both
from doe.words.wording import count, date_and_time
from reports.drawing.palette import OVER, OVER_BANDS, PAPER, RULE, SOFT, UNDER, UNDER_BANDS
from reports.drawing.plot import Plot
from reports.sheet.page import Pair
from reports.views import Column, PageTable, Picture, heads

_COLD, _HOT = UNDER_BANDS[3], OVER_BANDS[3]
_ROOMY = 6
"""Up to so many columns a place of the picture has room for its temperature."""


@dataclass(frozen=True)
class PlatenPage:
    """What the page of a map shows.

    ``page_title`` of the window; ``headline``; ``facts`` what was read and when; ``picture``; ``table`` the same in
    figures; ``sentences`` what the map means; ``left_out`` readings that could not be trusted.
    """

    page_title: str
    headline: str
    facts: tuple[Pair, ...]
    picture: Picture
    table: PageTable
    sentences: tuple[str, ...]
    left_out: tuple[str, ...]


def platen_view(made: MachineMap, *, made_at: datetime, shown: Shown = METRIC) -> PlatenPage:
    """View-model of the page of a map; temperatures stand in both units, the reader's first."""
    found, machine = made.found, made.machine
    facts = [
        Pair("line", made.line),
        Pair(machine, made.name),
        *([Pair("platen", made.platen)] if made.platen else []),
        Pair("set to", settings_words(made.set_degc, shown)),
        Pair("read", days_read(made.first, made.last)),
        Pair("places read", f"{found.places} of {found.passes.size}"),
        Pair("readings", str(int(found.passes.sum()))),
        *([Pair("not on the map", count(made.elsewhere, "other reading"))] if made.elsewhere else []),
        Pair("page made", date_and_time(made_at)),
    ]
    at = made.set_degc[0] if len(made.set_degc) == 1 else None
    return PlatenPage(
        page_title=f"Map of the {machine} of {made.line}",
        headline=_headline(found, machine),
        facts=tuple(facts),
        picture=_picture(found, machine, at, shown),
        table=_table(found, at, shown),
        sentences=map_words(found, shown),
        left_out=caution_words(made.left_out),
    )


def _headline(found: PlatenMap, machine: str) -> str:
    """The finding in a few words."""
    if not found.cold and not found.hot:
        return f"The {machine} is even where it was read" if found.is_even else f"The readings of the {machine} scatter"
    parts = [f"{kind} at {', '.join(names)}" for kind, names in (("cold", found.cold), ("hot", found.hot)) if names]
    return f"The {machine} is {' and '.join(parts)}"


def _table(found: PlatenMap, at: float | None, shown: Shown) -> PageTable:
    units = (shown, shown.other)
    shape = found.passes.shape
    rows = []
    for r, c in np.argwhere(found.passes):
        off = float(found.deviation_delta_degc[r, c])
        surface = [show_both(rounded(at + off, 1), "degC", shown)] if at is not None else []
        name = place_name(int(r), int(c), (shape[0], shape[1]))
        verdict = "cold" if name in found.cold else "hot" if name in found.hot else "alike"
        rows.append(
            (
                name,
                *(fixed(u.delta(off, "degC"), 1, "+") for u in units),
                *surface,
                str(int(found.passes[r, c])),
                verdict,
            )
        )
    columns = (
        Column("place", False),
        *(Column(f"surface minus set, {SYMBOLS[u.temperature]}", True) for u in units),
        *([Column("surface", True)] if at is not None else []),
        *heads("readings: | "),
    )
    return PageTable("Mean of each place that was read", columns, tuple(rows))


def _picture(found: PlatenMap, machine: str, at: float | None, shown: Shown) -> Picture:
    values = found.deviation_delta_degc
    rows, columns = values.shape
    unit = SYMBOLS[shown.temperature]
    title = f"The {machine} from above: surface minus set value, {unit}"
    said = []
    roomy = columns <= _ROOMY
    plot = Plot("platen", "platen", height=(84 if roomy else 44) * rows)
    for row in range(rows):
        for column in range(columns):
            value = float(values[row, column])
            name = place_name(row, column, (rows, columns))
            box = (column / columns, (column + 1) / columns, 1 - (row + 1) / rows, 1 - row / rows)
            _place(plot, box, value, name, found, at if roomy else None, shown)
            if not np.isnan(value):
                said.append(f"{name} {fixed(shown.delta(value, 'degC'), 1, '+')}{_word(name, found)}")
    plot.text(0.5, 1, "back", dy=-8)
    plot.text(0.5, 0, "front, operator", dy=18)
    svg = plot.svg(title=title, description="; ".join(said) + ".")
    caption = "Grey: not read." if (found.passes == 0).any() else ""
    if found.cold or found.hot:
        caption = f"Thick frame: clearly colder (▼) or hotter (▲) than the mean of the places. {caption}".strip()
    return Picture(svg, title, caption)


def _word(name: str, found: PlatenMap) -> str:
    return " (cold)" if name in found.cold else " (hot)" if name in found.hot else ""


def _place(
    plot: Plot,
    box: tuple[float, float, float, float],
    value: float,
    name: str,
    found: PlatenMap,
    at: float | None,
    shown: Shown,
) -> None:
    """One place: its difference, its temperature where there is room, and a mark when it is cold or hot."""
    x, y = (box[0] + box[1]) / 2, (box[2] + box[3]) / 2
    roomy = found.passes.shape[1] <= _ROOMY
    if np.isnan(value):
        plot.box(*box, fill=RULE, stroke=SOFT, stroke_width=1)
        if roomy:
            plot.text(x, y, "not read", look="small")
        return
    mark, edge, face = "", SOFT, PAPER
    if name in found.cold:
        mark, edge, face = "▼ cold", UNDER, _COLD
    elif name in found.hot:
        mark, edge, face = "▲ hot", OVER, _HOT
    plot.box(*box, fill=face, stroke=SOFT, stroke_width=1)
    if mark:
        inset_x, inset_y = 0.02 * (box[1] - box[0]), 0.03 * (box[3] - box[2])
        inner = (box[0] + inset_x, box[1] - inset_x, box[2] + inset_y, box[3] - inset_y)
        plot.box(*inner, fill="none", stroke=edge, stroke_width=3)
    number = fixed(shown.delta(value, "degC"), 1, "+").replace("-", "−")
    if not roomy:
        plot.text(x, y, f"{mark[:1]}{number}", look="small")
        return
    plot.text(x, y, number, dy=-4 if at is not None or mark else 4, look="strong")
    if at is not None:
        plot.text(x, y, whole_both(at + value, shown), dy=12, look="soft spare")
    if mark:
        plot.text(x, y, mark, dy=28, look="small")
