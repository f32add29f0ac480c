"""Gauges of the shop, each kept once: how sure they are and their certificates, whichever lines name them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import sqlalchemy as sa

from doe.book.store import standing
from doe.book.tables import as_text, lines, shop_notes
from doe.domain.gauge import Certificate, Gauge
from doe.domain.serial import from_plain
from doe.domain.stack import Line

OF_GAUGE, OF_LINE = "certificate of a gauge", "gauge certificate"
"""Topics of the notes of certificates: of a gauge by its name, and of one without a name by the line it is used on.

Older books have every certificate under the second, by the line that named the gauge then.
"""


def sized(connection: sa.Connection, line: Line) -> Line:
    """The line with what is known of its gauge: what was said last, on whichever line that was."""
    if not line.gauge:
        return line
    said = sa.select(lines.c.data).where(as_text(lines.c.data).contains('"gauge_u_degc"')).order_by(lines.c.id.desc())
    rows = connection.scalars(said)
    last = next((data["gauge_u_degc"] for data in rows if _same(data["gauge"], line.gauge)), None)
    return line if last is None else replace(line, gauge_u_degc=last)


def _same(one: str, other: str) -> bool:
    return one.strip().casefold() == other.strip().casefold()


def gauges_in(connection: sa.Connection, known: Sequence[Line]) -> tuple[Gauge, ...]:
    """Every gauge that lines name or that has a certificate, by name; those without a name last, by line."""
    named = {line.gauge.strip().casefold(): line.gauge for line in reversed(known) if line.gauge.strip()}
    kept: dict[tuple[str, str], list[Certificate]] = {}  # by the gauge's name, or by its line where it has none
    now = {line.name: line.gauge for line in known}
    notes = standing(shop_notes).where(shop_notes.c.topic.in_((OF_GAUGE, OF_LINE)))
    for note in connection.execute(notes):
        if note.withdrawn:
            continue
        name = note.name
        if note.topic == OF_LINE:
            name = _named_then(connection, note.name, note.act_id) or now.get(note.name, "")
        key = (name.strip().casefold(), "" if name else note.name)
        named.setdefault(key[0], name)
        kept.setdefault(key, []).append(from_plain(Certificate, note.data))
    found = []
    for squeezed, name in sorted(named.items()):
        if squeezed:
            on = [line for line in known if _same(line.gauge, name)]
            u = on[0].gauge_u_degc if on else sized(connection, Line("", gauge=name)).gauge_u_degc
            found.append(Gauge(name, tuple(line.name for line in on), u, tuple(kept.get((squeezed, ""), ()))))
    for line in known:
        certificates = tuple(kept.get(("", line.name), ()))
        if not line.gauge.strip() and (certificates or line.gauge_u_degc is not None):
            found.append(Gauge("", (line.name,), line.gauge_u_degc, certificates))
    return tuple(found)


def _named_then(connection: sa.Connection, line: str, act: int) -> str:
    """The gauge that a line named when something was kept under it."""
    rows = sa.select(lines.c.data).where(lines.c.name == line, lines.c.act_id < act).order_by(lines.c.id.desc())
    data = connection.scalars(rows.limit(1)).one_or_none()
    return "" if data is None else str(data["gauge"])
