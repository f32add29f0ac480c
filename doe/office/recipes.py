"""A recipe in the browser: what to dial in, how it stands, its card and its story, taking it out of use."""

from __future__ import annotations

from dataclasses import replace
from urllib.parse import quote

from starlette.responses import Response

from doe.acts.base import today
from doe.acts.recipe.days import clear_doubt, days_of, keep_day, take_back_day
from doe.acts.recipe.recipes import find_recipe
from doe.acts.study.standing import standing_of_recipe
from doe.assure.days import MOST_PRINTS, Days, Given
from doe.bench.views import Link, SettingRow
from doe.bench.web import Visit, page
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.recipe import Recipe, RecipeSetting
from doe.domain.units import Shown, parse_number
from doe.office.steps import by_field, fails_url, lines_of, recipe_url, told, with_problems
from doe.office.views import Field, Form, Option, RecipePage
from doe.symptoms.catalogue import CATALOGUE
from doe.words.recipe.card import (
    both,
    confirmation_sentence,
    expected_sentence,
    recipe_cautions,
    set_window,
    state_words,
)
from doe.words.recipe.days import cleared_words, count_words, judged_words, kept_words, rule_words, wanted_words
from doe.words.study.standing import frame, headline, meaning
from doe.words.typed import quantity
from reports.recipe.days import day_charts

_SYMPTOMS = frozenset(s.key for s in CATALOGUE)


def recipe(visit: Visit, asked: str = "", problem: InputError | None = None) -> Response:
    """The page of a recipe; ``problem`` is what was wrong with what was sent to the page of it that is called so."""
    shop = visit.bench.shop
    kept = find_recipe(shop.look, visit.word("recipe"))
    found, known = kept.recipe, standing_of_recipe(shop.look, kept)
    forms, run = [], days_of(shop.look, kept)
    problems = {} if problem is None else {asked: problem}

    def one(page_name: str, title: str, do: str, why: Field, *lead: str) -> Form:
        wrong = {why.name: problems[page_name]} if page_name in problems else {}
        fields = with_problems((why,), wrong)
        return Form(title, recipe_url(found.name, page_name), do, lead, fields, is_open=bool(wrong))

    if kept.in_force and visit.can_post:
        forms.append(_day_form(visit, found, problems.get("day")))
        if run.articles or run.cleared:
            why = Field("why", told("day_back_why"))
            forms.append(one("day-back", told("day_back"), told("day_back_do"), why, told("day_back_lead")))
    if kept.in_force and run.doubt and visit.may("releases"):
        explained = Field("explained", told("explained_why"))
        forms.append(one("explained", told("day_explain"), told("day_explain_do"), explained))
    if kept.in_force and visit.may("releases"):
        why = Field("why", told("retire_why"))
        forms.append(one("retire", told("retire_title"), told("retire_do"), why, told("retire_lead")))
    acts = (Link(told("compare_new"), recipe_url(found.name, "compare")),) if kept.in_force and kept.study_id else ()
    if run.articles and run.articles[-1].given.failed:
        acts = (_why_it_failed(found.name, run.articles[-1].given, shop.shown), *acts)
    if kept.in_force:
        acts = (*acts, Link(told("carry"), f"/begin?known=yes&carry={quote(found.name, safe='')}"))
    papers = [Link(told("paper_card"), recipe_url(found.name, "card"), told("paper_card_more"))]
    if kept.study_id is not None:
        papers += [
            Link(told("paper_why"), recipe_url(found.name, "why"), told("paper_why_more")),
            Link(told("paper_study"), f"/study/{kept.study_id}", found.study),
        ]
    beside = {field.name for form in forms for field in form.fields if field.problem}
    above = {} if problem is None or asked != "day" else by_field(problem, lambda p: p.where)
    general = tuple(line for name, error in above.items() if name not in beside for line in lines_of(error))
    # right after it was kept, as the command says it first
    said = " ".join((kept_words(run), *_judged(run, shop.shown))) if visit.query("kept") and run.articles else ""
    view = RecipePage(
        replace(visit.frame(said=said, problems=general), about=found.name),
        heading=told("recipe_heading", name=found.name, revision=found.revision),
        standing=headline(known, shop.shown),
        meaning=meaning(known, shop.shown),
        style=frame(known),
        settings=tuple(_row(s, shop.shown, is_held=s.factor in found.held) for s in found.settings),
        lines=(
            f"{found.stack.name}: {found.stack.fabric}, {found.stack.film}, {found.stack.powder}.",
            # a recipe in doubt is not called in force below that
            f"{found.line.name}." if known.state == "doubtful" else f"{found.line.name}; {state_words(kept, today())}.",
            *found.handling,
            confirmation_sentence(found.confirmation, found.exception),
            expected_sentence(found),
            *recipe_cautions(found),
        ),
        acts=acts,
        forms=tuple(forms),
        papers=tuple(papers),
        days=tuple(filter(None, (*_judged(run, shop.shown), count_words(run), cleared_words(run), *rule_words(run)))),
        charts=day_charts(run, shop.shown),
    )
    return page("office_recipe.html", view, status=422 if problem else 200)


def _why_it_failed(name: str, given: Given, shown: Shown) -> Link:
    """The way from a first article that failed to its diagnosis, with what was seen and dialled."""
    typed = {f"set_{f}": f"{shown.value(value, KNOWN_FACTORS[f].unit):.6g}" for f, value in given.dialled.items()}
    seen = [key for key in given.seen if key in _SYMPTOMS]
    return Link(told("step_diagnose"), fails_url(name, **({"symptom": seen[0]} if seen else {}), **typed))


def _judged(run: Days, shown: Shown) -> tuple[str, ...]:
    return judged_words(run, shown) if run.articles else ()


def _day_form(visit: Visit, found: Recipe, problem: InputError | None) -> Form:
    """The first article of today: prints, what failed, what is dialled and what a gauge reads."""
    shown = visit.bench.shop.shown
    numeric = [s for s in found.settings if not isinstance(s.surface, str)]
    counts = [str(n) for n in range(MOST_PRINTS + 1)]
    prints = tuple(Option(n, n, is_on=n == (visit.text("prints") or "2")) for n in counts[1:])
    failed = tuple(Option(n, n, is_on=n == (visit.text("failed") or "0")) for n in counts)
    fields = [
        Field("prints", told("day_prints"), options=prints),
        Field("failed", told("day_failed"), options=failed),
        Field("seen", told("day_seen"), value=visit.text("seen")),
    ]
    more = [
        Field(f"set_{s.factor}", told("day_set", label=s.label), value=_sent(visit, f"set_{s.factor}", s, shown))
        for s in numeric
    ]
    more += [
        Field(f"surface_{s.factor}", told("day_surface", label=s.label), value=visit.text(f"surface_{s.factor}"))
        for s in numeric
        if s.factor.endswith("_temp")
    ]
    more += [
        Field("lot", told("day_lot"), value=visit.text("lot")),
        Field("note", told("day_note"), value=visit.text("note")),
    ]
    return Form(
        told("day_title"),
        recipe_url(found.name, "day"),
        told("day_do"),
        (told("day_lead"),),
        with_problems((*fields, *more), {} if problem is None else by_field(problem, lambda p: p.where)),
        is_open=problem is not None,
    )


def _sent(visit: Visit, name: str, s: RecipeSetting, shown: Shown) -> str:
    return visit.text(name) if name in visit.form else wanted_words(s, shown).partition(" (")[0]


def explain(visit: Visit) -> Response | str:
    """Keep why a doubt is explained; the count begins anew."""
    name = visit.word("recipe")
    try:
        with visit.storing() as book:
            clear_doubt(book, name, visit.text("explained"))
    except InputError as error:
        return recipe(visit, "explained", error)
    return recipe_url(name)


def take_back(visit: Visit) -> Response | str:
    """Take back what was kept last of a recipe's days."""
    name = visit.word("recipe")
    try:
        with visit.storing() as book:
            take_back_day(book, name, visit.text("why"))
    except InputError as error:
        return recipe(visit, "day-back", error)
    return recipe_url(name)


def keep(visit: Visit) -> Response | str:
    """Keep the first article of a day."""
    name, shown = visit.word("recipe"), visit.bench.shop.shown
    found = find_recipe(visit.bench.shop.look, name).recipe
    try:
        values: dict[str, dict[str, float]] = {"set": {}, "surface": {}}
        for kind, read in values.items():
            for s in found.settings:
                if text := visit.text(f"{kind}_{s.factor}"):
                    read[s.factor] = quantity(text, s.unit, f"{kind}_{s.factor}", shown)
        seen = (visit.text("seen"),) if visit.text("seen") else ()
        prints, failed = (int(parse_number(visit.text(field) or "0", field)) for field in ("prints", "failed"))
        given = Given(prints, failed, seen, values["set"], values["surface"], visit.text("lot"), visit.text("note"))
        with visit.storing() as book:
            keep_day(book, name, given)
    except InputError as error:
        return recipe(visit, "day", error)
    return f"{recipe_url(name)}?kept=yes"


def _row(setting: RecipeSetting, shown: Shown, *, is_held: bool) -> SettingRow:
    value = both(setting, setting.surface if setting.dial is None else setting.dial, shown)
    first, _, rest = value.partition(" (")
    more = [] if setting.dial is None else [told("dial_surface", surface=both(setting, setting.surface, shown))]
    window = set_window(setting, shown)
    dialled = setting.dial is not None and setting.dial_low is not None
    more += [told("held")] if is_held else [told("window_dial" if dialled else "window_set", window=window)]
    return SettingRow(setting.label, first, rest.rstrip(")"), "; ".join(part for part in more if part), is_held)


def retire(visit: Visit) -> Response | str:
    """Take a recipe out of use, with a reason."""
    name = visit.word("recipe")
    try:
        with visit.storing() as book:
            book.retire_recipe(name, visit.text("why"))
    except InputError as error:
        return recipe(visit, "retire", error)
    return recipe_url(name)
