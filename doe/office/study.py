"""One study in the browser: how it stands, what its answer says, and the act that comes next."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from urllib.parse import quote

from starlette.responses import Response

from doe.acts.base import today
from doe.acts.comparison.verdict import comparison_sum
from doe.acts.conditions import conditions_of, keep_conditions
from doe.acts.confirmation.plan import (
    ClaimOffer,
    ClaimWishes,
    claims_sum,
    replace_void,
)
from doe.acts.confirmation.verdict import after_confirmation, confirmation_of
from doe.acts.gauges.line import gauged_line
from doe.acts.recipe.recipes import newest_for
from doe.acts.recipe.record_items import facts_of_study, record_items
from doe.acts.recipe.release import Wishes, release_study
from doe.acts.study.change import change_study
from doe.acts.study.drawings import drawings_sum
from doe.acts.study.fits import answer_from
from doe.acts.study.limits import known_beyond, missing
from doe.acts.study.plans import commit_plan, may_withdraw, plans_sum, withdraw_plan
from doe.acts.study.rounds import confirmation_counts, is_blind, is_comparison, score_counts
from doe.acts.study.standing import answer_kept, answer_now, retune_of, standing_of
from doe.bench.beside import Rank
from doe.bench.views import Hidden, Link, SettingRow
from doe.bench.web import Visit, page
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import InputError, check_note
from doe.domain.limits import LIMIT_OPTIONS, Limits, needed_limits
from doe.domain.plan_kinds import JUDGING
from doe.domain.recipe import PARTS
from doe.domain.spec import Conditions
from doe.domain.standing import NextStep, StudyStanding
from doe.domain.study import Study
from doe.domain.units import SYMBOLS, Shown, fixed
from doe.office import works
from doe.office.compare import recipe_of, told_of_comparison
from doe.office.limits import limit_fields, limit_unit, limits_sent
from doe.office.steps import (
    approver,
    as_sent,
    beside,
    by_field,
    lines_of,
    recipe_url,
    step_link,
    told,
    with_problems,
    worked_out,
)
from doe.office.views import AskPage, Field, Fold, Form, JobPage, Mile, Option, Working
from doe.plans.decisions import outcome, stepwise
from doe.setpoint.answer import Answer
from doe.words import typed
from doe.words.conditions import condition_texts
from doe.words.gauges.dials import dials_of_settings
from doe.words.limits import LIMIT_LABELS, range_warnings
from doe.words.study import answer as answers
from doe.words.study.plans import kind_label, led_to, not_tried, said
from doe.words.study.standing import frame, headline, meaning
from doe.words.study.state import counts_sentence, held_words, rule_words, setting_error_words, target_words
from doe.words.typed import quantity
from doe.words.wording import amount_both, amount_range, count, percent, stated
from reports.views import StudyDrawings

SIZES = (12, 20, 28)
"""Coupons of a first round that are offered side by side."""
STEPWISE = "step by step"
GRADES_ASKED = {"yes": True, "no": False}
"""What is sent where somebody says whether grades are asked for; nothing else is the usual."""

Problems = Mapping[str, InputError]


def study(visit: Visit, problems: Problems | None = None) -> Response:
    """The page of a study."""
    shop = visit.bench.shop
    book, shown = shop.look, shop.shown
    record = book.study(visit.number("study"))
    known = standing_of(book, record.id)
    kept = answer_kept(book, record)
    answer = None if kept is None else answer_from(kept.payload)
    setpoint = record.study.settings if answer is None else answer.setpoint
    forms, acts, working = ((_take_out(record),), (), None) if record.archived else _next(visit, record, known)
    drawn = None if kept is None else _drawn(visit, record, kept)  # after the forms, which wait for nothing else
    compared: tuple[str, ...] = ()
    if known.state == "comparing" and not record.archived and score_counts(book, record.id).scored:
        retuned = retune_of(book, record)
        ways = () if retuned is None else (Link(told("to_retune", name=retuned.name), f"/study/{retuned.id}"),)
        acts = (*acts, *ways, recipe_of(book, record.id))
        found = _compared(visit, record)
        if isinstance(found, Working):
            working = found
        else:
            compared, more_forms = found
            forms = (*forms, *(f for f in (_permitted(visit, form) for form in more_forms) if f is not None))
    problems = problems or {}
    undo = tuple(_undo(book, record))
    if working is not None and problems:  # what was typed stays as long as somebody looks at it
        working = replace(working, goes_on=False)
    elif working is not None and working.goes_on:  # nothing is typed into a page that goes on by itself
        forms = undo = ()
    asked = {field.name for form in (*forms, *undo) for field in form.fields}
    # what has no field on this page, or none any more, stands above everything
    general = tuple(line for name, error in problems.items() if name not in asked for line in lines_of(error))
    view = JobPage(
        replace(visit.frame(problems=general), about=record.name, study=record.id),
        standing=headline(known, shown),
        meaning=meaning(known, shown),
        style=frame(known),
        miles=_miles(book, record, known),
        settings=_dials(book, record, setpoint, shown) if setpoint else (),
        answer=_told(record.study, shown) or compared if answer is None else _answer(record.study, answer, shown),
        acts=acts,
        forms=tuple(_with_problems(form, problems, visit) for form in forms),
        papers=_papers(book, record, has_report=answer is not None or record.study.known is not None),
        folds=_folds(record, shown, condition_texts(conditions_of(book, record), (), shown)),
        undoing=told("undoing"),
        undo=tuple(_with_problems(form, problems, visit) for form in undo),
        undo_open=any(field.name in problems for form in undo for field in form.fields),
        working=working,
        drawn=drawn if isinstance(drawn, StudyDrawings) else None,
        drawing=drawn if isinstance(drawn, Working) else None,
    )
    return page("office_study.html", view, status=422 if problems else 200)


def _drawn(visit: Visit, record: StudyRecord, kept: AnalysisRecord) -> StudyDrawings | Working:
    """Room strips and maps of the answer, or how far they are; the page does not wait for them."""
    shop = visit.bench.shop
    book = shop.look
    inputs = shop.kept(("drawings sum", record.id, shop.last_act(), today()), lambda: drawings_sum(book, record))
    found = worked_out(
        visit,
        ("drawings", record.id, inputs),
        told("working_drawn"),
        f"/study/{record.id}",
        partial(works.draw, record=record, kept=kept, inputs=inputs, shown=shop.shown),
        rank=Rank.ADDED,
    )
    if isinstance(found, Working) and found.goes_on:
        return replace(found, lines=(told("working_drawn_more"),))
    return found


def _compared(visit: Visit, record: StudyRecord) -> tuple[tuple[str, ...], tuple[Form, ...]] | Working:
    """What a comparison says and what can be done about it, or how far its verdict is."""
    shop = visit.bench.shop
    book, now = shop.look, shop.last_act()
    inputs = shop.kept(("comparison sum", record.id, now), lambda: comparison_sum(book, record.id))
    judged = worked_out(
        visit,
        ("judged", record.id, inputs),
        told("working_compared"),
        f"/study/{record.id}",
        partial(works.judge, number=record.id),
    )
    if isinstance(judged, Working):
        return judged
    return shop.kept(("compared", record.id, now), lambda: told_of_comparison(book, record.id, judged))


def _permitted(visit: Visit, form: Form) -> Form | None:
    """A form that changes a recipe as whoever looks may use it; None where it belongs to others."""
    if not form.action.startswith("/also/"):
        return form
    if not visit.may("releases"):
        return None
    return replace(form, fields=()) if visit.signs_in else form


def _with_problems(form: Form, problems: Problems, visit: Visit) -> Form:
    """The form as it was typed, with what was wrong beside its field."""
    if not problems:
        return form
    is_open = any(field.name in problems for field in form.fields)
    return replace(form, fields=with_problems(as_sent(form.fields, visit), problems), is_open=is_open)


# what is shown


def _miles(book: Book, record: StudyRecord, known: StudyStanding) -> tuple[Mile, ...]:
    if is_comparison(book, record.id):
        return ()
    counts = score_counts(book, record.id)
    apart = confirmation_counts(book, record.id)
    recipe = newest_for(book, record.id)
    reached = {
        "question": True,
        "limits": not missing(record.study),
        "coupons": bool(counts.coupons) and not counts.waiting and not counts.unfinished,
        "answer": known.state in ("ready", "confirming", "confirmed", "released", "doubtful", "superseded", "retired"),
        "confirmation": known.state in ("confirmed", "released", "doubtful", "superseded", "retired"),
        "recipe": recipe is not None and recipe.in_force,
    }
    more = {
        "coupons": counts_sentence(counts) if counts.coupons else "",
        "confirmation": "" if apart is None else counts_sentence(apart),
        "recipe": "" if recipe is None else f"{recipe.recipe.name}, {recipe.recipe.revision}",
    }
    if record.study.known is not None:  # neither searched nor answered
        del reached["coupons"], reached["answer"]
    first = next((name for name, is_done in reached.items() if not is_done), "")
    return tuple(
        Mile(told(f"mile_{name}"), more.get(name, ""), is_done, name == first) for name, is_done in reached.items()
    )


def _dials(
    book: Book, record: StudyRecord, setpoint: Mapping[str, float | str], shown: Shown
) -> tuple[SettingRow, ...]:
    """What to dial in: temperatures through the gauges of the line, the surface named beside."""
    dials = {d.name: d for d in dials_of_settings(gauged_line(book, record), record.study, setpoint, shown)}
    rows = []
    for f in record.study.factors:
        dial = dials.get(f.name)
        value = amount_both(f, setpoint[f.name], shown) if dial is None else dial.dial
        more = (
            ""
            if dial is None
            else told("dial_surface", surface=dial.surface)
            if dial.is_checked
            else told("dial_unchecked")
        )
        first, _, rest = value.partition(" (")
        rows.append(SettingRow(f.label, first, rest.rstrip(")"), more))
    return tuple(rows)


def _told(study: Study, shown: Shown) -> tuple[str, ...]:
    """What is known of settings that are known, and what is not; nothing where they are searched for."""
    if study.known is None:
        return ()
    broken = known_beyond(study)
    return (
        *(() if broken is None else lines_of(broken)),
        told("known_from", source=study.known),
        told("known_open"),
        *([held_words(study.held, shown)] if study.held else []),
    )


def _answer(study: Study, answer: Answer, shown: Shown) -> tuple[str, ...]:
    return (
        *answers.sureness(study, answer),
        answers.window_sentences(study, answer, shown)[0],
        told("cliff", cliff=answers.nearest_cliff(study, answer, shown)),
    )


def _papers(book: Book, record: StudyRecord, *, has_report: bool) -> tuple[Link, ...]:
    info = book.plan_info(record.id)
    found = []
    if info.rounds:
        found += [
            Link(told("paper_sheet"), f"/paper/{record.id}/sheet", told("paper_sheet_more")),
            Link(told("paper_entry"), f"/paper/{record.id}/entry", told("paper_entry_more")),
            Link(told("paper_artwork"), f"/paper/{record.id}/artwork", told("paper_artwork_more")),
            Link(
                told("paper_artwork_mirrored"),
                f"/paper/{record.id}/artwork_mirrored",
                told("paper_artwork_mirrored_more"),
            ),
        ]
    if is_blind(book, record.id):
        found.append(Link(told("paper_key"), f"/paper/{record.id}/key", told("paper_key_more")))
    if has_report:
        found.append(Link(told("paper_report"), f"/paper/{record.id}/report", told("paper_report_more")))
    if any(r.kind in JUDGING for r in info.rounds):
        page_name = "comparison" if is_comparison(book, record.id) else "confirmation"
        found.append(Link(told(f"paper_{page_name}"), f"/paper/{record.id}/{page_name}"))
    return tuple(found)


def _folds(record: StudyRecord, shown: Shown, conditions: Mapping[str, str]) -> tuple[Fold, ...]:
    study, limits = record.study, record.study.limits or Limits()
    asked = [f"{record.stack.name}: {record.stack.fabric}, {record.stack.film}, {record.stack.powder}."]
    asked += [f"{record.line.name}: {record.line.oven.name}, {record.line.press.name}.", target_words(study.spec)]
    for f in study.factors:
        if f.fixed:
            asked.append(f"{f.label}: {amount_both(f, f.low, shown)}; {setting_error_words(f, shown)}")
            continue
        if f.is_categorical:
            asked.append(f"{f.label}: {' / '.join(f.levels)}")
            continue
        asked.append(f"{f.label}: {amount_range(f, f.low, f.high, shown)}; {setting_error_words(f, shown)}")
    asked += [held_words(study.held, shown)] if study.held else []
    asked += [f"{name}: {text}" for name, text in conditions.items()]
    asked += [rule_words(study, rule, shown) for rule in study.forbidden]
    known = []
    for name in needed_limits(study.factors):
        value = getattr(limits, name)
        text = told("limit_missing") if value is None else typed.limit_text(name, value, shown)
        source = limits.sources.get(name, "") if value is not None else ""
        known.append(f"{LIMIT_LABELS[name]}: {text}" + (f" ({source})" if source else ""))
    warned = range_warnings(study, record.stack, today(), shown)
    folds = [Fold(told("fold_question"), tuple(asked)), Fold(told("fold_limits"), tuple(known))]
    if warned:
        folds.append(Fold(told("fold_warnings"), tuple(warned)))
    return tuple(folds)


# what was a mistake


def _undo(book: Book, record: StudyRecord) -> Iterator[Form]:
    """Forms that take back what was done with a study: its plan while nobody made a coupon of it, and the study."""
    if record.archived:
        return
    if may_withdraw(book, record) and not is_comparison(book, record.id):
        why = Field("withdraw_why", told("withdraw_plan_why"))
        lead = (told("withdraw_plan_lead"),)
        yield Form(
            told("withdraw_plan_title"),
            f"/withdraw-plan/{record.id}",
            told("withdraw_plan_do"),
            lead,
            (why,),
            is_quiet=True,
        )
    away = Field("put_away_why", told("put_away_why"))
    lead = (told("put_away_lead"),)
    yield Form(told("put_away_title"), f"/put-away/{record.id}", told("put_away_do"), lead, (away,), is_quiet=True)


def _take_out(record: StudyRecord) -> Form:
    why = Field("take_out_why", told("take_out_why"))
    return Form(told("take_out_title"), f"/take-out/{record.id}", told("take_out_do"), (told("take_out_lead"),), (why,))


def withdraw(visit: Visit) -> Response | str:
    """Withdraw a plan that nobody has made a coupon of; the question begins anew."""
    try:
        with visit.storing() as book:
            made = withdraw_plan(book, visit.number("study"), visit.text("withdraw_why"))
    except InputError as error:
        return study(visit, {"withdraw_why": error})
    return f"/study/{made.record.id}"


def put_away(visit: Visit) -> Response | str:
    """Put a study away; nothing of it is deleted."""
    number = visit.number("study")
    try:
        with visit.storing() as book:
            book.archive_study(number, visit.text("put_away_why"))
    except InputError as error:
        return study(visit, {"put_away_why": error})
    return f"/study/{number}"


def take_out(visit: Visit) -> Response | str:
    """Take a study out again that was put away."""
    number = visit.number("study")
    try:
        with visit.storing() as book:
            book.restore_study(number, visit.text("take_out_why"))
    except InputError as error:
        return study(visit, {"take_out_why": error})
    return f"/study/{number}"


# what comes next


def _next(
    visit: Visit, record: StudyRecord, known: StudyStanding
) -> tuple[tuple[Form, ...], tuple[Link, ...], Working | None]:
    """The forms and ways that the steps of a standing ask for, and what of it is still being worked out."""
    forms: list[Form] = []
    working: Working | None = None
    acts: list[Link] = []
    # of a recipe in force another confirmation may be under way
    asked = known.state == "confirming" or any(step.step == "confirm" for step in known.steps)
    found = confirmation_of(visit.bench.shop.look, record.id) if asked else None
    is_open = found is not None and found.verdict == "open"
    steps = known.steps
    if found is not None and (is_open or known.state == "confirming"):
        others = (step for step in known.steps if step.step not in ("confirm", "confirmation_page"))
        steps = (*after_confirmation(found), *(others if known.state != "confirming" else ()))
    if any(step.step == "release" for step in steps):
        acts += _missing_of_record(visit.bench.shop.look, record)
    for number, step in enumerate(steps):
        if step.step == "release" and not visit.may("releases"):
            acts.append(Link(told("release_by_others"), "/people"))
            continue
        made = _form(visit, record, step) if step.step in _FORMS else None
        if step.step in ("confirm", "plan"):
            if not visit.can_post:  # no form is shown
                continue
            is_plan = step.step == "plan"
            offered = _plan(visit, record) if is_plan else _confirm(visit, record, f"/study/{record.id}")
            if isinstance(offered, Working):
                working = offered
                continue
            made = offered
        if made is None:
            acts.append(step_link(record.id, step))
        else:
            forms.append(replace(made, is_quiet=number > 0))
    if is_open:
        acts.append(Link(told("give_up"), f"/confirm/{record.id}", told("give_up_more")))
    may_grow = record.study.known is None and not any(s.step == "extend" for s in known.steps)
    if known.state in ("more", "distrusted", "unreachable", "refused") and may_grow:
        forms.append(replace(_extend(visit, record, NextStep("extend", coupons=4)), is_quiet=True))
    if known.state == "making" and score_counts(visit.bench.shop.look, record.id).scored:
        forms.append(replace(_recommend(visit, record, NextStep("recommend")), is_quiet=True))
    is_asked = any(step.step in ("limits", "plan") for step in steps)  # before that nobody washes anything
    if not is_asked and not is_comparison(visit.bench.shop.look, record.id):
        forms.append(_conditions(visit, record))
    seen: dict[str, Form] = {}
    for form in forms:
        seen.setdefault(form.action, form)
    return tuple(seen.values()), tuple(dict.fromkeys(acts)), working


def _form(visit: Visit, record: StudyRecord, step: NextStep) -> Form | None:
    """The form of a step; made again only after somebody stored something."""
    shop = visit.bench.shop
    key = ("form", record.id, step, visit.who, shop.last_act())
    return shop.kept(key, lambda: _FORMS[step.step](visit, record, step))


def _limits(visit: Visit, record: StudyRecord, step: NextStep | None = None) -> Form:
    """Limits that are missing; without a ``step`` all of them, to be corrected or given their source."""
    shown, known = visit.bench.shop.shown, record.study.limits or Limits()
    fields: list[Field] = []
    for field in needed_limits(record.study.factors):
        name, value = LIMIT_OPTIONS[field], getattr(known, field)
        if step is not None and value is not None and missing(record.study):
            continue
        typed_now = "" if value is None else f"{shown.value(value, limit_unit(field)):.6g}"
        fields += limit_fields(name, shown, typed_now, known.sources.get(field, ""))
    if step is None:
        fields.append(Field("why", told("limit_why"), hint=told("limit_why_hint")))
    return Form(
        told("limits_title"), f"/limits/{record.id}", told("limits_store"), (told("limits_lead"),), tuple(fields)
    )


def _plan(visit: Visit, record: StudyRecord) -> Form | Working:
    """Plans of several sizes side by side, worked out beside the page."""
    shop, options = visit.bench.shop, []
    book, shown = shop.look, shop.shown
    key = ("plans", record.id, plans_sum(book, record.id))
    work = partial(works.offer_plans, number=record.id, sizes=SIZES, shown=shown)
    found = worked_out(visit, key, told("working_plans"), f"/study/{record.id}", work)
    if isinstance(found, Working):
        return found
    for size, judged in found.items():
        told_of = said(judged.can_tell, record.study, shown)[:1]
        tried = led_to(outcome(record.study, judged.kind, judged.coupons))
        text = told("plan_option", coupons=judged.coupons, garments=judged.garments, hours=fixed(judged.hours, 1))
        options.append(
            Option(
                f"{judged.kind}|{judged.coupons}",
                text,
                " ".join((f"{kind_label(judged.kind)}.", tried or " ".join(told_of))),
                size == 20,
            )
        )
    more = f"{told('plan_stepwise_more')} {led_to(stepwise(record.study))}".rstrip()
    options.insert(0, Option(STEPWISE, told("plan_stepwise"), more, not options))
    field = Field("plan", told("plan_which"), options=tuple(options))
    asked = _grades(record.study.grades)
    lead = (told("plan_lead"), *not_tried(record.study))
    return Form(told("plan_title"), f"/plan/{record.id}", told("plan_make"), lead, (field, asked))


def _grades(kept: bool | None) -> Field:
    """Whether grades are asked for; what a withdrawn plan of the same question said is there to be changed."""
    ways = [] if kept is not None else [Option("", told("plan_grades_usual"), is_on=True)]
    ways.append(Option("yes", told("plan_grades_yes"), is_on=kept is True))
    ways.append(Option("no", told("plan_grades_no"), is_on=kept is False))
    return Field("grades", told("plan_grades"), hint=told("plan_grades_hint"), options=tuple(ways), is_list=True)


def _recommend(visit: Visit, record: StudyRecord, step: NextStep) -> Form:
    del visit, step
    return Form("", f"/answer/{record.id}", told("step_recommend"))


def _extend(visit: Visit, record: StudyRecord, step: NextStep) -> Form:
    field = Field("coupons", told("extend_how_many"), value=str(step.coupons))
    lead = (told("extend_lead"),)
    made = Form(told("extend_title"), f"/extend/{record.id}", told("extend_make"), lead, (field,))
    return replace(made, more_hidden=(Hidden("rounds", str(_rounds(visit, record.id))),))


def _rounds(visit: Visit, number: int) -> int:
    """How many rounds a study has by now: a form of before is not taken again by another device."""
    return len(visit.bench.shop.look.plan_info(number).rounds)


def _confirm(visit: Visit, record: StudyRecord, here: str) -> Form | Working | None:
    """What claims cost, worked out beside the page at ``here``; None where nothing can be confirmed."""
    shop = visit.bench.shop
    book = shop.look
    inputs = shop.kept(("claims sum", record.id, shop.last_act()), lambda: claims_sum(book, record.id))

    key = ("claims", record.id, inputs)
    found = worked_out(visit, key, told("working_claims"), here, partial(works.offer_claims, number=record.id))
    if isinstance(found, Working):
        return found
    (offer,) = found
    return None if offer is None else _claims(record, offer)


def _claims(record: StudyRecord, offer: ClaimOffer) -> Form:
    own = (record.study.spec.pass_rate, record.study.spec.assurance)
    mine = [r for r in offer.rows if (r.claim.pass_rate, r.claim.assurance) == own and not r.claim.failures]
    first = (mine or list(offer.rows))[0]
    options = tuple(
        Option(
            f"{r.claim.pass_rate!r}|{r.claim.assurance!r}|{r.claim.failures}",
            told(
                "claim_option_each" if r.claim.levels > 1 else "claim_option",
                each=r.claim.units // r.claim.levels,
                rate=stated(r.claim.pass_rate),
                sure=stated(r.claim.assurance),
                coupons=r.claim.units + r.corner_coupons,
                failures=count(r.claim.failures, "failure"),
            ),
            told("claim_cost", hours=fixed(r.hours, 1), garments=r.garments)
            + ("" if r.by_study is None else f" {told('claim_chance', chance=percent(r.by_study))}"),
            r is first,
        )
        for r in offer.rows
    )
    field = Field("claim", told("claim_which"), options=options)
    return Form(told("confirm_title"), f"/confirm/{record.id}", told("confirm_make"), (told("confirm_lead"),), (field,))


def _release(visit: Visit, record: StudyRecord, step: NextStep) -> Form:
    del step
    stack = record.stack
    lots = tuple(
        Field(f"lot_{part}", told("release_lot", part=part), hint=told("release_lot_hint"))
        for part in PARTS
        if getattr(stack, part, None) is not None and not getattr(stack, part).lot
    )
    fields = (
        Field("name", told("release_name"), value=record.stack.name, hint=told("release_name_hint")),
        *(() if visit.signs_in else (Field("approved_by", told("release_by"), value=visit.who),)),
        *lots,
        Field("gap", told("release_gap"), hint=told("release_gap_hint")),
        Field("peel", told("release_peel"), hint=told("release_peel_hint")),
        Field("second_press", told("release_second"), hint=told("release_second_hint")),
        Field("care_label", told("release_care")),
        Field("room", told("release_room"), hint=told("release_room_hint")),
        Field("review_months", told("release_review"), value="12"),
        Field("why", told("release_why"), hint=told("release_why_hint")),
        Field("setpoint_only", told("release_setpoint_only"), is_tick=True),
    )
    return Form(told("release_title"), f"/release/{record.id}", told("release_do"), (told("release_lead"),), fields)


CONDITIONS = ("programme", "drying", "detergent", "standard", "room")


def _conditions(visit: Visit, record: StudyRecord) -> Form:
    """How coupons are washed, and the room."""
    shown, known = visit.bench.shop.shown, conditions_of(visit.bench.shop.look, record)
    at = "" if known.wash_degc is None else f"{shown.value(known.wash_degc, 'degC'):.6g}"
    unit = SYMBOLS[shown.unit("degC")]
    fields = (
        Field("wash", told("conditions_wash", unit=unit), value=at),
        *(Field(name, told(f"conditions_{name}"), value=getattr(known, name)) for name in CONDITIONS),
    )
    title, keep = told("conditions_title"), told("conditions_keep")
    return Form(title, f"/conditions/{record.id}", keep, (), fields, is_quiet=True, is_folded=True)


def conditions(visit: Visit) -> Response | str:
    """Keep how coupons are washed, and the room."""
    shop = visit.bench.shop
    record = shop.look.study(visit.number("study"))
    try:
        wash = visit.text("wash")
        at = quantity(wash, "degC", told("conditions_wash_short"), shop.shown) if wash else None
        found = Conditions(at, **{name: visit.text(name) for name in CONDITIONS})
        with visit.storing() as book:
            keep_conditions(book, record, found)
    except InputError as error:
        return study(visit, by_field(error, _field_of_conditions))
    return f"/study/{record.id}"


def _field_of_conditions(problem: InputError) -> str:
    return problem.where if problem.where in CONDITIONS else "wash" if problem.where.startswith("wash") else ""


def _missing_of_record(book: Book, record: StudyRecord) -> list[Link]:
    """What a recipe's record lacks that is not asked in the form of its release."""
    places = {
        "oven": "/line/" + quote(record.line.name, safe=""),
        "press": "/line/" + quote(record.line.name, safe=""),
        "limits": f"/limits/{record.id}",
    }
    lacking = [i.what for i in record_items(facts_of_study(book, record, None)) if i.state == "missing"]
    return [Link(told(f"lacks_{what}"), places[what]) for what in lacking if what in places]


def _again(visit: Visit, record: StudyRecord, step: NextStep) -> Form:
    del visit, step
    return Form("", f"/again/{record.id}", told("step_make_again"), (told("again_lead"),))


_FORMS: Mapping[str, Callable[[Visit, StudyRecord, NextStep], Form | None]] = {
    "limits": _limits,
    "recommend": _recommend,
    "extend": _extend,
    "release": _release,
    "make_again": _again,
}


# acts


def limits_form(visit: Visit, problems: Problems | None = None) -> Response:
    """Every limit of a study, to be typed, corrected, or given its source."""
    record = visit.bench.shop.look.study(visit.number("study"))
    form = _with_problems(_limits(visit, record), problems or {}, visit)
    frame_ = replace(visit.frame(), about=record.name, study=record.id)
    ways = (Link(told("to_study"), f"/study/{record.id}", record.name),)
    return page(
        "office_ask.html", AskPage(frame_, told("limits_title"), (), (form,), ways), status=422 if problems else 200
    )


def limits(visit: Visit) -> Response | str:
    """Keep limits of the data sheets, each with where it stands; an empty one stays for later."""
    record = visit.bench.shop.look.study(visit.number("study"))
    names = [LIMIT_OPTIONS[field] for field in needed_limits(record.study.factors)]
    found, _, problems = limits_sent(visit, names, record.study.limits)
    if problems:
        return limits_form(visit, problems)
    try:
        with visit.storing() as book:
            change_study(book, record.id, record.study.with_limits(found), visit.text("why"))
    except InputError as error:
        return limits_form(visit, {"why": error})
    return f"/study/{record.id}"


def plan(visit: Visit) -> Response | str:
    """Make the plan that was chosen."""
    number, chosen = visit.number("study"), visit.text("plan")
    kind, _, size = chosen.partition("|")
    make = partial(commit_plan, key=number, grades=GRADES_ASKED.get(visit.text("grades")), shown=visit.bench.shop.shown)
    try:
        with visit.storing() as book:
            if chosen == STEPWISE:
                make(book, kind="auto", coupons=12, most=40)
            elif size.isdecimal():
                make(book, kind=kind, coupons=int(size))
            else:
                raise InputError("plan", repr(chosen), "one of those shown", "Choose one.")
    except InputError as error:
        return study(visit, {"": error})
    return f"/s/{number}"


def answer(visit: Visit) -> str:
    """Work out the answer beside the page."""
    number, book = visit.number("study"), visit.bench.shop.look
    if answer_now(book, book.study(number)) is not None:  # a second tap: the answer to the same coupons is kept
        return f"/study/{number}"
    work = partial(works.work_out_answer, number=number)
    return beside(visit, f"answer-{number}", told("working_answer"), work, lambda _: f"/study/{number}")


def extend(visit: Visit) -> Response | str:
    """Plan more coupons where they help most, beside the page."""
    number, shown = visit.number("study"), visit.bench.shop.shown
    text = visit.text("coupons")
    if not text.isdecimal() or not 1 <= int(text) <= 200:
        error = InputError("coupons", repr(text), "a whole number from 1 to 200", "Correct it.")
        return study(visit, {"coupons": error})
    if "rounds" in visit.form and visit.text("rounds") != str(_rounds(visit, number)):
        error = InputError("coupons", "others planned meanwhile", "those first", "Look at the study as it is now.")
        return study(visit, {"": error})
    work = partial(works.plan_more, number=number, coupons=int(text), shown=shown)
    return beside(visit, f"extend-{number}", told("working_extend"), work, lambda _: f"/s/{number}")


def confirm(visit: Visit) -> Response | str:
    """Fix the rule of a confirmation with its coupons, beside the page."""
    number = visit.number("study")
    rate, _, rest = visit.text("claim").partition("|")
    sure, _, failures = rest.partition("|")
    shown_again = confirm_anew if "attempt" in visit.form else study
    try:
        wishes = ClaimWishes(claims=(float(rate),), assurance=float(sure), allow=(int(failures),))
    except ValueError:
        error = InputError("claim", repr(visit.text("claim")), "one of those shown", "Choose one.")
        return shown_again(visit, {"claim": error})
    why = visit.text("give_up")
    if "attempt" in visit.form:
        try:
            _check_give_up(visit, why)
        except InputError as error:
            return confirm_anew(visit, {"give_up": error})
    work = partial(works.fix_rule, number=number, wishes=wishes, give_up=why)
    return beside(visit, f"confirm-{number}", told("working_confirm"), work, lambda _: f"/s/{number}")


def _check_give_up(visit: Visit, why: str) -> None:
    """Refuse to give up without a reason, or what another device has put an end to meanwhile."""
    check_note(why, "why")
    if not why:
        raise InputError("why", "nothing", "a few words", "Say why it is given up.")
    found = confirmation_of(visit.bench.shop.look, visit.number("study"))
    if found is None or str(found.current.plan.attempt) != visit.text("attempt") or found.verdict != "open":
        raise InputError("confirmation", "another one by now", "the one this page was about", "Look at the study.")


def confirm_anew(visit: Visit, problems: Problems | None = None) -> Response:
    """Give up a confirmation that is under way for another one, with what that means said before."""
    shop = visit.bench.shop
    record = shop.look.study(visit.number("study"))
    found = confirmation_of(shop.look, record.id)
    is_open = found is not None and found.verdict == "open"
    offered = _confirm(visit, record, f"/confirm/{record.id}") if is_open else None
    working = offered if isinstance(offered, Working) else None
    form = None if isinstance(offered, Working) else offered
    ways = (Link(told("to_study"), f"/study/{record.id}", record.name),)
    if working is not None:
        lines: tuple[str, ...] = (told("give_up_lead"),)
        forms: tuple[Form, ...] = ()
    elif form is None or found is None:
        lines, forms = (told("give_up_none"),), ()
    else:
        lines = (told("give_up_lead"),)
        form = replace(
            form,
            title=told("give_up_title"),
            fields=(*form.fields, Field("give_up", told("give_up_why"))),
            more_hidden=(Hidden("attempt", str(found.current.plan.attempt)),),
        )
        forms = (_with_problems(form, problems or {}, visit),)
    frame_ = replace(visit.frame(), about=record.name, study=record.id)
    view = AskPage(frame_, told("give_up"), lines, forms, ways, working=working)
    return page("office_ask.html", view, status=422 if problems else 200)


def again(visit: Visit) -> str:
    """Plan void confirmation coupons once more."""
    number = visit.number("study")
    with visit.storing() as book:
        replace_void(book, number)
    return f"/s/{number}"


def release(visit: Visit) -> Response | str:
    """Release what was confirmed as a recipe; everything that is missing is said at once."""
    number = visit.number("study")
    months = visit.text("review_months")
    try:
        wishes = Wishes(
            name=visit.text("name"),
            approved_by=approver(visit),
            why=visit.text("why"),
            review_months=int(months) if months.isdecimal() else 0,
            setpoint_only=visit.text("setpoint_only") == "yes",
            lots={part: lot for part in PARTS if (lot := visit.text(f"lot_{part}"))},
            gap=visit.text("gap"),
            peel=visit.text("peel"),
            second_press=visit.text("second_press"),
            care_label=visit.text("care_label"),
            room=visit.text("room"),
        )
        with visit.storing() as book:
            made = release_study(book, number, wishes, now=datetime.now(UTC))
    except InputError as error:
        return study(visit, by_field(error, _field_of_release))
    return recipe_url(made.recipe.name)


def _field_of_release(problem: InputError) -> str:
    """The field that something missing for a release is typed into; ``""`` where it is done elsewhere."""
    said = f"{problem.where} {problem.remedy}"
    if lot := re.search(r'--lot[ "]*(\w+)', said):
        return f"lot_{lot[1]}"
    options = "as|approved-by|why|review-months|gap|peel|second-press|care-label|room|setpoint-only"
    found = re.search(rf"--({options})\b", said)
    return "" if found is None else {"as": "name"}.get(found[1], found[1].replace("-", "_"))
