"""What comes next, as a tap: the steps of a standing with the pages that they are done on."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TypeVar
from urllib.parse import quote, urlencode

from doe.bench.beside import Rank
from doe.bench.jobs import Work
from doe.bench.views import Link
from doe.bench.web import Visit, coupon_url
from doe.domain.errors import InputError, InputErrors
from doe.domain.standing import NextStep
from doe.office.views import Field, Working
from doe.words.facts import filled, texts_of
from doe.words.wording import percent

T = TypeVar("T")


def told(code: str, /, **values: object) -> str:
    """The text of a code with its values.

    >>> told("step_extend", coupons=4)
    'Plan 4 more coupons'
    """
    return filled(texts_of("office")[code], **values)


def recipe_url(name: str, page: str = "") -> str:
    """Address of a recipe, or of one of its pages.

    >>> recipe_url("tee/1", "card")
    '/recipe/tee%2F1/card'
    """
    return "/recipe/" + quote(name, safe="") + (f"/{page}" if page else "")


def fails_url(recipe: str, **more: str) -> str:
    """Where it is found out why a print of a recipe fails, with what is known of it already.

    >>> fails_url("tee 1", set_dwell="14")
    '/fails?recipe=tee+1&set_dwell=14'
    """
    return f"/fails?{urlencode({'recipe': recipe, **more})}"


def step_link(study: int, step: NextStep) -> Link:
    """A step of a study, or of a recipe that came from it, as a tap."""
    places = {
        "make": f"/s/{study}",
        "score": f"/s/{study}",
        "washes": f"/wash/{study}",
        "feel": coupon_url(study, step.coupon) if step.coupon else f"/list/{study}",
        "report": f"/paper/{study}/report",
        "confirmation_page": f"/paper/{study}/confirmation",
        "compare": f"/paper/{study}/comparison",
        "card": recipe_url(step.name, "card"),
        "history": recipe_url(step.name, "why"),
        "retire": recipe_url(step.name),
        "measure": "/line/" + quote(step.name, safe=""),
        "diagnose": fails_url(step.name),
    }
    text = told(f"step_{step.step}", coupons=step.coupons, coupon=step.coupon, name=step.name)
    return Link(text, places.get(step.step, f"/study/{study}"))


def approver(visit: Visit) -> str:
    """Who approves a release: whoever signed in; where nobody does, the name in the form."""
    return visit.who if visit.signs_in else visit.text("approved_by")


def beside(visit: Visit, key: str, heading: str, work: Work[T], then: Callable[[T], str]) -> str:
    """Begin a work in the name of whoever asks, which leads to where ``then`` says; where its progress is seen."""
    visit.bench.jobs.start(key, heading, visit.who, work, then)
    return f"/working/{key}"


def worked_out(
    visit: Visit,
    key: tuple[object, ...],
    heading: str,
    here: str,
    work: Work[T],
    *,
    rank: Rank = Rank.WAITED_FOR,
) -> T | Working:
    """What was worked out for a key, which holds everything that it depends on, or how far that is beside the page.

    Who asks first begins it; the page at ``here`` is shown at once, and looks again until it is there. One that broke
    off is said once, and begun anew by the next look.
    """
    shop, jobs, name = visit.bench.shop, visit.bench.jobs, repr(key)
    if (made := shop.found(key)) is not None:
        found: T = made
        return found
    job = jobs.find(name)
    if job is not None and job.problem is not None:
        return Working(heading, lines_of(job.problem), here)
    if job is not None and job.is_broken:
        jobs.forget(name)
        return Working(heading, (told("working_broken"),), here)

    def then(made: T) -> str:
        shop.keep(key, made)
        return here

    jobs.start(name, heading, shop.owner, work, then, rank=rank)
    share = 0.0 if job is None else job.share
    return Working(heading, (told("working_share", percent=percent(share)),), here, goes_on=True)


MOST_LINES = 12


def lines_of(error: InputError, label: str = "") -> tuple[str, ...]:
    """An error as lines for a page: without its remedy where that is a command to be typed, options as plain words.

    Beside a field it speaks of it by the ``label`` that the field has there.

    >>> lines_of(InputError("plan of tees", "none", "a plan", "Make one with doe plan."))
    ('plan of tees: found none; allowed: a plan.',)
    """
    problems = error.problems if isinstance(error, InputErrors) else (error,)
    if label:
        problems = tuple(InputError(label, p.found, p.allowed, p.remedy) for p in problems)
    lines = (
        str(p).removesuffix(p.remedy).rstrip() if "doe " in p.remedy or "--" in p.remedy else str(p) for p in problems
    )
    return tuple(re.sub(r"--([a-z][a-z-]*)", lambda m: m[1].replace("-", " "), line) for line in lines)[:MOST_LINES]


def with_problems(fields: Iterable[Field], problems: Mapping[str, InputError]) -> tuple[Field, ...]:
    """Fields with what was wrong with each beside it, by its own name."""
    return tuple(
        replace(field, problem=" ".join(lines_of(problems[field.name], field.label)))
        if field.name in problems
        else field
        for field in fields
    )


def as_sent(fields: Iterable[Field], visit: Visit) -> Iterator[Field]:
    """Fields as they were just filled in: what was typed, chosen and ticked; secrets are typed again."""
    for field in fields:
        text = visit.text(field.name)
        if field.is_tick:
            yield replace(field, is_on=text == "yes")
        elif field.name not in visit.form or field.is_secret:
            yield field
        elif field.options:
            yield replace(field, options=tuple(replace(one, is_on=one.value == text) for one in field.options))
        else:
            yield replace(field, value=text)


def by_field(error: InputError, field_of: Callable[[InputError], str]) -> dict[str, InputError]:
    """Every problem of an error at the field that it is about, ``""`` for one that is about none."""
    found: dict[str, list[InputError]] = {}
    for problem in error.problems if isinstance(error, InputErrors) else (error,):
        found.setdefault(field_of(problem), []).append(problem)
    return {field: InputErrors(several) for field, several in found.items()}
