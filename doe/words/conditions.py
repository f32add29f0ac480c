"""How coupons were washed, the room, and the certificate of a gauge, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime

from doe.domain.errors import InputError, quoted
from doe.domain.gauge import Certificate, Gauge
from doe.domain.recipe import GAUGE_CERTIFICATE, ROOM, WASH
from doe.domain.spec import Conditions
from doe.domain.stack import MachineUse
from doe.domain.units import METRIC, Shown, show_both, show_difference
from doe.words.wording import count, date_and_time, day, listing, verb


def wash_words(found: Conditions, shown: Shown = METRIC) -> str:
    """How coupons are washed; empty where nothing was said.

    >>> wash_words(Conditions(40.0, "normal", "on a line", standard="ISO 6330, 4N"))
    '40 °C (104 °F), normal; dried on a line; by ISO 6330, 4N'
    """
    at = "" if found.wash_degc is None else show_both(found.wash_degc, "degC", shown)
    parts = (
        ", ".join(filter(None, (at, found.programme))),
        found.drying and f"dried {found.drying}",
        found.detergent and f"with {found.detergent}",
        found.standard and f"by {found.standard}",
    )
    return "; ".join(filter(None, parts))


def since_words(when: datetime) -> str:
    """Since when a machine stands there: the day alone where it counts from its first minute."""
    here = when.astimezone()
    return day(when) if (here.hour, here.minute, here.second) == (0, 0, 0) else date_and_time(when)


def machine_cells(use: MachineUse, readings: int, newest: date | None) -> tuple[str, ...]:
    """A machine in a list: its name and kind, the lines made of it, since when it stands there, its readings."""
    since = use.machine.since
    there, last = ("" if since is None else since_words(since)), ("" if newest is None else day(newest))
    return use.machine.name, use.kind, listing(use.lines) or "no line", there, str(readings), last


def machine_told(name: str, kind: str, lines: Sequence[str], since: datetime | None) -> tuple[str, ...]:
    """Which lines a machine is part of, and since when it stands there."""
    there = "" if since is None else f", there since {since_words(since)}"
    return (f"The {kind} {name} is part of {listing(lines) or 'no line'}{there}.",)


def moved_told(kind: str, name: str, line: str, left: Sequence[str]) -> tuple[str, ...]:
    """What became of a machine that was put on another line, and of the lines that it left."""
    said = (
        f"The {kind} {name} stands on {line} now, and what was read of it counts there.",
        f"Recipes of {listing((line, *left))} that were made with another {kind} are in doubt until gauge readings and "
        "coupons show that they hold.",
    )
    if not left:
        return said
    return (
        *said,
        f"Nothing is known of the {kind} that stands on {listing(left)} now: say what it is with doe line add, or move "
        "one there.",
    )


def later_than(when: datetime) -> str:
    """What is allowed where a machine would stand somewhere before the last one came."""
    return f"later than {date_and_time(when)}, when a machine was put there last"


def former_name(name: str, number: int) -> str:
    """What a machine is called that was put by while another one has its name."""
    return f"{name}, former {number}"


def put_by_words(kind: str, name: str) -> str:
    """What became of a machine of a line that is made of another one now."""
    return f"The {kind} {name} is on no line now and keeps what was read of it: doe line machines {quoted(name)}."


def platen_lines(platens: Mapping[str, int]) -> tuple[str, ...]:
    """At how many places each platen of a press was read."""
    return tuple(f"Platen {name}: read at {count(places, 'place')}." for name, places in platens.items())


def former_told(kind: str, readings: int) -> tuple[str, ...]:
    """What is kept of a machine that stood there before."""
    said = f"{count(readings, 'reading')} of the {kind} that stood there before {verb(readings, 'stays', 'stay')} kept"
    return (f"{said} and {verb(readings, 'does', 'do')} not count.",) if readings else ()


def certificate_words(found: Certificate | None) -> str:
    """A certificate with its last day; empty without one."""
    return "" if found is None else f"number {found.number}, by {found.issuer}, valid until {day(found.valid_until)}"


def gauge_called(gauge: Gauge) -> str:
    """What a gauge is called; one without a name by its line."""
    return f"the gauge {gauge.name}" if gauge.name.strip() else f"the gauge of {listing(gauge.lines)}"


def certificate_lines(gauges: Iterable[Gauge]) -> tuple[str, ...]:
    """The certificates of some gauges, a sentence each; nothing of those without one."""
    return tuple(
        f"Certificate of {gauge_called(gauge)}: {certificate_words(gauge.certificate)}."
        for gauge in gauges
        if gauge.certificate is not None
    )


def gauge_cells(gauge: Gauge, shown: Shown = METRIC) -> tuple[str, ...]:
    """A gauge in a list: its name, how sure it is, the lines that use it, its certificate and the last day of that."""
    sure = "" if gauge.u_degc is None else show_difference(gauge.u_degc, shown)
    last = gauge.certificate
    number, until = ("none", "") if last is None else (last.number, day(last.valid_until))
    return gauge.name.strip() or "no name", sure, listing(gauge.lines) or "no line", number, until


def gauge_used(gauge: Gauge) -> tuple[str, ...]:
    """Where a gauge is used, where that is on more lines than one or on none."""
    if len(gauge.lines) == 1:
        return ()
    return (f"It is used on {listing(gauge.lines) or 'no line'}.",)


def expired_words(gauge: Gauge, last: Certificate) -> str:
    """That the certificate of a gauge is over, and for which lines."""
    on = f" on {listing(gauge.lines)}" if gauge.lines else ""
    return f"Out of date: {gauge_called(gauge)}{on}, certificate {last.number} was valid until {day(last.valid_until)}."


def condition_texts(found: Conditions, gauges: Iterable[Gauge], shown: Shown = METRIC) -> Mapping[str, str]:
    """What was written down, by the names under which a recipe's record keeps it; only what was said."""
    said = {
        WASH: wash_words(found, shown),
        ROOM: found.room,
        GAUGE_CERTIFICATE: "; ".join(certificate_words(gauge.certificate) for gauge in gauges),
    }
    return {name: text for name, text in said.items() if text}


def certificate_typed(number: str, issuer: str, until: str, where: str) -> Certificate:
    """A certificate as it was typed.

    Raises
    ------
    InputError
        If a part is missing, or the day is none.
    """
    try:
        last = date.fromisoformat(until.strip())
    except ValueError as error:
        raise InputError(where, repr(until), "a day such as 2031-03-05", "Read it off the certificate.") from error
    return Certificate(number.strip(), issuer.strip(), last)
