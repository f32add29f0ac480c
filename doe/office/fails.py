"""A print fails: what is seen on it by pictures, causes with their checks one by one, and the case kept."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from starlette.responses import Response

from doe.acts.diagnosis import CASE, Setting, came_back, close_case, diagnose_case, keep_case, open_cases, setting_of
from doe.acts.recipe.recipes import recipes_to_list
from doe.bench.coupon_page import common_symptoms, symptom_boxes
from doe.bench.jobs import Work
from doe.bench.views import Choice, Hidden, Link
from doe.bench.web import Visit, go, page
from doe.bench.wrong import checks_made, diagnosis_page, sent
from doe.domain.errors import InputError
from doe.domain.factors import DEFAULT_FACTORS, KNOWN_FACTORS
from doe.domain.units import SYMBOLS
from doe.office import works
from doe.office.steps import beside, lines_of, told
from doe.office.views import FailsPage, Field, Option
from doe.symptoms.catalogue import symptom
from doe.symptoms.diagnosis import Evidence
from doe.symptoms.known import Known
from doe.words.diagnosis import CLOSED, case_told
from doe.words.typed import as_set
from doe.words.wording import day

NO_RECIPE = "none"
MOST_OPEN = 8


def fails(visit: Visit, problem: InputError | None = None) -> Response:
    """What is seen, of which recipe, at which settings."""
    shop = visit.bench.shop
    ticked, chosen = visit.request.query_params.getlist("symptom"), visit.query("recipe")
    kept, meant = recipes_to_list(shop.look), visit.query("case")
    waiting = open_cases(shop.look)[:MOST_OPEN] if visit.can_post else ()
    recipes = [
        Option(k.recipe.name, k.recipe.name, k.recipe.line.name, k.recipe.name == (chosen or kept[0].recipe.name))
        for k in kept
    ]
    recipes.append(Option(NO_RECIPE, told("fails_no_recipe"), is_on=not kept or chosen == NO_RECIPE))
    boxes = symptom_boxes(ticked)
    common = common_symptoms(is_washed=False)
    common += [key for key in common_symptoms(is_washed=True) if key not in common]
    fields = tuple(
        Field(
            f"set_{name}",
            told("fails_set", label=KNOWN_FACTORS[name].label, unit=_unit(visit, name)),
            value=visit.query(f"set_{name}"),
            is_half=True,
        )
        for name in DEFAULT_FACTORS
    )
    view = FailsPage(
        visit.frame(problems=() if problem is None else lines_of(problem)),
        symptoms=tuple(boxes[key] for key in common),
        more_symptoms=tuple(box for key, box in boxes.items() if key not in common),
        recipes=Field("recipe", told("fails_recipe"), options=tuple(recipes)),
        fields=fields,
        open_cases=tuple(
            Choice(str(n.id), f"{day(n.at)}, {case_told(n.data['symptoms'], n.data['cause'])}", str(n.id) == meant)
            for n in waiting
        ),
        is_closing=any(str(n.id) == meant for n in waiting),
    )
    return page("office_fails.html", view, status=422 if problem else 200)


def _unit(visit: Visit, name: str) -> str:
    unit = visit.bench.shop.shown.unit(KNOWN_FACTORS[name].unit)
    return SYMBOLS.get(unit, unit)


def found(visit: Visit) -> Response:
    """Causes, and the check that tells most per minute, with the checks made so far in the address."""
    asked = visit.request.query_params
    try:
        setting, evidence, carried = _case(visit, asked.getlist("symptom"), dict(asked), asked.getlist("found"))
    except InputError as error:
        return fails(visit, error)
    key, ask = _sides(visit, setting, dict(asked).get("recipe", NO_RECIPE))
    shop = visit.bench.shop
    sides = (None, None) if ask is None else shop.found(key)
    if ask is not None and sides is None:
        here = f"/fails/found?{visit.request.url.query}"

        def then(made: Sides) -> str:
            shop.keep(key, made)
            return here

        return go(beside(visit, f"fails-{hash(key):x}", told("working_fails"), ask, then))
    setting = replace(setting, p_under=sides[0], p_over=sides[1])
    evidence = replace(evidence, known=setting.added_to(Known()))
    done = diagnose_case(visit.bench.shop.look, evidence, setting)
    view = diagnosis_page(
        visit,
        visit.frame(),
        done,
        setting,
        evidence.found,
        here="/fails/found",
        action="/fails/kept",
        title=told("fails_found"),
        back=Link(told("fails_back"), f"/fails?{sent(carried)}"),
        of_plan=False,
        carried=carried,
    )
    return page("bench_wrong.html", view)


def keep(visit: Visit) -> str:
    """Keep what it turned out to be, so that the shop's odds learn."""
    cause = visit.text("cause")
    values = {name: visit.text(name) for name in visit.form}
    setting, evidence, carried = _case(visit, visit.texts("symptom"), values, visit.texts("found"))
    if not cause:
        raise InputError("cause", "nothing", "one of the causes, or none of them", "Choose what it turned out to be.")
    with visit.storing() as book:
        back = came_back(visit.text("back"))
        key = "" if cause == "none" else cause
        about = key, evidence.symptoms, dict(setting.current)
        still_open = [
            n
            for n in book.notes(CASE, setting.name)
            if not n.data.get("back") and (n.data["cause"], tuple(n.data["symptoms"]), n.data.get("set", {})) == about
        ]
        if not still_open:
            keep_case(book, setting, evidence, cause, back=back, note=visit.text("note"))
        elif back:  # the same case, and now its coupon
            close_case(book, still_open[-1].id, back, CLOSED, visit.text("note"))
    made = tuple(Hidden("found", f"{key}:{outcome}") for key, outcome in evidence.found.items())
    done = Hidden("done", back or "kept")
    return f"/fails/found?{sent((*carried, *made, done))}"


def close(visit: Visit) -> str:
    """Say how the coupon back at the recipe came out."""
    number = visit.text("case")
    if not number.isdecimal():
        raise InputError("case", "nothing", "one of the open cases", "Choose the one that was mended.")
    with visit.storing() as book:
        close_case(book, int(number), came_back(visit.text("back")), CLOSED, visit.text("note"))
    return "/fails"


Sides = tuple[float | None, float | None]


def _sides(visit: Visit, setting: Setting, chosen: str) -> tuple[tuple[object, ...], Work[Sides] | None]:
    """What the side of the heat that a print fails on is kept under, and how it is asked of the fitted surfaces.

    Nothing is asked where no recipe with a study is meant. The key holds all that it depends on, so that the next
    check is answered at once.
    """
    shop = visit.bench.shop
    kept = None if chosen in (NO_RECIPE, "") else shop.look.recipe(chosen)
    if kept is None or (study := kept.study_id) is None:
        return (), None
    current = dict(setting.current)
    key = ("sides", kept.uid, tuple(sorted(current.items())), shop.hint_hash(study))
    return key, partial(works.ask_sides, number=study, current=current, kept=kept)


def _case(
    visit: Visit, symptoms: list[str], values: dict[str, str], checks: list[str]
) -> tuple[Setting, Evidence, tuple[Hidden, ...]]:
    """What is known of the case, and the fields that say so."""
    shop = visit.bench.shop
    keys = tuple(dict.fromkeys(symptom(key).key for key in symptoms[:40]))
    if not keys:
        raise InputError("what is seen", "nothing", "at least one picture", "Tap what the print looks like.")
    carried = [Hidden("symptom", key) for key in keys]
    current = {}
    for name in DEFAULT_FACTORS:
        if text := values.get(f"set_{name}", "").strip():
            current[name] = as_set(text, KNOWN_FACTORS[name].unit, KNOWN_FACTORS[name].label, shop.shown)
            carried.append(Hidden(f"set_{name}", text))
    chosen = values.get("recipe", NO_RECIPE)
    carried.append(Hidden("recipe", chosen))
    kept = None if chosen in (NO_RECIPE, "") else shop.look.recipe(chosen)
    study = None if kept is None else kept.study_id
    reference = kept if study is not None else None
    setting = setting_of(shop.look, study, current, ask_surfaces=False, kept=reference)
    return setting, Evidence(keys, known=setting.added_to(Known()), found=checks_made(checks)), tuple(carried)
