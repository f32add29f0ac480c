"""What waits, as a calendar that any phone or computer takes in."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from doe.domain.standing import Waits
from doe.words.cautions import FOOTER
from doe.words.facts import texts_of
from doe.words.waiting import what_words
from reports.calendar import CalendarEntry, calendar


def waiting_calendar(found: Sequence[Waits], *, made_at: datetime, on: date) -> str:
    """The calendar of everything that waits; what has no day stands on the day ``on``.

    An entry keeps its name from one export to the next while the same thing waits, so that a calendar replaces it.
    """
    entries = (
        CalendarEntry(
            f"{w.kind}/{w.study}/{w.name}/{w.check}{w.machine}/{w.day if w.check else ''}",
            w.due or on,
            what_words(w, "calendar"),
            "\n".join(part for part in (what_words(w), ", ".join(w.coupons), FOOTER) if part),
        )
        for w in found
    )
    return calendar(entries, made_at=made_at, name=texts_of("waiting", "said")["name"])
