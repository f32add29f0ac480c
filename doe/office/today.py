"""Where the day begins: what waits over all studies and recipes, recipes in force, and what can be begun."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from urllib.parse import quote

from starlette.responses import Response

from doe.acts.base import today as this_day
from doe.acts.diagnosis import open_cases
from doe.acts.recipe.recipes import recipes_to_list
from doe.acts.study.standing import standing_of, standing_of_recipe
from doe.acts.waiting import what_waits
from doe.bench.views import Link
from doe.bench.web import Visit, page
from doe.book.book import Book
from doe.domain.recipe import KeptRecipe
from doe.domain.standing import StudyStanding
from doe.office.begin import drafts_of
from doe.office.steps import recipe_url, step_link, told
from doe.office.views import Task, TodayPage
from doe.words.diagnosis import case_told
from doe.words.recipe.card import state_words
from doe.words.study.standing import frame, headline
from doe.words.waiting import link_words
from doe.words.wording import day
from reports.calendar import MEDIA_TYPE
from reports.waiting import waiting_calendar


def today(visit: Visit) -> Response:
    """The first page."""
    shop, asked = visit.bench.shop, visit.query("find")
    book, shown = shop.look, shop.shown
    # what was put away is found by its name
    studies = [s for s in book.studies(include_archived=bool(asked)) if _fits(asked, s.name, s.stack, s.line)]
    known = [(s, standing_of(book, s.id)) for s in studies]
    waiting = [(s, k) for s, k in known if not k.rests and k.state != "doubtful"]
    kept = [k for k in recipes_to_list(book) if _fits(asked, k.recipe.name, str(k.recipe.stack.name))]
    recipes = [(k, standing_of_recipe(book, k)) for k in kept]
    tasks = (
        *(_doubt(k, found, visit) for k, found in recipes if found.state == "doubtful"),
        *(
            Task(s.name, headline(k, shown), frame(k), f"/study/{s.id}", step_link(s.id, k.steps[0]))
            for s, k in sorted(waiting, key=lambda pair: -_urgency(pair[1]))
        ),
    )
    view = TodayPage(
        visit.frame(),
        asked=asked,
        tasks=tasks,
        due=tuple(_due(visit)) if not asked else (),
        cases=tuple(_cases(visit)) if not asked else (),
        quiet=tuple(
            Link(s.name, f"/study/{s.id}", headline(k, shown)) for s, k in known if k.rests or k.state == "doubtful"
        ),
        recipes=tuple(_recipe(k) for k, found in recipes if found.state != "doubtful"),
        drafts=() if asked else drafts_of(visit),
        starts=_starts(book),
        is_empty=not asked and not studies and not kept,
    )
    return page("office_today.html", view)


MOST_DUE = 8
"""Things with a day that the page names; the calendar holds them all."""


def _due(visit: Visit) -> Iterator[Link]:
    """What is due, with the page on which it is done."""
    on = this_day()
    # a doubt stands among the tasks above
    with_day = [w for w in what_waits(visit.bench.shop.look) if w.day is not None and w.kind != "doubt"]
    for w in with_day[:MOST_DUE]:
        line = "/line/" + quote(w.name, safe="")
        places = {"gauge": line, "certificate": "/lines", "review": recipe_url(w.name)}
        yield Link(w.name, places.get(w.kind, f"/wash/{w.study}"), link_words(w, on))
    if with_day:
        yield Link(told("due_calendar"), "/waiting.ics", told("due_calendar_more", things=len(with_day)))


def _cases(visit: Visit) -> Iterator[Link]:
    """Cases that wait for a coupon back at the recipe, each with the form that closes it."""
    waiting = open_cases(visit.bench.shop.look) if visit.can_post else ()
    for note in waiting[:MOST_DUE]:
        said = case_told(note.data["symptoms"], note.data["cause"])
        yield Link(note.name or told("case_unnamed"), f"/fails?case={note.id}#open", f"{day(note.at)}, {said}")
    if len(waiting) > MOST_DUE:
        yield Link(told("case_more", cases=len(waiting) - MOST_DUE), "/fails")


def as_calendar(visit: Visit) -> Response:
    """Everything that waits, for a calendar on a phone or a computer."""
    text = waiting_calendar(what_waits(visit.bench.shop.look), made_at=datetime.now(UTC), on=this_day())
    named = {"Content-Disposition": 'attachment; filename="waiting.ics"'}
    return Response(text, media_type=MEDIA_TYPE, headers=named)


def _fits(asked: str, *names: str) -> bool:
    return all(word in " ".join(names).casefold() for word in asked.casefold().split())


def _urgency(known: StudyStanding) -> int:
    """What is nearest to its end first."""
    begun = ("unplanned", "limits", "making", "more", "feeling", "washing", "unanswered")
    order = (*begun, "known", "ready", "confirming")
    return order.index(known.state) if known.state in order else len(order)


def _doubt(kept: KeptRecipe, known: StudyStanding, visit: Visit) -> Task:
    url = recipe_url(kept.recipe.name)
    act = step_link(kept.study_id or 0, known.steps[0])
    if known.steps[0].step != "diagnose":  # all else is done on its own page
        act = Link(act.text, url)
    return Task(kept.recipe.name, headline(known, visit.bench.shop.shown), frame(known), url, act)


def _recipe(kept: KeptRecipe) -> Link:
    said = told(
        "recipe_line", stack=kept.recipe.stack.name, line=kept.recipe.line.name, state=state_words(kept, this_day())
    )
    return Link(kept.recipe.name, recipe_url(kept.recipe.name), said)


def _starts(book: Book) -> tuple[Link, ...]:
    found = [
        Link(told("start_study"), "/begin", told("start_study_more")),
        Link(told("start_known"), "/begin?known=yes", told("start_known_more")),
        Link(told("start_sheet"), "/own-sheet", told("start_sheet_more")),
        Link(told("start_fails"), "/fails", told("start_fails_more")),
        Link(told("start_learn"), "/practice", told("start_learn_more")),
    ]
    if book.lines():
        found.insert(4, Link(told("start_gauge"), "/lines", told("start_gauge_more")))
    return tuple(found)
