"""The story of a recipe, gathered from the book alone: what was known, planned, seen, considered, proved, approved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.acts.answers import answer_from
from doe.acts.base import RECOMMEND, Progress, version
from doe.acts.comparison.verdict import comparisons_of
from doe.acts.confirmation.verdict import confirmation_of
from doe.acts.recipe.recipes import find_recipe
from doe.acts.recipe.record_items import RecordItem, facts_of_study, record_items
from doe.acts.recipe.release import kept_figures
from doe.acts.study.deviations import deviations_of
from doe.acts.study.earlier import prior_of
from doe.acts.study.fits import Fitted, fit_of
from doe.acts.study.rounds import coupons_to_learn_from, results_to_learn_from
from doe.book.records import AnalysisRecord, KeptRecipe, StudyRecord
from doe.domain.errors import InputError
from doe.domain.plan_kinds import COMPARE, CONFIRM
from doe.domain.texts import quoted
from doe.domain.units import METRIC, Shown
from doe.plans.compare import compare_plans, left_out
from doe.plans.judge import judge_plan
from doe.plans.plan import KINDS, Plan
from doe.setpoint.alternatives import Alternative, other_settings
from doe.setpoint.answer import Answer
from doe.words.comparison import said
from doe.words.confirmation.plan import claim_words, judged_words
from doe.words.dates import day, local
from doe.words.diagnosis import case_told
from doe.words.gauges.cautions import reading
from doe.words.recipe.card import confirmation_sentence
from doe.words.study.plans import kind_label
from doe.words.study.state import deviation, prior_told
from reports.files import write_whole
from reports.recipe.story import Item, RecipeStory, Reproduction, RevisionFacts, RoundFacts, Told, recipe_story
from reports.study.inputs import HistoryRow, Provenance, StudyReport

if TYPE_CHECKING:
    from doe.book.book import Book

CASE = "case"
"""Topic of the notes that hold the shop's diagnosed cases."""

SAME_RATE = 1e-9
"""Rates that differ by less are the same figure: JSON keeps every digit of a number."""


@dataclass(frozen=True)
class StoryWritten:
    """A story that was written: where, of which revision, whether its record is complete and its figures came again."""

    path: Path
    kept: KeptRecipe
    complete: bool
    items: tuple[RecordItem, ...]
    repeat: Reproduction
    others: tuple[Alternative, ...]


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
    if output.is_dir():
        raise InputError(str(output), "a folder", "the name of a file", "Add a file name, such as why.html.")
    kept = find_recipe(book, name, revision)
    story, items = tell_story(book, kept, shown=shown, now=now, progress=progress)
    path = write_whole(output, recipe_story(story))
    complete = all(item.state != "missing" for item in items)
    return StoryWritten(path, kept, complete, items, story.repeat, story.others)


def tell_story(
    book: Book, kept: KeptRecipe, *, shown: Shown = METRIC, now: datetime, progress: Progress | None = None
) -> tuple[RecipeStory, tuple[RecordItem, ...]]:
    """Everything the book knows about why a recipe is as it is."""
    tell = progress or (lambda share: None)
    recipe = kept.recipe
    if kept.study_id is None:
        found = f"study {recipe.study} is not in this book"
        raise InputError(f"recipe {recipe.name}", found, "a recipe with its study", "Open the book it came from.")
    record = book.study(kept.study_id)
    given = _answer_kept(book, record, kept)
    answer = _answer(given)
    fitted = fit_of(book, record, given.seed, lambda share: tell(0.6 * share))
    known = kept_figures(book, record.id, recipe)
    others, repeat = _figures(record, fitted, given, answer, known)
    tell(0.8)
    items = _items(book, record, kept, answer)
    learned = results_to_learn_from(book, record.id, include_void=True)
    everything = book.results(record.id, include_void=True)
    judged = everything[~everything["coupon"].isin(learned["coupon"])].reset_index(drop=True)
    plan, plans, left_out = _plans(book, record)
    info = book.plan_info(record.id)
    story = RecipeStory(
        revision=_revision(kept),
        revisions=tuple(_revision(k) for k in book.recipes(recipe.name)),
        report=_report(book, record, fitted, answer, given, learned, shown, now),
        judged_results=judged,
        readings=_readings(book, record, kept.at, shown),
        earlier=_earlier(book, record),
        rounds=_rounds(book, record),
        plan=plan,
        plans=plans,
        left_out=left_out,
        plan_notes=info.rounds[0].notes if info.rounds else (),
        deviations=_deviations(book, record, shown),
        others=others,
        repeat=repeat,
        attempts=_attempts(book, record),
        items=tuple(Item(item.what, item.state, item.found) for item in items),
        comparisons=_comparisons(book, recipe.name, kept.at),
        cases=_cases(book, {record.name, recipe.name}, kept.at),
        on=now.astimezone(UTC).date(),
        shown=shown,
    )
    tell(1.0)
    return story, items


def _answer_kept(book: Book, record: StudyRecord, kept: KeptRecipe) -> AnalysisRecord:
    """The answer that was released: the one with the same inputs and seed, the last before the release."""
    recipe = kept.recipe
    found = [
        a
        for a in book.analyses(record.id)
        if a.kind == RECOMMEND and a.inputs_hash == recipe.inputs_hash and a.seed == recipe.seed
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


def _answer(given: AnalysisRecord) -> Answer:
    return answer_from(given.payload)


def _figures(
    record: StudyRecord,
    fitted: Fitted,
    given: AnalysisRecord,
    answer: Answer,
    known: tuple[AnalysisRecord, Mapping[str, Any]] | None,
) -> tuple[tuple[Alternative, ...], Reproduction]:
    """What was considered, as kept at release, and whether the same comes out today."""
    if known is None:
        return other_settings(record.study, fitted.surfaces, answer), Reproduction(
            "not kept", 0.0, given.version, version()
        )
    kept = tuple(Alternative(**other) for other in known[1]["others"])
    then, now = known[0].version, version()
    if fitted.hash != given.inputs_hash:
        return kept, Reproduction("changed", 0.0, then, now)
    again = {(o.idea, o.coupon): o for o in other_settings(record.study, fitted.surfaces, answer)}
    pairs = [(o, again[(o.idea, o.coupon)]) for o in kept if (o.idea, o.coupon) in again]
    apart = max(
        (
            abs(rate - other)
            for o, p in pairs
            for rate, other in ((o.pass_rate, p.pass_rate), (o.pass_rate_low, p.pass_rate_low))
        ),
        default=0.0,
    )
    is_same = apart <= SAME_RATE and len(pairs) == len(kept) == len(again)
    return kept, Reproduction("same" if is_same else "other", apart, then, now)


def _items(book: Book, record: StudyRecord, kept: KeptRecipe, answer: Answer) -> tuple[RecordItem, ...]:
    """The least record as it stands for this revision."""
    recipe = kept.recipe
    facts = facts_of_study(book, record, answer)
    return record_items(
        replace(
            facts,
            stack=recipe.stack,
            line=recipe.line,
            handling=recipe.handling,
            record=recipe.record,
            inputs_hash=recipe.inputs_hash,
            seed=recipe.seed,
            version=recipe.version,
            approved_by=recipe.approved_by,
            is_confirmed=recipe.confirmation is not None,
            waived=recipe.exception,
            confirmed=confirmation_sentence(recipe.confirmation, recipe.exception),
        )
    )


def _report(
    book: Book,
    record: StudyRecord,
    fitted: Fitted,
    answer: Answer,
    given: AnalysisRecord,
    results: pd.DataFrame,
    shown: Shown,
    now: datetime,
) -> StudyReport:
    acts = [a for a in reversed(book.audit(None)) if a.study_id == record.id]
    return StudyReport(
        study=record.study,
        stack=record.stack,
        line=record.line,
        surfaces=fitted.surfaces,
        answer=answer,
        coupons=coupons_to_learn_from(book, record.id),
        results=results,
        provenance=Provenance(given.inputs_hash, given.version, given.made_by, local(given.made_at)),
        made_at=local(now),
        history=tuple(HistoryRow(local(a.at), a.who, f"{a.verb}: {a.subject}", a.why) for a in acts),
        shown=shown,
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


def _rounds(book: Book, record: StudyRecord) -> tuple[Any, ...]:
    judging = {CONFIRM: "confirmation: judges the answer, never enters the fit", COMPARE: "comparison of materials"}
    return tuple(
        RoundFacts(
            r.round,
            judging.get(r.kind) or kind_label(r.kind),
            r.seed,
            r.coupons,
            local(r.made_at),
            r.made_by,
        )
        for r in book.plan_info(record.id).rounds
    )


def _earlier(book: Book, record: StudyRecord) -> str:
    """What an earlier study lent to this one; empty where none did."""
    prior = prior_of(book, record)
    if prior is None:
        return ""
    return prior_told(prior.lent)


def _readings(book: Book, record: StudyRecord, until: datetime, shown: Shown) -> tuple[Told, ...]:
    """Gauge readings that were in the book at the release."""
    told: list[Told] = []
    for k in book.gauge_history(record.line.name):
        if k.at > until:
            continue
        r = k.reading
        told.append(Told(local(r.taken_at or k.at), k.who, reading(r, shown, withdrawn=k.withdrawn)))
    return tuple(sorted(told, key=lambda t: t.when))


def _deviations(book: Book, record: StudyRecord, shown: Shown) -> tuple[Told, ...]:
    return tuple(
        Told(local(d.when), d.who, deviation(d.what, record.study, shown), d.why) for d in deviations_of(book, record)
    )


def _attempts(book: Book, record: StudyRecord) -> tuple[tuple[str, ...], ...]:
    """Every confirmation of the study in words: number, day, claim, counts at the setpoint, corners, verdict."""
    found = confirmation_of(book, record.id)
    rows = []
    for attempt in found.attempts if found is not None else ():
        plan, judged = attempt.plan, attempt.judged
        given_up = f" ({plan.given_up})" if plan.given_up else ""
        made_on = "" if plan.made_at is None else day(local(plan.made_at))
        counts, corners = judged_words(judged)
        rows.append((str(plan.attempt), made_on, claim_words(plan), counts, corners, attempt.verdict + given_up))
    return tuple(rows)


def _comparisons(book: Book, name: str, since: datetime) -> tuple[Told, ...]:
    return tuple(
        Told(local(c.begun_at), c.begun_by, *said((c.fact,))) for c in comparisons_of(book, name) if c.begun_at >= since
    )


def _cases(book: Book, names: set[str], since: datetime) -> tuple[Told, ...]:
    told = []
    for note in book.notes(CASE):
        if note.name not in names or note.at < since:
            continue
        told.append(Told(local(note.at), note.who, case_told(note.data["symptoms"], note.data["cause"])))
    return tuple(told)


def _revision(kept: KeptRecipe) -> RevisionFacts:
    return RevisionFacts(kept.recipe, kept.uid, kept.who, kept.retired_why, kept.retired_by, kept.superseded)
