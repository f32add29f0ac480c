"""Lines in the browser: what their gauge readings say, a new reading taken in, a mistaken one taken back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import cast
from urllib.parse import quote

from starlette.responses import Response

from doe.acts.base import today
from doe.acts.conditions import certificate_cautions, certified_gauges, gauge_of, keep_certificate
from doe.acts.gauges.line import gauged_line, keep_readings
from doe.acts.gauges.machines import another, began, keep_with, machine_records, machines, move, rename, shared
from doe.bench.views import Link
from doe.bench.web import Visit, page
from doe.book.book import Book
from doe.book.records import KeptReading
from doe.book.store import refuse_without_why
from doe.domain.errors import InputError
from doe.domain.gauge import MACHINE_KINDS, GaugeReading, MachineKind
from doe.domain.stack import Line, MachineUse, machines_of
from doe.domain.units import SYMBOLS, Shown
from doe.office.steps import by_field, lines_of, told, with_problems
from doe.office.views import AskPage, Field, Form, Option, SmallTable
from doe.words.conditions import (
    certificate_lines,
    certificate_typed,
    expired_words,
    gauge_cells,
    gauge_used,
    machine_cells,
    since_words,
)
from doe.words.gauges.cautions import caution_words, status_words
from doe.words.typed import quantity
from doe.words.wording import day, listing


def lines(visit: Visit) -> Response:
    """Every line of the shop."""
    ways = tuple(
        Link(x.name, "/line/" + quote(x.name, safe=""), f"{x.oven.name}, {x.press.name}")
        for x in visit.bench.shop.look.lines()
    )
    every = SmallTable(
        told("machines_caption"),
        tuple(told("machines_heads").split(" | ")),
        tuple(machine_cells(m.use, m.counting, m.newest) for m in machine_records(visit.bench.shop.look)),
        told("machines_note"),
    )
    kept = visit.bench.shop.look.gauges()
    over = tuple(expired_words(g, last) for g in kept if (last := g.certificate) and today() > last.valid_until)
    gauges = SmallTable(
        told("gauges_caption"),
        tuple(told("gauges_heads").split(" | ")),
        tuple(gauge_cells(g, visit.bench.shop.shown) for g in kept),
        told("gauges_note"),
    )
    tables = tuple(table for table in (every, gauges) if table.rows)
    return page(
        "office_ask.html", AskPage(visit.frame(), told("lines_heading"), (told("lines_lead"), *over), (), ways, tables)
    )


def line(visit: Visit, problem: InputError | None = None) -> Response:
    """What is known of a line's displays, and a form for a new reading."""
    book, shown = visit.bench.shop.look, visit.bench.shop.shown
    found = book.line(visit.word("line"))
    gauged = gauged_line(book, found)
    said = [status_words(gauge.status, shown) for gauge in gauged.machines]
    kept = book.gauge_history(found.name)[::-1]
    shared = {kind: found.shares(kind, book.lines()) for kind in MACHINE_KINDS}
    said += [told("machine_too", machine=kind, lines=listing(others)) for kind, others in shared.items() if others]
    stands = {kind: found.machine(kind).since for kind in MACHINE_KINDS}
    said += [told("machine_since", machine=kind, day=since_words(since)) for kind, since in stands.items() if since]
    two = (
        Option("oven", found.oven.name, is_on=visit.text("machine") == "oven"),
        Option("press", found.press.name, is_on=visit.text("machine") != "oven"),
    )
    unit = "°F" if shown.temperature == "degF" else "°C"
    fields = (
        Field("machine", told("gauge_machine"), options=two),
        Field("display", told("gauge_display", unit=unit), value=visit.text("display")),
        Field(
            "measured",
            told("gauge_measured", unit=unit),
            value=visit.text("measured"),
            hint=told("gauge_measured_hint"),
        ),
        Field("platen", told("gauge_platen"), value=visit.text("platen"), hint=told("gauge_platen_hint")),
        Field("place", told("gauge_place"), value=visit.text("place"), hint=told("gauge_place_hint")),
    )
    problems = {} if problem is None else by_field(problem, _field_of)
    asked = ("platen", "display", "measured", "machine", "reading", "why", "number", "issuer", "until", *_CHANGE)
    general = tuple(each for name, error in problems.items() if name not in asked for each in lines_of(error))
    form = Form(
        told("gauge_title"),
        "/line/" + quote(found.name, safe=""),
        told("gauge_keep"),
        (told("gauge_lead"),),
        with_problems(fields, problems),
    )
    taken_back = [told("reading_withdrawn", reading=_told_of(k, shown), why=k.withdrawn) for k in kept if k.withdrawn]
    view = AskPage(
        replace(visit.frame(problems=general), about=found.name),
        found.name,
        (*said, *_of_certificates(visit, found.name), *taken_back),
        (
            form,
            _certificate(visit, found.name, problems),
            *_withdrawal(visit, found.name, kept, problems),
            _change(visit, found.name, two, problems),
        ),
        (Link(told("begin_back"), "/lines"),),
    )
    return page("office_ask.html", view, status=422 if problem else 200)


def _field_of(problem: InputError) -> str:
    """The field of the page that something wrong is typed into."""
    named = problem.where.removeprefix("certificate, ")
    return {told("certificate_until"): "until", "machine name": "new_name", "gauge reading, platen": "platen"}.get(
        named, named
    )


def _of_certificates(visit: Visit, name: str) -> tuple[str, ...]:
    """The certificates of a line's gauge and of those its shared machines are read with, or that one has expired."""
    book = visit.bench.shop.look
    return (
        *certificate_lines(certified_gauges(book, name, today())),
        *caution_words(certificate_cautions(book, name, today())),
    )


def _certificate(visit: Visit, name: str, problems: Mapping[str, InputError]) -> Form:
    fields = (
        Field("number", told("certificate_number"), value=visit.text("number")),
        Field("issuer", told("certificate_by"), value=visit.text("issuer")),
        Field("until", told("certificate_until"), value=visit.text("until"), hint=told("certificate_until_hint")),
    )
    action = "/certificate/" + quote(name, safe="")
    about = gauge_used(gauge_of(visit.bench.shop.look, name))
    return Form(
        told("certificate_title"),
        action,
        told("certificate_keep"),
        about,
        with_problems(fields, problems),
        is_quiet=True,
    )


_CHANGE = ("which", "new_kind", "new_name", "since", "new_why")
NEW, NAMED, COMES, SHARED = "new", "named", "comes", "shared"


def _change(visit: Visit, name: str, two: tuple[Option, ...], problems: Mapping[str, InputError]) -> Form:
    """The form that says that another machine stands there now, or that one is called otherwise."""
    found, chosen = [(NEW, told("machine_new")), (NAMED, told("machine_named"))], visit.text("which") or NEW
    for use in (m.use for m in machine_records(visit.bench.shop.look)):
        if use.keeper != name:
            words = f"{use.machine.name} ({use.kind}, {listing(use.lines) or told('machine_no_line')})"
            found.append((_key(COMES, use), told("machine_comes", machine=words)))
            if use.lines and name not in use.lines:
                found.append((_key(SHARED, use), told("machine_is_shared", machine=words)))
    which = tuple(Option(*each, is_on=each[0] == chosen) for each in found)
    fields = (
        Field("which", told("machine_which"), options=which, is_list=True),
        Field("new_kind", told("new_machine_instead"), options=two),
        Field("new_name", told("new_machine_name"), value=visit.text("new_name")),
        Field("since", told("new_machine_day"), value=visit.text("since"), hint=told("new_machine_day_hint")),
        Field("new_why", told("new_machine_why"), value=visit.text("new_why")),
    )
    return Form(
        told("new_machine_title"),
        "/changed-machine/" + quote(name, safe=""),
        told("new_machine_do"),
        (told("new_machine_lead"),),
        with_problems(fields, problems),
        is_quiet=True,
    )


def _key(what: str, use: MachineUse) -> str:
    return f"{what}|{use.kind}|{use.keeper}|{use.machine.name}"


def changed_machine(visit: Visit) -> Response | str:
    """Keep that another machine stands on a line: a new one, or one that is there already; or its other name."""
    name, why = visit.word("line"), visit.text("new_why")
    try:
        refuse_without_why("new_why", why, told("machine_needs_why"))
        with visit.storing() as book:
            _keep_change(visit, book, book.line(name), why)
    except InputError as error:
        return line(visit, error)
    return "/line/" + quote(name, safe="")


def _keep_change(visit: Visit, book: Book, there: Line, why: str) -> None:
    chosen, kind, name, since = (visit.text(each) for each in ("which", "new_kind", "new_name", "since"))
    what = (chosen or NEW).partition("|")[0]
    if what in (COMES, SHARED):
        use = next((u for u in machines(book) if _key(what, u) == chosen), None)
        if use is None or (what == SHARED and not use.lines):
            raise InputError("which", repr(chosen), "one of those shown", "Choose one.")
        if what == COMES:
            move(book, use, there.name, since, why, "since")
        elif since:
            raise InputError("since", repr(since), "nothing: it counts from now on", "Leave it empty.")
        else:
            made, left = shared(book, there, use.kind, use.keeper)
            keep_with(book, made, {use.kind: left}, why)
        return
    if kind not in MACHINE_KINDS:
        raise InputError("new_kind", repr(kind), "oven or press", "Choose one.")
    if what == NAMED:
        rename(book, next(u for u in machines_of(book.lines()) if u.kind == kind and there.name in u.lines), name, why)
    elif what == NEW:
        made, left = another(
            there, kind, name, began(book, there.name, kind, since, "since") if since else datetime.now(UTC)
        )
        keep_with(book, made, {kind: left}, why)
    else:
        raise InputError("which", repr(chosen), "one of those shown", "Choose one.")


def certified(visit: Visit) -> Response | str:
    """Keep the certificate of the gauge."""
    name = visit.word("line")
    try:
        number, issuer, until = (visit.text(n) for n in ("number", "issuer", "until"))
        made = certificate_typed(number, issuer, until, told("certificate_until"))
        with visit.storing() as book:
            keep_certificate(book, gauge_of(book, name), made)
    except InputError as error:
        return line(visit, error)
    return "/line/" + quote(name, safe="")


def measured(visit: Visit) -> Response | str:
    """Keep a reading."""
    shown, name = visit.bench.shop.shown, visit.word("line")
    try:
        machine = visit.text("machine")
        if machine not in ("oven", "press"):
            raise InputError("machine", repr(machine), "oven or press", "Choose one.")
        reading = GaugeReading(
            machine=cast("MachineKind", machine),
            set_degc=quantity(visit.text("display"), "degC", "display", shown),
            measured_degc=quantity(visit.text("measured"), "degC", "measured", shown),
            shown_degc=None,
            place=visit.text("place") or "centre",
            taken_at=datetime.now(UTC),
            platen=visit.text("platen").strip() or None,
        )
        with visit.storing() as book:
            keep_readings(book, name, (reading,))
    except InputError as error:
        return line(visit, error)
    return "/line/" + quote(name, safe="")


def _told_of(kept: KeptReading, shown: Shown) -> str:
    read, unit = kept.reading, SYMBOLS[shown.temperature]
    display, measured = (f"{shown.value(value, 'degC'):.4g} {unit}" for value in (read.set_degc, read.measured_degc))
    when = day(read.taken_at or kept.at)
    return told("reading_one", machine=read.machine, display=display, measured=measured, place=read.spot, day=when)


def _withdrawal(
    visit: Visit, name: str, kept: Sequence[KeptReading], problems: Mapping[str, InputError]
) -> tuple[Form, ...]:
    """The form that takes a reading back; none where no reading counts."""
    shown, chosen = visit.bench.shop.shown, visit.text("reading")
    readings = tuple(Option(str(k.id), _told_of(k, shown), is_on=str(k.id) == chosen) for k in kept if not k.withdrawn)
    if not readings:
        return ()
    which = Field("reading", told("withdraw_which"), options=readings, is_list=True)
    why = Field("why", told("withdraw_why"), value=visit.text("why"))
    action = "/withdraw-reading/" + quote(name, safe="")
    lead = (told("withdraw_lead"),)
    return (
        Form(
            told("withdraw_title"),
            action,
            told("withdraw_do"),
            lead,
            with_problems((which, why), problems),
            is_quiet=True,
        ),
    )


def withdraw(visit: Visit) -> Response | str:
    """Take a mistaken reading back, with a reason; it stays visible and counts no longer."""
    name, chosen = visit.word("line"), visit.text("reading")
    try:
        if chosen not in (str(k.id) for k in visit.bench.shop.look.gauge_history(name)):
            raise InputError("reading", repr(chosen), "one of those shown", "Choose one.")
        with visit.storing() as book:
            refuse_without_why("why", visit.text("why"), told("withdraw_needs_why"))
            book.withdraw_gauge_reading(int(chosen), visit.text("why"))
    except InputError as error:
        return line(visit, error)
    return "/line/" + quote(name, safe="")
