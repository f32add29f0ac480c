"""A recipe in the browser: what to dial in, how it stands, its card and its story, taking it out of use."""

from __future__ import annotations

from dataclasses import replace

from starlette.responses import Response

from doe.acts.base import today
from doe.acts.recipe.recipes import find_recipe
from doe.acts.study.standing import standing_of_recipe
from doe.bench.views import Link, SettingRow
from doe.bench.web import Visit, page
from doe.domain.errors import InputError
from doe.domain.recipe import RecipeSetting
from doe.domain.units import Shown
from doe.office.steps import lines_of, recipe_url, told
from doe.office.views import Field, Form, RecipePage
from doe.words.recipe.card import (
    both,
    confirmation_sentence,
    expected_sentence,
    recipe_cautions,
    state_words,
    window_words,
)
from doe.words.study.standing import frame, headline, meaning


def recipe(visit: Visit, problem: InputError | None = None) -> Response:
    """The page of a recipe."""
    shop = visit.bench.shop
    kept = find_recipe(shop.look, visit.word("recipe"))
    found, known = kept.recipe, standing_of_recipe(shop.look, kept)
    forms = []
    if kept.in_force and visit.may("releases"):
        why = Field("why", told("retire_why"), problem="" if problem is None else " ".join(lines_of(problem)))
        forms.append(
            Form(
                told("retire_title"),
                recipe_url(found.name, "retire"),
                told("retire_do"),
                (told("retire_lead"),),
                (why,),
            )
        )
    acts = (Link(told("compare_new"), recipe_url(found.name, "compare")),) if kept.in_force and kept.study_id else ()
    papers = [Link(told("paper_card"), recipe_url(found.name, "card"), told("paper_card_more"))]
    if kept.study_id is not None:
        papers += [
            Link(told("paper_why"), recipe_url(found.name, "why"), told("paper_why_more")),
            Link(told("paper_study"), f"/study/{kept.study_id}", found.study),
        ]
    view = RecipePage(
        replace(visit.frame(), about=found.name),
        heading=told("recipe_heading", name=found.name, revision=found.revision),
        standing=headline(known, shop.shown),
        meaning=meaning(known, shop.shown),
        style=frame(known),
        settings=tuple(_row(s, shop.shown, is_held=s.factor in found.held) for s in found.settings),
        lines=(
            f"{found.stack.name}: {found.stack.fabric}, {found.stack.film}, {found.stack.powder}.",
            f"{found.line.name}; {state_words(kept, today())}.",
            *found.handling,
            confirmation_sentence(found.confirmation, found.exception),
            expected_sentence(found),
            *recipe_cautions(found),
        ),
        acts=acts,
        forms=tuple(forms),
        papers=tuple(papers),
    )
    return page("office_recipe.html", view, status=422 if problem else 200)


def _row(setting: RecipeSetting, shown: Shown, *, is_held: bool) -> SettingRow:
    value = both(setting, setting.surface if setting.dial is None else setting.dial, shown)
    first, _, rest = value.partition(" (")
    more = [] if setting.dial is None else [told("dial_surface", surface=both(setting, setting.surface, shown))]
    more += [told("held")] if is_held else [window_words(setting, shown)]
    return SettingRow(setting.label, first, rest.rstrip(")"), "; ".join(part for part in more if part), is_held)


def retire(visit: Visit) -> Response | str:
    """Take a recipe out of use, with a reason."""
    name = visit.word("recipe")
    try:
        with visit.storing() as book:
            book.retire_recipe(name, visit.text("why"))
    except InputError as error:
        return recipe(visit, error)
    return recipe_url(name)
