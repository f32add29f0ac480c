"""`doe study conditions` and `doe gauge certificate`: what is written down around coupons and gauges."""

from __future__ import annotations

from doe.acts.base import today
from doe.acts.conditions import (
    certificate_cautions,
    conditions_of,
    gauge_meant,
    gauges_behind,
    keep_certificate,
    keep_conditions,
)
from doe.cli.desk import Desk, Reply, Table, Warn, command
from doe.domain.errors import InputError, quoted
from doe.domain.spec import Conditions
from doe.words.conditions import (
    certificate_typed,
    certificate_words,
    condition_texts,
    expired_words,
    gauge_called,
    gauge_cells,
    gauge_used,
)
from doe.words.gauges.cautions import caution_words
from doe.words.typed import quantity
from doe.words.wording import count


@command("study conditions")
def conditions(
    desk: Desk,
    study: str,
    wash: str = "",
    programme: str = "",
    drying: str = "",
    detergent: str = "",
    standard: str = "",
    room: str = "",
) -> Reply:
    """Write down how coupons are washed and the room they are made in, or show it."""
    given = {"programme": programme, "drying": drying, "detergent": detergent, "standard": standard, "room": room}
    said = {name: text.strip() for name, text in given.items() if text.strip()}
    with desk.open(create=False) as book:
        record = book.study(study)
        before = conditions_of(book, record)
        at = quantity(wash, "degC", "--wash", desk.shown) if wash else before.wash_degc
        found = Conditions(at, **{name: said.get(name, getattr(before, name)) for name in given})
        if said or wash:
            keep_conditions(book, record, found)
        told = condition_texts(found, gauges_behind(book, record.line.name), desk.shown)
    lines = [f"{name}: {text}." for name, text in told.items()]
    return Reply(
        {"study": record.name, "conditions": found, "said": told},
        (f"Conditions of {record.name}:" if lines else f"No conditions of {record.name} are written down.", *lines),
        (
            f"doe study show {quoted(record.name)}"
            if lines
            else f'doe study conditions {quoted(record.name)} --wash 40C --drying "on a line" --room "21 degC, 45 %"',
        ),
    )


@command("gauge certificate")
def certificate(desk: Desk, line: str | None = None, number: str = "", issuer: str = "", until: str = "") -> Reply:
    """Keep the certificate of a gauge, or show it; without a name every gauge, where it is used and until when."""
    if line is None:
        if number or issuer or until:
            raise InputError("gauge", "none named", "a gauge, or the line it is used on", "Name it.")
        return _every_gauge(desk)
    with desk.open(create=False) as book:
        gauge = gauge_meant(book, line)
        if number or issuer or until:
            keep_certificate(book, gauge, certificate_typed(number, issuer, until, "--until"))
            gauge = gauge_meant(book, line)
        cautions = [text for on in gauge.lines for text in caution_words(certificate_cautions(book, on, today()))]
    where, found = gauge.name or gauge.lines[0], gauge.certificate
    called = gauge_called(gauge)
    if found is None:
        lead, then = f"No certificate of {called} is kept.", " --number NUMBER --issuer WHO --until DAY"
        following = f"doe gauge certificate {quoted(where)}{then}"
    else:
        lead = f"Certificate of {called}: {certificate_words(found)}."
        following = f"doe gauge show {quoted(gauge.lines[0])}" if gauge.lines else "doe gauge certificate"
    used = gauge_used(gauge)
    cautions = list(dict.fromkeys(cautions))
    reply = {"line": line, "gauge": gauge, "certificate": found, "cautions": cautions}
    return Reply(reply, (lead, *used, *map(Warn, cautions)), (following,))


def _every_gauge(desk: Desk) -> Reply:
    with desk.look() as book:
        gauges = book.gauges()
    if not gauges:
        return Reply({"gauges": []}, ("No line names a gauge yet.",), ("doe line add --help",))
    rows = [gauge_cells(gauge, desk.shown) for gauge in gauges]
    expired = [expired_words(g, last) for g in gauges if (last := g.certificate) and today() > last.valid_until]
    first = gauges[0].name or gauges[0].lines[0]
    return Reply(
        {"gauges": gauges},
        (
            f"{count(len(gauges), 'gauge')}.",
            Table(("gauge", "uncertainty", "of", "certificate", "last day"), rows, is_list=True),
            *map(Warn, expired),
        ),
        (f"doe gauge certificate {quoted(first)}",),
    )
