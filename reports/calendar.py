"""What waits as an iCalendar file (RFC 5545), for any calendar on a phone or a computer."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from hashlib import sha256

MEDIA_TYPE = "text/calendar"
_LONGEST = 75  # octets of a line without its end (section 3.1)


@dataclass(frozen=True)
class CalendarEntry:
    """One entry: ``key`` names it, so that a later export replaces it; ``due`` is a moment or a whole day."""

    key: str
    due: datetime | date
    title: str
    text: str = ""


def calendar(entries: Iterable[CalendarEntry], *, made_at: datetime, name: str) -> str:
    """A calendar of these entries, each line folded and ended as the standard wants it.

    >>> day = CalendarEntry("a", date(2031, 3, 5), "Wash; then look")
    >>> calendar([day], made_at=datetime(2031, 3, 4, tzinfo=UTC), name="Shop").splitlines()[7:10]
    ['DTSTAMP:20310304T000000Z', 'DTSTART;VALUE=DATE:20310305', 'SUMMARY:Wash\\\\; then look']
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//first-article-tuning//what waits//EN"]
    lines += ["CALSCALE:GREGORIAN", f"X-WR-CALNAME:{_escaped(name)}"]
    for entry in entries:
        lines += ["BEGIN:VEVENT", f"UID:{sha256(entry.key.encode()).hexdigest()[:32]}@first-article-tuning"]
        lines += [f"DTSTAMP:{_moment(made_at)}", _start(entry.due), f"SUMMARY:{_escaped(entry.title)}"]
        lines += [f"DESCRIPTION:{_escaped(entry.text)}"] if entry.text else []
        lines += ["END:VEVENT"]
    return "".join(f"{_folded(line)}\r\n" for line in (*lines, "END:VCALENDAR"))


def _start(due: datetime | date) -> str:
    return f"DTSTART:{_moment(due)}" if isinstance(due, datetime) else f"DTSTART;VALUE=DATE:{due:%Y%m%d}"


def _moment(when: datetime) -> str:
    return f"{when.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def _escaped(text: str) -> str:
    """Text of a value (section 3.3.11)."""
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> str:
    """A line in pieces of at most 75 octets, no character torn apart."""
    pieces, piece, size = [], "", 0
    for sign in line:
        octets = len(sign.encode())
        if size + octets > _LONGEST:
            pieces.append(piece)
            piece, size = "", 1  # the blank that begins the next piece
        piece, size = piece + sign, size + octets
    return "\r\n ".join([*pieces, piece])
