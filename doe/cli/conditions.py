"""`doe study conditions` and `doe gauge certificate`: what is written down around coupons and gauges."""

from __future__ import annotations

from doe.acts.base import today
from doe.acts.conditions import (
    certificate_cautions,
    certificate_of,
    certificates_behind,
    conditions_of,
    keep_certificate,
    keep_conditions,
)
from doe.cli.desk import Desk, Reply, Warn, command
from doe.domain.errors import quoted
from doe.domain.spec import Conditions
from doe.words.conditions import certificate_typed, certificate_words, condition_texts
from doe.words.gauges.cautions import caution_words
from doe.words.typed import quantity


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
        told = condition_texts(found, certificates_behind(book, record.line.name).values(), desk.shown)
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
def certificate(desk: Desk, line: str, number: str = "", issuer: str = "", until: str = "") -> Reply:
    """Keep the certificate of a line's gauge, or show it; once it has expired, that is said wherever it counts."""
    with desk.open(create=False) as book:
        name = book.line(line).name
        if number or issuer or until:
            keep_certificate(book, name, certificate_typed(number, issuer, until, "--until"))
        found = certificate_of(book, name)
        cautions = caution_words(certificate_cautions(book, name, today()))
    if found is None:
        lead, then = f"No certificate for {name} is kept.", " --number NUMBER --issuer WHO --until DAY"
        following = f"doe gauge certificate {quoted(name)}{then}"
    else:
        lead = f"Certificate of the gauge of {name}: {certificate_words(found)}."
        following = f"doe gauge show {quoted(name)}"
    reply = {"line": name, "certificate": found, "cautions": cautions}
    return Reply(reply, (lead, *map(Warn, cautions)), (following,))
