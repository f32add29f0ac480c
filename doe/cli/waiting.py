"""`doe waiting`: what waits over the whole book, with its day, and as a calendar."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from doe.acts.base import today
from doe.acts.waiting import what_waits
from doe.cli.desk import Desk, Reply, Table, command
from doe.domain.errors import quoted
from doe.domain.jsonable import jsonable
from doe.domain.standing import Waits
from doe.words.waiting import lead_words, what_words, when_words
from reports.files import refuse_folder, write_whole
from reports.waiting import waiting_calendar


@command("waiting")
def waiting(desk: Desk, ics: Path | None = None) -> Reply:
    """List what waits over all studies, lines and recipes: washes, looks, gauges, reviews, doubts, coupons."""
    if ics is not None:
        refuse_folder(ics, "waiting.ics")
    with desk.look() as book:
        found = what_waits(book)
    on = today()
    if ics is not None:
        write_whole(ics, waiting_calendar(found, made_at=datetime.now(UTC), on=on))
    rows = [(when_words(w, on), what_words(w), w.name) for w in found]
    table = (Table(("when", "what", "of"), rows, is_list=True),) if rows else ()
    following = [] if ics is None else [f"open {ics} in a calendar"]
    following += [_command(found[0])] if found else ["doe study list"]
    return Reply(
        {"waiting": [{**jsonable(w), "day": jsonable(w.day)} for w in found], "calendar": ics},
        (lead_words(found, on), *table),
        following if ics is not None or not found else (*following, "doe waiting --ics waiting.ics"),
    )


def _command(first: Waits) -> str:
    name = quoted(first.name)
    commands = {
        "wash": f"doe record {name} --washes",
        "look": f"doe record {name} --washes",
        "gauge": f"doe gauge show {name}",
        "certificate": f"doe gauge certificate {name}",
        "review": f"doe recipe show {name}",
        "doubt": f"doe recipe show {name}",
        "case": f"doe diagnose --close {first.check} --coupon passed",
        "coupons": f"doe study show {name}",
    }
    return commands[first.kind]
