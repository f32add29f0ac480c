"""Conditions of a study and certificates of gauges: kept as notes of the book, sealed and never changed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from doe.book.book import Book
from doe.book.gauges import OF_GAUGE, OF_LINE
from doe.book.records import StudyRecord
from doe.domain.finding import Finding
from doe.domain.gauge import MACHINE_KINDS, Certificate, Gauge
from doe.domain.jsonable import jsonable
from doe.domain.serial import from_plain
from doe.domain.spec import Conditions
from doe.words.conditions import gauge_called

CONDITIONS = "conditions"
"""Topic of notes; their names are those of studies."""


def keep_conditions(book: Book, record: StudyRecord, found: Conditions) -> None:
    """Keep how coupons are washed and the room; what was kept before stays in the book."""
    if found != conditions_of(book, record):
        data = {**vars(found), "study_made": record.made_at.isoformat()}
        book.save_note(CONDITIONS, record.first_name, data)


def conditions_of(book: Book, record: StudyRecord) -> Conditions:
    """The last that were kept of a study; empty ones where none were."""
    mine = (n for n in book.notes(CONDITIONS, record.first_name) if n.data["study_made"] == record.made_at.isoformat())
    last = max(mine, key=lambda note: note.id, default=None)
    return Conditions() if last is None else from_plain(Conditions, last.data)


def gauge_of(book: Book, line: str) -> Gauge:
    """The gauge that a line is measured with."""
    own = book.line(line)
    found = (gauge for gauge in book.gauges() if own.name in gauge.lines)
    return next(found, Gauge(own.gauge, (own.name,), own.gauge_u_degc))


def gauge_meant(book: Book, name: str) -> Gauge:
    """The gauge of that name, or that of the line of that name."""
    squeezed = name.strip().casefold()
    if any(line.name.casefold() == squeezed for line in book.lines()):
        return gauge_of(book, name)
    found = (gauge for gauge in book.gauges() if gauge.name and gauge.name.strip().casefold() == squeezed)
    return next(found, None) or gauge_of(book, name)


def keep_certificate(book: Book, gauge: Gauge, found: Certificate) -> None:
    """Keep the certificate of a gauge; the one before stays in the book."""
    if found != gauge.certificate:
        topic, name = (OF_GAUGE, gauge.name) if gauge.name.strip() else (OF_LINE, gauge.lines[0])
        book.save_note(topic, name, jsonable(vars(found)))


def gauges_behind(book: Book, line: str) -> tuple[Gauge, ...]:
    """Gauges that the machines of a line were read with, of which there is a certificate."""
    read = (gauge_of(book, book.read_with(line, kind)) for kind in MACHINE_KINDS)
    return tuple(gauge for gauge in dict.fromkeys(read) if gauge.certificate is not None)


def certified_gauges(book: Book, line: str, on: date) -> tuple[Gauge, ...]:
    """Gauges behind a line, and its own, whose certificate has not expired; an expired one is a caution."""
    found = dict.fromkeys((*gauges_behind(book, line), gauge_of(book, line)))
    return tuple(gauge for gauge in found if (last := gauge.certificate) is not None and on <= last.valid_until)


def certificates(gauges: Iterable[Gauge]) -> dict[str, Certificate]:
    """The last certificate of each gauge, by its name or that of its line."""
    return {g.name or g.lines[0]: g.certificate for g in gauges if g.certificate is not None}


def certificate_cautions(book: Book, line: str, on: date) -> tuple[Finding, ...]:
    """That the certificate of a gauge behind the readings of a line has expired, where one has."""
    return tuple(
        Finding(
            "certificate expired",
            {"number": last.number, "gauge": gauge_called(gauge), "until": last.valid_until.isoformat()},
        )
        for gauge in gauges_behind(book, line)
        if (last := gauge.certificate) is not None and on > last.valid_until
    )
