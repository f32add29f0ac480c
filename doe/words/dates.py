"""Days and times as they are written, always on the reader's clock."""

from __future__ import annotations

import datetime
from typing import TypeVar

Day = TypeVar("Day", bound=datetime.date)


def local(when: datetime.datetime) -> datetime.datetime:
    """A stored time on the reader's clock."""
    return when.astimezone()


def day(when: datetime.date) -> str:
    """A day; that of a stored time is the reader's, so that an act reads the same everywhere.

    >>> day(datetime.date(2031, 3, 4)), day(datetime.datetime(2031, 3, 4, 15, 7))
    ('2031-03-04', '2031-03-04')
    """
    return f"{_here(when):%Y-%m-%d}"


def minute(when: datetime.datetime) -> str:
    """A day with its time, for tables.

    >>> minute(datetime.datetime(2031, 3, 4, 15, 7))
    '2031-03-04 15:07'
    """
    return f"{_here(when):%Y-%m-%d %H:%M}"


def date_and_time(when: datetime.datetime) -> str:
    """Date and time that no reader takes for another.

    >>> date_and_time(datetime.datetime(2031, 3, 4, 15, 7))
    '4 March 2031, 15:07'
    """
    here = _here(when)
    return f"{here.day} {here:%B %Y, %H:%M}"


def day_and_time(when: datetime.datetime, today: datetime.datetime) -> str:
    """A moment as people say it: the time alone on this day, else with its day.

    >>> day_and_time(datetime.datetime(2031, 3, 4, 9, 5), datetime.datetime(2031, 3, 4, 16))
    '09:05'
    >>> day_and_time(datetime.datetime(2031, 3, 3, 9, 5), datetime.datetime(2031, 3, 4, 16))
    '3 March, 09:05'
    """
    here, now = _here(when), _here(today)
    return f"{here:%H:%M}" if here.date() == now.date() else f"{here.day} {here:%B, %H:%M}"


def _here(when: Day) -> Day:
    """A time with a zone on the reader's clock; a day, or a time without a zone, as it is."""
    return when.astimezone() if isinstance(when, datetime.datetime) and when.tzinfo is not None else when
