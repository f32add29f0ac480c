"""People in the browser: who scores, who may release, who only looks, and the codes they sign in with on a network."""

from __future__ import annotations

from starlette.responses import Response

from doe.bench.coupon_page import spelled
from doe.bench.staff import RIGHTS
from doe.bench.views import Link
from doe.bench.web import Visit, page
from doe.domain.errors import InputError
from doe.office.steps import by_field, lines_of, told, with_problems
from doe.office.views import AskPage, Field, Form, Option


def people(visit: Visit, problem: InputError | None = None) -> Response:
    """Everybody who signs in, and forms to change that for those who may release."""
    everybody = visit.bench.staff.everybody()
    lines = [told("people_local") if visit.bench.is_local else told("people_network")]
    lines += [
        told("people_blocked" if each.is_blocked else "people_line", name=each.name, right=told(f"right_{each.right}"))
        for each in everybody
    ]
    chosen = visit.text("right") or "scores"
    rights = tuple(Option(each, told(f"right_{each}"), told(f"right_{each}_more"), each == chosen) for each in RIGHTS)
    problems = {} if problem is None else by_field(problem, lambda p: {"people": "name"}.get(p.where, p.where))
    name = Field("name", told("people_name"), value=visit.text("name"), hint=told("people_name_hint"))
    code = Field("code", told("people_code"), hint=told("people_code_hint"), is_secret=True)
    fields = with_problems((name, Field("right", told("people_right"), options=rights), code), problems)
    forms = [Form(told("people_put"), "/people", told("people_do"), fields=fields)]
    if everybody:
        names = tuple(Option(each.name, each.name) for each in everybody)
        off = Field("name", told("people_who"), options=names)
        forms.append(Form(told("people_off"), "/people-off", told("people_off_do"), fields=(off,), is_quiet=True))
    may = visit.may("releases")
    is_beside = problem is not None and any(field.problem for field in fields)
    frame = visit.frame(problems=() if problem is None or is_beside else lines_of(problem))
    view = AskPage(
        frame, told("people_heading"), tuple(lines), tuple(forms) if may else (), (Link(told("people_back"), "/more"),)
    )
    return page("office_ask.html", view, status=422 if problem else 200)


def put(visit: Visit) -> Response | str:
    """Name a person, or change right or code."""
    staff = visit.bench.staff
    who = spelled(visit.text("name"), tuple(each.name for each in staff.everybody()))
    try:
        staff.put(who, visit.text("right"), visit.text("code"))
    except InputError as error:
        return people(visit, error)
    return "/people"


def off(visit: Visit) -> Response | str:
    """Take a person off the list."""
    try:
        visit.bench.staff.drop(visit.text("name"))
    except InputError as error:
        return people(visit, error)
    return "/people"
