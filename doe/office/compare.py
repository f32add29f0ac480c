"""A new blank, lot or film beside a recipe: what differs, what a comparison costs, its coupons, its verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from urllib.parse import quote

from starlette.responses import Response

from doe.acts.comparison.plan import (
    MARGINS,
    SIZE_LOSS,
    STAGE_SIZES,
    USUAL_MARGIN,
    ComparisonOffer,
    Wanted,
    begin_comparison,
    offer_comparison,
    offer_warnings,
)
from doe.acts.comparison.verdict import (
    Compared,
    comparison_plan,
    judge_comparison,
    more_coupons,
    weigh_comparison,
)
from doe.acts.recipe.also import add_material
from doe.acts.recipe.recipes import find_recipe
from doe.acts.study.standing import retune_of
from doe.assure.comparison.staged import USUAL_PAIRS
from doe.assure.comparison.verdict import Comparison
from doe.bench.views import Hidden, Link
from doe.bench.web import Visit, page
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.limits import LIMIT_NAMES
from doe.domain.materials import FACTS, facts_of_make, with_what_follows
from doe.domain.recipe import PARTS, Part
from doe.domain.stack import Material
from doe.domain.units import Shown, fixed
from doe.office import works
from doe.office.limits import limit_fields, limits_sent
from doe.office.materials import fact_fields, read_facts
from doe.office.steps import approver, beside, by_field, lines_of, recipe_url, told, with_problems
from doe.office.views import AskPage, Field, Form, Option, SmallTable
from doe.words import typed
from doe.words.comparison import SIZE_CAPTION, SIZE_HEADS, lead, points, said, size_read, size_rows, stage_taken
from reports.comparison.page import rule_tables

Problems = Mapping[str, InputError]

STAGED, FULLY = "staged", "full"
"""Ways to compare: a few pairs in stages, or all that a margin takes."""


def compare(visit: Visit, problems: Problems | None = None) -> Response:
    """What is new, asked part by part; what stands there already is the recipe's own."""
    kept = find_recipe(visit.bench.shop.look, visit.word("recipe"))
    recipe, fields = kept.recipe, []
    for part in PARTS:
        material: Material | None = getattr(recipe.stack, part)
        if material is None:
            continue
        fields.append(Field(part, told(f"part_{part}"), value=visit.text(part) or material.name))
        for name in ("supplier", "lot"):
            now = visit.text(f"{part}_{name}") if f"{part}_{name}" in visit.form else getattr(material, name)
            fields.append(Field(f"{part}_{name}", told(name), value=now, is_half=True))
    chosen = visit.text("margin") or f"{USUAL_MARGIN:g}"
    options = tuple(
        Option(f"{m:g}", told("margin_option", points=points(m)), is_on=f"{m:g}" == chosen)
        for m in sorted({*MARGINS, USUAL_MARGIN})
    )
    fully = visit.text("way") != STAGED
    ways = (
        Option(STAGED, told("way_staged"), told("way_staged_more"), is_on=not fully),
        Option(FULLY, told("way_full"), told("way_full_more"), is_on=fully),
    )
    fields.append(Field("way", told("way_which"), options=ways))
    blind = visit.text("blind") == "yes"
    fields.append(Field("blind", told("blind"), value="yes", hint=told("blind_hint"), is_tick=True, is_on=blind))
    fields.append(Field("margin", told("margin_fully"), options=options))
    pairs = visit.text("pairs") or f"{USUAL_PAIRS}"
    sizes = tuple(Option(f"{n}", told("pairs_option", pairs=n), is_on=f"{n}" == pairs) for n in STAGE_SIZES)
    fields.append(Field("pairs", told("pairs_stage"), options=sizes))
    form = Form(
        told("compare_title"),
        recipe_url(recipe.name, "offer"),
        told("compare_offer"),
        (told("compare_lead"),),
        tuple(fields),
        more_title=told("facts_new"),
        more_fields=tuple(fact_fields({field: visit.text(field) for field in visit.form})),
    )
    return _page(visit, recipe.name, (), form, problems)


def offer(visit: Visit, problems: Problems | None = None) -> Response:
    """What it would cost and could show, before anything is decided; limits of the new material are asked here."""
    name = visit.word("recipe")
    try:
        wanted = _wanted(visit, name)
        found = offer_comparison(visit.bench.shop.look, name, wanted)
    except InputError as error:
        return compare(visit, by_field(error, lambda p: "margin" if p.where.endswith("margin") else ""))
    fields: list[Field] = []
    for limit in found.missing_limits:
        fields += limit_fields(limit, visit.bench.shop.shown, visit.text(limit), visit.text(f"{limit}_source"))
    sent = tuple(
        Hidden(field, visit.text(field))
        for field in (
            "margin",
            "way",
            "pairs",
            "blind",
            "stack",
            *PARTS,
            *(f"{part}_{more}" for part in PARTS for more in ("supplier", "lot", *FACTS[part])),
        )
        if visit.text(field)
    )
    form = Form(
        told("compare_begin_title"),
        recipe_url(name, "begin"),
        told("compare_begin"),
        (told("compare_limits"),) if fields else (),
        tuple(fields),
        more_hidden=sent,
    )
    tables = tuple(
        SmallTable(table.caption, tuple(column.text for column in table.columns), table.rows, table.note)
        for table in rule_tables(found.plan)
    )
    if found.stage_sizes:
        rows = tuple(size_rows((s.pairs, s.hours, s.found, s.hides) for s in found.stage_sizes))
        tables = (*tables, SmallTable(SIZE_CAPTION, SIZE_HEADS, rows, size_read(SIZE_LOSS)))
    return _page(visit, name, _offered(found, visit.bench.shop.shown), form, problems, tables)


def _offered(found: ComparisonOffer, shown: Shown) -> tuple[str, ...]:
    plan = found.plan
    return (
        told("offer_differs", new=plan.new, old=plan.in_use),
        told(
            "offer_stages" if plan.stages else "offer_costs",
            most=plan.stages[-1].pairs if plan.stages else plan.strokes,
            coupons=len(found.coupons),
            strokes=plan.strokes,
            hours=fixed(found.hours, 1),
            taken=stage_taken(plan.strokes, found.hours),
            points=points(plan.rate_margin),
        ),
        *said(found.verdicts),
        *said(found.notes),
        *offer_warnings(found, shown),
    )


def begin(visit: Visit) -> Response | str:
    """Begin the comparison: its coupons wait at the press."""
    name, shop = visit.word("recipe"), visit.bench.shop
    limits, _, problems = limits_sent(visit, LIMIT_NAMES, None)
    if problems:
        return offer(visit, problems)
    try:
        wanted = replace(_wanted(visit, name), limits=limits)
        with visit.storing() as book:
            made = begin_comparison(book, name, wanted, shown=shop.shown)
    except InputError as error:
        return offer(visit, {"": error})
    return f"/s/{made.record.id}"


def _wanted(visit: Visit, recipe: str) -> Wanted:
    """What differs from the recipe's own materials, and how it is compared."""
    margin = typed.share(visit.text("margin") or f"{USUAL_MARGIN}", "margin")
    if visit.text("stack"):
        return Wanted(stack=visit.text("stack"), rate_margin=margin)
    stack, shown = find_recipe(visit.bench.shop.look, recipe).recipe.stack, visit.bench.shop.shown
    parts: dict[Part, Material] = {}
    for part in PARTS:
        now: Material | None = getattr(stack, part)
        if now is None:
            continue
        name, supplier, lot = (visit.text(field) for field in (part, f"{part}_supplier", f"{part}_lot"))
        typed_now = read_facts(part, {field: visit.text(field) for field in visit.form}, shown)
        kept = {} if name != now.name else now.facts if lot == now.lot else facts_of_make(now)
        told_of = replace(now, name=name, supplier=supplier, lot=lot, facts={**(kept or {}), **typed_now} or None)
        if told_of != now:
            parts[part] = replace(told_of, facts=with_what_follows(part, told_of.facts or {}) or None)
    if not parts:
        found = f"the materials of recipe {recipe}"
        raise InputError(told("compare_title"), found, "at least one part that differs", told("compare_lead"))
    blind = visit.text("blind") == "yes"
    if visit.text("way") != STAGED:
        return Wanted(parts=parts, rate_margin=margin, blind=blind)
    pairs = visit.text("pairs") or f"{USUAL_PAIRS}"
    return Wanted(parts=parts, staged=True, blind=blind, strokes=int(pairs) if pairs.isdecimal() else 0)


def _page(
    visit: Visit,
    name: str,
    lines: tuple[str, ...],
    form: Form,
    problems: Problems | None,
    tables: tuple[SmallTable, ...] = (),
) -> Response:
    problems = problems or {}
    general = tuple(line for field, error in problems.items() if not field for line in lines_of(error))
    view = AskPage(
        replace(visit.frame(problems=general), about=name),
        told("compare_heading"),
        lines,
        (replace(form, fields=with_problems(form.fields, problems)),),
        (Link(told("to_recipe"), recipe_url(name), name),),
        tables,
    )
    return page("office_ask.html", view, status=422 if problems else 200)


# once it was begun


def told_of_comparison(book: Book, study: int, judged: Comparison) -> tuple[tuple[str, ...], tuple[Form, ...]]:
    """What a comparison says so far, as it was ``judged``, and what can be done about it."""
    found = weigh_comparison(book, study, judged)
    forms: list[Form] = []
    if judged.verdict in ("same recipe holds", "go on carefully"):
        forms += _add(book, found)
    if judged.verdict in ("go on carefully", "not settled"):
        sent = (Hidden("stack", found.plan.stack), Hidden("way", FULLY))
        fully = recipe_url(found.plan.recipe, "offer")
        forms.append(Form(told("fully_title"), fully, told("fully_do"), (told("fully_lead"),), more_hidden=sent))
    if retune_of(book, found.record) is not None:  # its own settings are being looked for
        pass
    elif judged.verdict in ("retune", "clearly worse", "not settled"):
        forms.append(Form(told("retune_title"), f"/retune/{study}", told("retune_do"), (told("retune_lead"),)))
    elif judged.verdict in ("not enough coupons yet", "more pairs") and not judged.waiting and found.looks_left:
        forms.append(Form(told("more_title"), f"/more-strokes/{study}", told("more_do"), (told("more_lead"),)))
    if found.kept is None:
        keep = Form(told("judged_title"), f"/judged/{study}", told("judged_do"), (told("judged_lead"),), is_quiet=True)
        forms.append(keep)
    head = judged.verdict[0].upper() + judged.verdict[1:] + "."
    return (head, lead(found.plan, judged), *said(judged.reasons), *said(judged.missing)), tuple(forms)


def _add(book: Book, found: Compared) -> list[Form]:
    """The form that names the material in the recipe; none where it is named already."""
    kept, name = book.recipes(found.plan.recipe), found.record.name
    if not kept or any(there.comparison == name for there in kept[-1].recipe.also or ()):
        return []
    fields = (Field("approved_by", told("release_by")),)
    return [Form(told("also_title"), f"/also/{found.record.id}", told("also_do"), (told("also_lead"),), fields)]


def also(visit: Visit) -> str:
    """Release the next revision of a recipe, for the material of a comparison too."""
    with visit.storing() as book:
        made = add_material(
            book, visit.number("study"), approved_by=approver(visit) or visit.who, now=datetime.now(UTC)
        )
    return recipe_url(made.recipe.name)


def judged(visit: Visit) -> str:
    """Keep the verdict as it stands."""
    number = visit.number("study")
    with visit.storing() as book:
        judge_comparison(book, number)
    return f"/study/{number}"


def more(visit: Visit) -> str:
    """Plan the next round of a comparison."""
    number = visit.number("study")
    with visit.storing() as book:
        more_coupons(book, number, shown=visit.bench.shop.shown)
    return f"/s/{number}"


def retune(visit: Visit) -> str:
    """Begin a retune around the recipe, with what the comparison and the old study know."""
    number = visit.number("study")
    work = partial(works.retune, number=number, shown=visit.bench.shop.shown)
    return beside(visit, f"retune-{number}", told("working_retune"), work, lambda made: f"/study/{made}")


def recipe_of(book: Book, study: int) -> Link:
    """The recipe that a comparison is about."""
    name = comparison_plan(book, study)[1].recipe
    return Link(told("to_recipe"), "/recipe/" + quote(name, safe=""), name)
