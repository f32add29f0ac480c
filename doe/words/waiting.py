"""What waits in words, for a list, a page and a calendar."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from doe.domain.standing import Waits, overdue
from doe.words.facts import filled, texts_of
from doe.words.wording import day


def lead_words(found: Sequence[Waits], on: date) -> str:
    """How much waits, and how much of it is late."""
    late = overdue(found, on)
    return filled(_SAID["late" if late else "lead" if found else "nothing"], many=len(found), overdue=late)


def what_words(waits: Waits, part: str = "list") -> str:
    """What is to be done."""
    coupons = len(waits.coupons)
    return filled(texts_of("waiting", part)[waits.kind], **{**vars(waits), "coupons": coupons})


def when_words(waits: Waits, on: date) -> str:
    """By when."""
    if waits.day is None:
        return _SAID["now"]
    if waits.day < on:
        return filled(_SAID["overdue"], day=day(waits.day))
    return _SAID["today"] if waits.day == on else day(waits.day)


def link_words(waits: Waits, on: date) -> str:
    """What is to be done, and by when."""
    return filled(_SAID["link"], what=what_words(waits), when=when_words(waits, on))


_SAID = texts_of("waiting", "said")
