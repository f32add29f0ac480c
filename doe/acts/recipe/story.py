"""The story of a recipe, gathered from the book alone: what was known, planned, seen, considered, proved, approved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any

from doe.acts.base import RECOMMEND, Progress, version
from doe.acts.comparison.verdict import comparisons_of
from doe.acts.conditions import certificate_cautions
from doe.acts.confirmation.verdict import confirmation_of
from doe.acts.recipe.days import days_of
from doe.acts.recipe.recipes import find_recipe
from doe.acts.recipe.record_items import facts_of_study, record_items
from doe.acts.recipe.release import kept_figures
from doe.acts.study.deviations import deviations_of
from doe.acts.study.earlier import prior_of
from doe.acts.study.fits import Fitted, answer_from, fit_of
from doe.acts.study.sheets import report_facts
from doe.acts.study.standing import standing_of_recipe
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import InputError, quoted
from doe.domain.recipe import CARE_LABEL, ROOM, KeptRecipe, RecordItem
from doe.domain.units import METRIC, Shown
from doe.plans.compare import compare_plans, left_out
from doe.plans.judge import judge_plan
from doe.plans.plan import KINDS, Plan
from doe.setpoint.alternatives import Alternative, other_settings
from doe.setpoint.answer import Answer
from doe.surfaces.contract import sampled
from doe.words.comparison import said
from doe.words.diagnosis import case_told
from doe.words.gauges.cautions import caution_words, reading
from doe.words.recipe.card import confirmation_sentence
from doe.words.study.changes import study_changes
from doe.words.study.state import deviation, prior_told
from doe.words.wording import local
from reports.files import write_whole
from reports.recipe.story import RecipeStory, Reproduction, RoundFacts, recipe_story
from reports.study.inputs import HistoryRow

CASE = "case"
"""Topic of the notes that hold the shop's diagnosed cases."""

SAME_RATE = 1e-9
"""Rates that differ by less are the same figure: JSON keeps every digit of a number."""


@dataclass(frozen=True)
class StoryWritten:
    """A story that was written, and where."""

    path: Path
    story: RecipeStory


def write_story(
    book: Book,
    name: str,
    output: Path,
    *,
    revision: int | None = None,
    shown: Shown = METRIC,
    now: datetime,
    progress: Progress | None = None,
) -> StoryWritten:
    """Write why a recipe was chosen; nothing is stored.

    Raises
    ------
    InputError
        If there is no such recipe, its study is not in this book, or the place cannot be written.
    """
    kept = find_recipe(book, name, revision)
    story = tell_story(book, kept, shown=shown, now=now, progress=progress)
    return StoryWritten(write_whole(output, recipe_story(story)), story)


def tell_story(
    book: Book, kept: KeptRecipe, *, shown: Shown = METRIC, now: datetime, progress: Progress | None = None
) -> RecipeStory:
    """Everything the book knows about why a recipe is as it is.

    Raises
    ------
    InputError
        If its study, or the answer it was released from, is not in this book.
    """
    tell = progress or (lambda share: None)
    recipe = kept.recipe
    if kept.study_id is None:
        raise InputError(
            f"recipe {recipe.name}",
            f"study {recipe.study} is not in this book",
            "a recipe with its study",
            "Open the book it came from.",
        )
    record = book.study(kept.study_id)
    given = _answer_kept(book, record, kept)
    answer = answer_from(given.payload)
    # whether every figure can be made again is shown by making it, not by what the cache holds
    fitted = fit_of(book, record, given.seed, lambda share: tell(0.6 * share), sampling=sampled)
    others, repeat = _figures(record, fitted, given, answer, kept_figures(book, record.id, recipe))
    tell(0.8)
    report = replace(report_facts(book, fitted, answer, given, shown, now), standing=standing_of_recipe(book, kept))
    everything = book.results(record.id, include_void=True)
    plan, plans, not_possible = _plans(book, record)
    rounds = book.plan_info(record.id).rounds
    prior, confirmed = prior_of(book, record), confirmation_of(book, record.id)
    story = RecipeStory(
        revision=kept,
        revisions=book.recipes(recipe.name),
        report=report,
        judged_results=everything[~everything["coupon"].isin(report.results["coupon"])].reset_index(drop=True),
        readings=reading_rows(book, record, kept.at, shown),
        earlier="" if prior is None else prior_told(prior.lent),
        rounds=tuple(RoundFacts(r.round, r.kind, r.seed, r.coupons, local(r.made_at), r.made_by) for r in rounds),
        plan=plan,
        plans=plans,
        left_out=not_possible,
        plan_notes=rounds[0].notes if rounds else (),
        deviations=deviation_rows(book, record, shown),
        others=others,
        repeat=repeat,
        attempts=() if confirmed is None else confirmed.attempts,
        items=items_of_recipe(book, record, kept, answer),
        comparisons=compared_rows(book, kept),
        cases=case_rows(book, record, kept),
        on=now.astimezone(UTC).date(),
        shown=shown,
        days=days_of(book, kept),
        gauge_cautions=caution_words(certificate_cautions(book, recipe.line.name, now.astimezone(UTC).date())),
    )
    tell(1.0)
    return story


def _answer_kept(book: Book, record: StudyRecord, kept: KeptRecipe) -> AnalysisRecord:
    """The answer that was released: the one with the same inputs and seed, the last before the release."""
    recipe = kept.recipe
    found = [
        a for a in book.analyses(record.id, RECOMMEND) if a.inputs_hash == recipe.inputs_hash and a.seed == recipe.seed
    ]
    before = [a for a in found if a.made_at <= kept.at] or found
    if not before:
        raise InputError(
            f"recipe {recipe.name}, revision {recipe.revision}",
            "its answer is not in this book",
            "the answer it was released from",
            f"See what is kept: doe study show {quoted(record.name)}",
        )
    return before[-1]


def _figures(
    record: StudyRecord,
    fitted: Fitted,
    given: AnalysisRecord,
    answer: Answer,
    known: AnalysisRecord | None,
) -> tuple[tuple[Alternative, ...], Reproduction]:
    """What was considered, as kept at release, and whether the same comes out today."""
    today = other_settings(record.study, fitted.surfaces, answer)
    if known is None:
        return today, Reproduction("not kept", 0.0, given.version, version())
    kept = tuple(Alternative(**other) for other in known.payload["others"])
    then, now = known.version, version()
    if fitted.hash != given.inputs_hash:
        return kept, Reproduction("changed", 0.0, then, now)
    again = {(o.idea, o.coupon): o for o in today}
    pairs = [(o, again[(o.idea, o.coupon)]) for o in kept if (o.idea, o.coupon) in again]
    differences = ((abs(o.pass_rate - p.pass_rate), abs(o.pass_rate_low - p.pass_rate_low)) for o, p in pairs)
    apart = max(chain(*differences), default=0.0)
    is_same = apart <= SAME_RATE and len(pairs) == len(kept) == len(again)
    return kept, Reproduction("same" if is_same else "other", apart, then, now)


def deviation_rows(book: Book, record: StudyRecord, shown: Shown) -> tuple[HistoryRow, ...]:
    """What did not go as planned in a study."""
    changes = {c.at: study_changes(c.before, c.after, shown) for c in book.study_changes(record.id)}
    return tuple(
        HistoryRow(
            local(d.when), d.who, " ".join((deviation(d.what, record.study, shown), *changes.get(d.when, ()))), d.why
        )
        for d in deviations_of(book, record)
    )


def compared_rows(book: Book, kept: KeptRecipe) -> tuple[HistoryRow, ...]:
    """Comparisons with a recipe since its release, and those that this revision rests on."""
    behind = {also.comparison for also in kept.recipe.also or ()}
    return tuple(
        HistoryRow(local(c.begun_at), c.begun_by, *said((c.fact,)))
        for c in comparisons_of(book, kept.recipe.name)
        if c.begun_at >= kept.at or c.study in behind
    )


def case_rows(book: Book, record: StudyRecord, kept: KeptRecipe) -> tuple[HistoryRow, ...]:
    """Cases that were diagnosed since a release."""
    return tuple(
        HistoryRow(local(note.at), note.who, case_told(note.data["symptoms"], note.data["cause"]))
        for note in book.notes(CASE)
        if note.name in (record.name, kept.recipe.name) and note.at >= kept.at
    )


def items_of_recipe(book: Book, record: StudyRecord, kept: KeptRecipe, answer: Answer | None) -> tuple[RecordItem, ...]:
    """The least record as it stands for this revision."""
    recipe = kept.recipe
    facts = facts_of_study(book, record, answer)
    return record_items(
        replace(
            facts,
            stack=recipe.stack,
            line=recipe.line,
            handling=recipe.handling,
            care_label=recipe.record.get(CARE_LABEL, ""),
            room=recipe.record.get(ROOM, ""),
            inputs_hash=recipe.inputs_hash,
            seed=recipe.seed,
            version=recipe.version,
            is_confirmed=recipe.confirmation is not None,
            waived=recipe.exception,
            confirmed=(confirmation_sentence(recipe.confirmation, recipe.exception),),
        )
    )


def _plans(book: Book, record: StudyRecord) -> tuple[Any, tuple[Any, ...], tuple[Any, ...]]:
    """Judgement of the first round, of other plans for as many coupons, and those that were not possible.

    Plans are made from the seed that was stored, so the same ones come out whenever this is asked.
    """
    info = book.plan_info(record.id)
    coupons = book.plan_coupons(record.id)
    if not info.rounds or info.kind not in KINDS:
        return None, (), ()  # brought in from a sheet: nothing was planned
    first = coupons[coupons["round"] == info.rounds[0].round].reset_index(drop=True)
    made = judge_plan(Plan(record.study, info.kind, info.seed, first), line=record.line)
    others = compare_plans(record.study, coupons=len(first), seed=info.seed, line=record.line)
    return (
        made,
        tuple(j for j in others if j.kind != info.kind),
        left_out(record.study, coupons=len(first)),
    )


def reading_rows(book: Book, record: StudyRecord, until: datetime, shown: Shown) -> tuple[HistoryRow, ...]:
    """Gauge readings of a study's line that were in the book at a moment, as at a release."""
    told = (
        HistoryRow(local(k.reading.taken_at or k.at), k.who, reading(k.reading, shown, withdrawn=k.withdrawn))
        for k in book.gauge_history(record.line.name)
        if k.at <= until
    )
    return tuple(sorted(told, key=lambda t: t.when))
