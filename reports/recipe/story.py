"""Why a recipe was chosen: question, plan, every coupon, other settings, proof, approval, and what came after."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Literal

import pandas as pd
from markupsafe import Markup

from doe.assure.confirmation.attempts import Attempt
from doe.assure.days import Days
from doe.domain.finding import Finding
from doe.domain.recipe import KeptRecipe, RecordItem
from doe.domain.standing import StudyStanding, standing_of_revision
from doe.domain.units import METRIC, Shown
from doe.plans.compare import LeftOut
from doe.plans.judge import PlanJudgement
from doe.setpoint.alternatives import Alternative
from doe.words.confirmation.plan import attempt_told
from doe.words.recipe.card import changes_between, confirmation_sentence, recipe_cautions, state_words
from doe.words.recipe.days import day_lines
from doe.words.recipe.record import found_words, item_label
from doe.words.recipe.story import other_row, plan_proof_row, plan_row, plan_words, round_kind
from doe.words.study.answer import by_answer, lead, nearest_cliff, sureness, window_sentences
from doe.words.study.plans import kind_label, said, why_left_out
from doe.words.study.standing import frame, headline, meaning
from doe.words.wording import count, date_and_time, day, held, listing, sentence
from reports.names import given_names
from reports.pages import render
from reports.recipe.card import CardSetting, card_setting
from reports.recipe.days import day_charts
from reports.sheet.page import Pair, limit_pairs, stack_pairs
from reports.study.inputs import HistoryRow, StudyReport
from reports.study.pictures import map_key, map_pictures, maps_of, profiles_of
from reports.study.proof import (
    cliff_table,
    coupon_table,
    forbidden_words,
    history_table,
    method_lines,
    range_pairs,
    target_pairs,
)
from reports.study.rooms import rooms
from reports.views import PageTable, Picture, Rooms, heads


@dataclass(frozen=True)
class RoundFacts:
    """One round of coupons: number, kind, seed, coupons, when it was stored and by whom."""

    round: int
    kind: str
    seed: int
    coupons: int
    made_at: datetime
    made_by: str


@dataclass(frozen=True)
class Reproduction:
    """Whether the figures kept at release come out again.

    ``outcome``: same, other (they differ by up to ``largest``, a share), changed (the results are no longer the same),
    or not kept. ``version_then`` and ``version_now`` are those of the program.
    """

    outcome: Literal["same", "other", "changed", "not kept"]
    largest: float
    version_then: str
    version_now: str


@dataclass(frozen=True)
class RecipeStory:
    """Inputs of `recipe_story`.

    Attributes
    ----------
    revision : KeptRecipe
        The one that is told about.
    revisions : tuple of KeptRecipe
        All of them, oldest first.
    report : StudyReport
        Of the study behind it, with the answer as it was kept; its surfaces are those of the results as they stand.
    judged_results : DataFrame
        Coupons that only judged the answer (confirmation), format as ``report.results``; may be empty.
    readings : tuple of HistoryRow
        Gauge readings of the line.
    earlier : str
        What an earlier study lent to this one, a sentence; may be empty.
    rounds : tuple of RoundFacts
    plan : PlanJudgement
        Of the first round, as it would have been judged when it was made.
    plans : tuple of PlanJudgement
        Others the same number of coupons allowed.
    left_out : tuple of LeftOut
    plan_notes : tuple of Finding or str
        Of the first round.
    deviations : tuple of HistoryRow
    others : tuple of Alternative
        What was considered, the setpoint first, as kept at release.
    repeat : Reproduction
    attempts : tuple of Attempt
        Confirmations, oldest first.
    items : tuple of RecordItem
    comparisons : tuple of HistoryRow
    cases : tuple of HistoryRow
    on : date
    shown : Shown
    days : Days or None
        First articles of the revision.
    gauge_cautions : tuple of str
        What is to be said of its gauge today.
    newest : StudyStanding or None
        Where the newest revision stands.
    """

    revision: KeptRecipe
    revisions: tuple[KeptRecipe, ...]
    report: StudyReport
    judged_results: pd.DataFrame
    readings: tuple[HistoryRow, ...]
    earlier: str
    rounds: tuple[RoundFacts, ...]
    plan: PlanJudgement | None
    plans: tuple[PlanJudgement, ...]
    left_out: tuple[LeftOut, ...]
    plan_notes: tuple[Finding | str, ...]
    deviations: tuple[HistoryRow, ...]
    others: tuple[Alternative, ...]
    repeat: Reproduction
    attempts: tuple[Attempt, ...]
    items: tuple[RecordItem, ...]
    comparisons: tuple[HistoryRow, ...]
    cases: tuple[HistoryRow, ...]
    on: date
    shown: Shown = METRIC
    days: Days | None = None
    gauge_cautions: tuple[str, ...] = ()
    newest: StudyStanding | None = None


@dataclass(frozen=True)
class StoryPage:
    """Everything in the story of a recipe.

    Attributes
    ----------
    page_title, name : str
    facts : tuple of str
        Revision, state, line, study; sentences.
    record_line : str
        Whether the least record is complete.
    settings : tuple of CardSetting
    handling, voids : tuple of str
    warnings : tuple of str
        What its user must know.
    confirmation, approval : str
    target_pairs, stack_pairs, held_pairs, limit_pairs, range_pairs, record_pairs : tuple of Pair
    forbidden_lines : tuple of str
    earlier_line : str
        What an earlier study lent; may be empty.
    readings_table : Table or None
    rounds_table : Table
    plan_lines : tuple of str
        Why that plan.
    can_tell, cannot_tell : tuple of str
        What it could and could not tell, before any coupon was made.
    plan_table : Table or None
        Plans side by side.
    plan_proof_table : Table or None
        The same in the measures of textbooks, for the statistician's fold.
    left_out_lines : tuple of str
    deviations_table : Table or None
    deviations_line : str
    coupon_tables : tuple of Table
        Every coupon, void ones too; then those that only judged the answer.
    standing, standing_kind, meaning : str
        What is known of the revision, the style of its frame, and what it means.
    headline, lead : str
        The answer as it was kept.
    answer_lines : tuple of str
        How sure, windows, nearest cliff.
    rooms : Rooms
        Room strips of the answer as it was kept.
    map_pictures : tuple of Picture
    map_key : str
    cliff_table : Table
    others_table : Table or None
    attempts_table : Table or None
    revisions_table : Table
    changes_table : Table or None
        Against the revision before.
    later_line : str
    days_lines : tuple of str
        How the first articles of this revision went, and by which rule they are judged.
    day_figures : tuple of Markup
    comparisons_table, cases_table : Table or None
    repeat_line : str
    source_pairs : tuple of Pair
    items_table : Table
    method_lines : tuple of str
    history_table : Table or None
    """

    page_title: str
    name: str
    standing: str
    standing_kind: str
    meaning: str
    facts: tuple[str, ...]
    record_line: str
    settings: tuple[CardSetting, ...]
    handling: tuple[str, ...]
    voids: tuple[str, ...]
    warnings: tuple[str, ...]
    confirmation: str
    approval: str
    target_pairs: tuple[Pair, ...]
    stack_pairs: tuple[Pair, ...]
    held_pairs: tuple[Pair, ...]
    limit_pairs: tuple[Pair, ...]
    range_pairs: tuple[Pair, ...]
    record_pairs: tuple[Pair, ...]
    forbidden_lines: tuple[str, ...]
    earlier_line: str
    readings_table: PageTable | None
    rounds_table: PageTable
    plan_lines: tuple[str, ...]
    can_tell: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    plan_table: PageTable | None
    plan_proof_table: PageTable | None
    left_out_lines: tuple[str, ...]
    deviations_table: PageTable | None
    deviations_line: str
    coupon_tables: tuple[PageTable, ...]
    headline: str
    lead: str
    answer_lines: tuple[str, ...]
    rooms: Rooms
    map_pictures: tuple[Picture, ...]
    map_key: str
    cliff_table: PageTable
    others_table: PageTable | None
    attempts_table: PageTable | None
    revisions_table: PageTable
    changes_table: PageTable | None
    later_line: str
    days_lines: tuple[str, ...]
    day_figures: tuple[Markup, ...]
    comparisons_table: PageTable | None
    cases_table: PageTable | None
    repeat_line: str
    source_pairs: tuple[Pair, ...]
    items_table: PageTable
    method_lines: tuple[str, ...]
    history_table: PageTable | None


def recipe_story(story: RecipeStory) -> str:
    """The story of a recipe as one HTML document that needs no network."""
    return render("recipe_story.html", story_page(story), names=given_names(story))


def story_page(story: RecipeStory) -> StoryPage:
    """View-model of `recipe_story`."""
    recipe, report, shown = story.revision.recipe, story.report, story.shown
    study, answer = report.study, report.answer
    curves = profiles_of(report)
    state = state_words(story.revision, story.on, story.newest)
    known = report.standing or standing_of_revision(story.revision)
    return StoryPage(
        page_title=f"Why this recipe: {recipe.name}, revision {recipe.revision}",
        name=recipe.name,
        standing=headline(known, shown),
        standing_kind=frame(known),
        meaning=meaning(known, shown),
        facts=(
            f"Revision {recipe.revision}, {state}.",
            f"For {recipe.stack.name} on {recipe.line.name}. Study: {recipe.study}.",
            f"Told from the book alone on {date_and_time(report.made_at)}.",
        ),
        record_line=record_sentence(story.items),
        settings=tuple(card_setting(s, shown, is_held=s.factor in recipe.held) for s in recipe.settings),
        handling=recipe.handling,
        voids=recipe.voids,
        warnings=tuple(dict.fromkeys((*story.gauge_cautions, *recipe_cautions(recipe)))),
        confirmation=confirmation_sentence(recipe.confirmation, recipe.exception),
        approval=f"Approved by {recipe.approved_by} on {day(recipe.approved_at)}; entered by {story.revision.who}. "
        f"Review by {day(recipe.review_on)}.",
        target_pairs=target_pairs(study),
        stack_pairs=stack_pairs(recipe.stack, recipe.line),
        held_pairs=tuple(Pair(*held(n, v, shown)) for n, v in recipe.held.items()),
        limit_pairs=limit_pairs(study, shown),
        range_pairs=range_pairs(report),
        record_pairs=tuple(Pair(n, text) for n, text in recipe.record.items()),
        forbidden_lines=tuple(forbidden_words(study, combination, shown) for combination in study.forbidden),
        earlier_line=sentence(story.earlier),
        readings_table=history_table(story.readings, "What the machines showed and what was measured", what="Reading"),
        rounds_table=_rounds_table(story.rounds),
        plan_lines=() if story.plan is None else plan_words(study, story.plan, story.plans, story.plan_notes, shown),
        can_tell=() if story.plan is None else said(story.plan.can_tell, study, shown),
        cannot_tell=() if story.plan is None else said(story.plan.cannot_tell, study, shown),
        plan_table=_plan_table(story),
        plan_proof_table=_plan_proof_table(story),
        left_out_lines=tuple(f"{sentence(kind_label(x.kind)).rstrip('.')}: {why_left_out(x)}" for x in story.left_out),
        deviations_table=history_table(story.deviations, "What did not go as planned"),
        deviations_line=deviations_sentence(len(story.deviations)),
        coupon_tables=_coupon_tables(story),
        headline=headline(by_answer(answer), shown),
        lead=lead(study, answer),
        answer_lines=(
            *sureness(study, answer),
            *window_sentences(study, answer),
            f"Nearest cliff: {nearest_cliff(study, answer, shown)}",
        ),
        rooms=rooms(report, curves),
        map_pictures=map_pictures(report, list(maps_of(report, curves))),
        map_key=map_key(report),
        cliff_table=cliff_table(report),
        others_table=_others_table(story),
        attempts_table=_attempts_table(story.attempts),
        revisions_table=revisions_table(story.revisions, story.on, story.newest),
        changes_table=_changes_table(story),
        later_line=later_sentence(story),
        days_lines=() if story.days is None else day_lines(story.days, shown),
        day_figures=() if story.days is None else day_charts(story.days, shown),
        comparisons_table=history_table(story.comparisons, "Compared", what="Comparison"),
        cases_table=history_table(story.cases, "Diagnosed since then", what="Case"),
        repeat_line=repeat_sentence(story.repeat),
        source_pairs=(
            Pair("sum of the inputs", recipe.inputs_hash or "not kept"),
            Pair("seed", "not kept" if recipe.seed is None else str(recipe.seed)),
            Pair("version of the program at the answer", recipe.version or "not kept"),
            Pair("version of the program now", story.repeat.version_now),
            Pair("id of the revision", story.revision.uid),
            Pair("seal of the book at the release", story.revision.seal or "not kept"),
        ),
        items_table=PageTable(
            "What a record must hold",
            heads("Item | State | What there is"),
            tuple((item_label(item), item.state, found_words(item)) for item in story.items),
        ),
        method_lines=method_lines(),
        history_table=history_table(report.history),
    )


def record_sentence(items: tuple[RecordItem, ...]) -> str:
    """Whether the least record is complete, and what is missing or can only be said.

    >>> record_sentence((RecordItem("film", "there", ("A12",)), RecordItem("room", "missing", ("nothing",))))
    'The record is not complete. Missing: room climate.'
    """
    missing, said = ([item_label(i) for i in items if i.state == state] for state in ("missing", "said"))
    if missing:
        first = f"The record is not complete. Missing: {listing(missing)}."
    else:
        first = "Nothing that can still be added is missing from the record." if said else "The record is complete."
    return f"{first} Said instead of shown: {'; '.join(said)}." if said else first


def repeat_sentence(found: Reproduction) -> str:
    """Whether the figures come out again.

    >>> repeat_sentence(Reproduction("same", 0.0, "0.1.0", "0.1.0"))
    'Fitted again today from the book with the same seed: every figure below is the same as at release.'
    """
    versions = f" Then it was version {found.version_then}, now it is {found.version_now}."
    match found.outcome:
        case "same":
            return (
                "Fitted again today from the book with the same seed: every figure below is the same as at release."
                + ("" if found.version_then == found.version_now else versions)
            )
        case "other":
            why = (
                versions
                if found.version_then != found.version_now
                else " The version is the same; another processor or library may round differently."
            )
            return (
                f"Fitted again today from the book with the same seed, rates differ by up to {found.largest * 100:.2g} "
                f"points from those at release; those at release are shown.{why}"
            )
        case "changed":
            return (
                "Results or study were changed after the release (see what did not go as planned), so the figures "
                "cannot be made again; those at release are shown."
            )
    return "No figures were kept with this release: those below are fitted today from the book."


def deviations_sentence(deviations: int) -> str:
    """How much did not go as planned."""
    if not deviations:
        return "Nothing: no coupon is void, nothing was corrected, nothing came late."
    return f"{count(deviations, 'entry', 'entries')}, each with who, when and why."


def later_sentence(story: RecipeStory) -> str:
    """What has come since the release."""
    since = sum(row.when >= story.revision.at for row in story.comparisons)
    behind = len(story.comparisons) - since
    compared, diagnosed = count(since, "comparison"), count(len(story.cases), "case")
    if not story.comparisons and not story.cases:
        return "No comparison with another material and no diagnosed case is in the book since then."
    first = f"This revision rests on {count(behind, 'comparison')} with another material. " if behind else ""
    return f"{first}Since then: {compared} with another material, {diagnosed} diagnosed."


def _rounds_table(rounds: tuple[RoundFacts, ...]) -> PageTable:
    return PageTable(
        "Rounds of coupons, each stored before it was scored unless it says otherwise",
        heads("Round: | Kind | Coupons: | Seed: | Stored | By"),
        tuple(
            (str(r.round), round_kind(r.kind), str(r.coupons), str(r.seed), date_and_time(r.made_at), r.made_by)
            for r in rounds
        ),
    )


def _plan_table(story: RecipeStory) -> PageTable | None:
    if story.plan is None:
        return None
    columns = heads("Plan | Why or why not | Coupons: | Hours:")
    rows = (plan_row(story.plan, story.plan), *(plan_row(story.plan, other) for other in story.plans))
    return PageTable("The plan that was made, and others for as many coupons", columns, rows)


def _plan_proof_table(story: RecipeStory) -> PageTable | None:
    if story.plan is None:
        return None
    columns = heads("Plan | Quadratic terms: | Prediction variance: | Smallest effect:")
    rows = tuple(map(plan_proof_row, (story.plan, *story.plans)))
    return PageTable("What the plan and others are worth, measured as textbooks do", columns, rows)


def _coupon_tables(story: RecipeStory) -> tuple[PageTable, ...]:
    tables = [coupon_table(story.report)]
    if len(story.judged_results):
        judged = coupon_table(replace(story.report, results=story.judged_results))
        tables.append(replace(judged, caption="Coupons that only judged the answer; they never entered the fit"))
    return tuple(tables)


def _others_table(story: RecipeStory) -> PageTable | None:
    if not story.others:
        return None
    study, chosen = story.report.study, story.others[0]
    return PageTable(
        "Other settings, counted as the setpoint is",
        heads("Idea | Why not | Expected: | At least: | Hand-feel: | Times: | Settings"),
        tuple(other_row(study, chosen, other, story.shown) for other in story.others),
    )


def _attempts_table(attempts: tuple[Attempt, ...]) -> PageTable | None:
    if not attempts:
        return None
    columns = heads("No.: | Planned | Claim | At the setpoint | Corners | Verdict")
    rows = tuple(map(attempt_told, attempts))
    return PageTable("Confirmations, each judged by a rule fixed before its coupons", columns, rows)


def revisions_table(revisions: tuple[KeptRecipe, ...], on: date, newest: StudyStanding | None) -> PageTable:
    """Every revision of a recipe, with who approved it, why, and how it stands on a day."""
    return PageTable(
        "Revisions and approvals",
        heads("Revision: | Approved by | On | Why | State"),
        tuple(
            (
                str(r.recipe.revision),
                r.recipe.approved_by,
                day(r.recipe.approved_at),
                r.recipe.why or "first release",
                state_words(r, on, newest) + (f" (by {r.retired_by})" if r.retired_by else ""),
            )
            for r in revisions
        ),
    )


def _changes_table(story: RecipeStory) -> PageTable | None:
    mine = story.revision.recipe
    before = [r.recipe for r in story.revisions if r.recipe.revision == mine.revision - 1]
    if not before:
        return None
    changes = changes_between(before[0], mine, story.shown)
    if not changes:
        return None
    return PageTable(
        f"What changed from revision {mine.revision - 1} to {mine.revision}",
        heads("What | Before | Now"),
        tuple((c.what, c.before, c.after) for c in changes),
    )
