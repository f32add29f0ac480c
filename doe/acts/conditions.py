"""Conditions of a study and certificates of gauges: kept as notes of the book, sealed and never changed."""

from __future__ import annotations

from datetime import date

from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.finding import Finding
from doe.domain.gauge import MACHINE_KINDS, Certificate
from doe.domain.jsonable import jsonable
from doe.domain.serial import from_plain
from doe.domain.spec import Conditions

CONDITIONS, CERTIFICATE = "conditions", "gauge certificate"
"""Topics of notes; the names of the one are those of studies, of the other those of lines."""


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


def keep_certificate(book: Book, line: str, found: Certificate) -> None:
    """Keep the certificate of a line's gauge; the one before stays in the book."""
    name = book.line(line).name
    if found != certificate_of(book, name):
        book.save_note(CERTIFICATE, name, jsonable(vars(found)))


def certificate_of(book: Book, line: str) -> Certificate | None:
    """The last certificate of a line's gauge, whichever line it was kept with: a gauge of one name is one gauge."""
    own = book.line(line)
    names = [x.name for x in book.lines() if own.gauge and x.gauge == own.gauge] or [own.name]
    notes = (note for name in names for note in book.notes(CERTIFICATE, name))
    last = max(notes, key=lambda note: note.id, default=None)
    return None if last is None else from_plain(Certificate, last.data)


def certificates_behind(book: Book, line: str) -> dict[str, Certificate]:
    """Certificates that count for a line, by the line each is kept with: whose gauge its machines were read with."""
    found = {name: certificate_of(book, name) for name in (book.read_with(line, kind) for kind in MACHINE_KINDS)}
    once: dict[str, Certificate] = {}
    for name, each in found.items():
        if each is not None and each not in once.values():  # a gauge that both machines are read with says it once
            once[name] = each
    return once


def valid_certificates(book: Book, line: str, on: date) -> dict[str, Certificate]:
    """Certificates behind a line and its own gauge that have not expired; an expired one is a caution."""
    own = certificate_of(book, line)
    found = certificates_behind(book, line)
    if own is not None and own not in found.values():
        found[book.line(line).name] = own
    return {name: each for name, each in found.items() if on <= each.valid_until}


def certificate_cautions(book: Book, line: str, on: date) -> tuple[Finding, ...]:
    """That a certificate behind the readings of a line has expired, where one has."""
    return tuple(
        Finding("certificate expired", {"number": each.number, "line": name, "until": each.valid_until.isoformat()})
        for name, each in certificates_behind(book, line).items()
        if on > each.valid_until
    )
