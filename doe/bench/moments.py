"""Moments as people say them."""

from __future__ import annotations

from datetime import UTC, datetime

from doe.acts.base import local


def now() -> datetime:
    """This moment on the reader's clock."""
    return local(datetime.now(UTC))


def day_and_time(when: datetime, today: datetime) -> str:
    """A moment on the reader's clock: the time alone on this day, else with its day.

    >>> day_and_time(datetime(2031, 3, 4, 9, 5), datetime(2031, 3, 4, 16)), day_and_time(
    ...     datetime(2031, 3, 3, 9, 5), datetime(2031, 3, 4, 16))
    ('09:05', '3 March, 09:05')
    """
    return f"{when:%H:%M}" if when.date() == today.date() else f"{when.day} {when:%B, %H:%M}"


def said_at(at: datetime) -> str:
    """When something was stored, as it reads today."""
    return day_and_time(local(at), now())
