"""What a comparison says: same recipe holds, retune, or not enough coupons yet; more coupons for it; its place in a
recipe's story."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from doe.acts.base import Key, digest, version
from doe.acts.comparison.plan import Begun, hours_for, sheet_notes
from doe.acts.gauges.line import cautions_said, gauged_line, refuse_dials
from doe.acts.study.deviations import history_of
from doe.acts.study.rounds import is_comparison, score_counts
from doe.acts.verdicts import verdict_changed
from doe.assure.comparison.order import comparison_coupons
from doe.assure.comparison.plan import ComparisonPlan
from doe.assure.comparison.verdict import Comparison, compare_in_stages, compare_materials, kept_back
from doe.assure.confirmation.allocation import SETPOINT
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import InputError, quoted
from doe.domain.finding import Finding, Value
from doe.domain.jsonable import jsonable, named
from doe.domain.outcome import ScoreCounts
from doe.domain.plan_kinds import COMPARE, COMPARISON, COMPARISON_PLAN
from doe.domain.recipe import KeptRecipe
from doe.domain.serial import from_plain, to_plain
from doe.domain.stack import Stack
from doe.domain.units import METRIC, Shown
from doe.words.wording import local
from reports.comparison.page import ComparisonReport, comparison_report
from reports.files import write_whole
from reports.study.inputs import Provenance


@dataclass(frozen=True)
class Compared:
    """A comparison judged.

    Attributes
    ----------
    record : StudyRecord
    plan : ComparisonPlan
    comparison : Comparison
    results : DataFrame
        Coupons with their scores, void ones included.
    counts : ScoreCounts
    rounds : int
        Made so far; one is judged when all its checks are in.
    cautions : tuple of Finding
        What makes the verdict doubtful.
    hash : str
        SHA-256 over everything that it is judged by.
    kept : AnalysisRecord or None
        The verdict as it is kept in the book; None where somebody only looked.
    """

    record: StudyRecord
    plan: ComparisonPlan
    comparison: Comparison
    results: pd.DataFrame
    counts: ScoreCounts
    rounds: int
    cautions: tuple[Finding, ...]
    hash: str
    kept: AnalysisRecord | None

    @property
    def looks_left(self) -> int:
        """Rounds that may still be added without weakening the assurance."""
        if self.plan.stages is not None:  # until a stage ends it; void pairs are made again in a round of their own
            return int(self.comparison.verdict == "more pairs")
        return max(self.plan.looks - self.rounds, 0)


@dataclass(frozen=True)
class ComparisonStory:
    """One comparison in the story of a recipe: ``fact`` is what it came to, with its materials and revision.

    ``verdict`` is empty and ``judged_at`` None before the first verdict.
    """

    study_id: int
    study: str
    begun_at: datetime
    begun_by: str
    verdict: str
    judged_at: datetime | None
    fact: Finding


def comparison_of(book: Book, name: Key) -> StudyRecord | None:
    """The comparison of that name or number; None if there is none, as when it is the name of a recipe."""
    try:
        record = book.study(name)
    except InputError:
        return None
    return record if is_comparison(book, record.id) else None


def refuse_comparison(book: Book, record: StudyRecord, act: str) -> None:
    """Refuse to treat a comparison as a search for a setpoint.

    Raises
    ------
    InputError
        Saying what to do instead.
    """
    if is_comparison(book, record.id):
        raise InputError(
            f"{act} of {record.name}",
            "a comparison of two materials at one recipe",
            "a study that searches for a setpoint",
            f"Judge it with: doe compare {quoted(record.name)}",
        )


def judge_comparison(book: Book, key: Key) -> Compared:
    """Judge a comparison by what is scored, and keep the verdict in the book, once.

    Raises
    ------
    InputError
        If the study is no comparison.
    """
    found = weigh_comparison(book, key)
    if found.kept is not None:
        return found
    keep_verdict(book, found)
    return replace(found, kept=book.latest_analysis(found.record.id, COMPARISON))


def keep_verdict(book: Book, found: Compared) -> None:
    """Keep in the book what a comparison came to."""
    facts = named(found, "rounds", "counts", "cautions") | named(found.plan, "recipe", "revision")
    book.save_analysis(
        found.record.id,
        kind=COMPARISON,
        inputs_hash=found.hash,
        seed=0,
        version=version(),
        payload=jsonable({**vars(found.comparison), **facts}),
    )


def comparison_sum(book: Book, key: Key) -> str:
    """SHA-256 over everything that a comparison is judged by: while it is the same, so is the verdict.

    Raises
    ------
    InputError
        If the study is no comparison.
    """
    record, plan = comparison_plan(book, key)
    return _sum(record, plan, book.results(record.id, include_void=True))


def judged_now(book: Book, key: Key) -> Comparison:
    """What the coupons of a comparison say; nothing is stored.

    Raises
    ------
    InputError
        If the study is no comparison.
    """
    record, plan = comparison_plan(book, key)
    frame, spec = judged_frame(book.results(record.id, include_void=True)), record.study.spec
    if plan.stages is not None:
        rate = plan.supposed_rate
        found = compare_in_stages(frame, spec, plan.stages, rate=rate, hand_margin=plan.hand_margin)
    else:
        found = compare_materials(
            frame,
            spec,
            rate_margin=plan.rate_margin,
            hand_margin=plan.hand_margin,
            looks=max(plan.looks, len(book.plan_info(record.id).rounds)),
        )
    return kept_back(found) if plan.blind else found


def weigh_comparison(book: Book, key: Key, judged: Comparison | None = None) -> Compared:
    """The same for somebody who only looks: nothing is stored.

    Parameters
    ----------
    book : Book
    key : str or int
    judged : Comparison, optional
        What `judged_now` found for the same `comparison_sum`; worked out when left out.

    Raises
    ------
    InputError
        If the study is no comparison.
    """
    record, plan = comparison_plan(book, key)
    found = judged or judged_now(book, key)
    results = book.results(record.id, include_void=True)
    rounds = len(book.plan_info(record.id).rounds)
    counts = score_counts(book, record.id)
    cautions = (
        *verdict_changed(book, record.id, COMPARISON, found.verdict),
        *_cautions(book, plan, found, record),
        *found.notes,
    )
    now, last = _sum(record, plan, results), book.latest_analysis(record.id, COMPARISON)
    kept = last if last is not None and last.inputs_hash == now else None
    return Compared(record, plan, found, results, counts, rounds, cautions, now, kept)


def more_coupons(
    book: Book, key: Key, *, strokes: int | None = None, edge_strokes: int | None = None, shown: Shown = METRIC
) -> Begun:
    """Add the next round of a comparison: more strokes at the setpoint, and as many again at doubtful edges.

    Of a staged one, the pairs that its stage still wants.

    Raises
    ------
    InputError
        If it is settled, coupons still wait for a check, or no further look was planned.
    """
    found = judge_comparison(book, key)
    record, plan, judged = found.record, found.plan, found.comparison
    where = f"more coupons for {record.name}"
    if judged.verdict not in ("not enough coupons yet", "more pairs", "waiting"):
        raise InputError(
            where,
            judged.verdict,
            "a comparison that is still open",
            "Coupons made until a verdict turns prove less than they say; start a new comparison if something changed.",
        )
    if judged.waiting or judged.verdict == "waiting":
        raise InputError(
            where,
            f"{judged.waiting} still to be judged" if judged.waiting else "hand-feel still to be scored",
            "every coupon made so far judged",
            "Record the checks first.",
        )
    if judged.staged is not None and strokes not in (None, judged.more_units):
        raise InputError("--strokes", strokes, f"{judged.more_units}, as its rule says", "Leave it out.")
    if not found.looks_left:
        raise InputError(
            where,
            f"{found.rounds} of {plan.looks} rounds made",
            "no more rounds than were planned",
            "Every further look would weaken the assurance: start a new comparison, or retune.",
        )
    before = book.plan_coupons(record.id)
    doubtful = [e.new.role for e in judged.edges if e.new.verdict == "doubtful"]
    points = before.drop_duplicates("role")[["role", *record.study.factor_names]]
    points = points[points["role"].isin([SETPOINT, *doubtful])].reset_index(drop=True)
    there = plan.edge_strokes if edge_strokes is None else edge_strokes
    number = found.rounds + 1
    seed = book.plan_info(record.id).seed
    coupons = comparison_coupons(
        record.study,
        points,
        strokes=judged.more_units if strokes is None else strokes,
        edge_strokes=there if doubtful else 0,
        line=record.line,
        seed=seed,
        own_garments="fabric" in plan.differs,
        number=number,
        set_once=plan.stages is not None,
    )
    for name in ("cure_batch", "press_batch", "garment", "stroke", "pair"):
        coupons[name] += int(before[name].max())
    refuse_dials(gauged_line(book, record), record.study, coupons)
    notes = sheet_notes(plan, record.line)
    book.save_round(record.id, coupons, kind=COMPARE, seed=seed, notes=notes, scale="surface")
    hours = hours_for(record.study, coupons, record.line, plan)
    cautions = cautions_said(book, record, shown)
    return Begun(record, plan, number, coupons, hours, cautions)


def write_comparison(book: Book, found: Compared, output: Path, *, shown: Shown, made_by: str) -> Path:
    """Write a judged comparison as one HTML file.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    record, kept = found.record, found.kept
    made_at = datetime.now(UTC) if kept is None else kept.made_at
    made_with = version() if kept is None else kept.version
    page = comparison_report(
        ComparisonReport(
            study=record.study,
            stack=record.stack,
            line=record.line,
            in_use=_stack_in_use(book, found.plan),
            plan=found.plan,
            judged=found.comparison,
            results=found.results,
            rounds=found.rounds,
            looks_left=found.looks_left,
            cautions=found.cautions,
            provenance=Provenance(found.hash, made_with, made_by, local(made_at), book.seal()),
            made_at=local(datetime.now(UTC)),
            history=history_of(book, record),
            shown=shown,
        )
    )
    return write_whole(output, page)


def _stack_in_use(book: Book, plan: ComparisonPlan) -> Stack | None:
    try:
        return book.recipe(plan.recipe, plan.revision).recipe.stack
    except InputError:
        return None


def comparisons_of(book: Book, recipe_name: str) -> tuple[ComparisonStory, ...]:
    """Every comparison with a recipe, oldest first, with its last verdict."""
    last = dict(book.analyses_of_kind(COMPARISON))  # a later one of the same study replaces an earlier one
    stories = []
    for study_id, planned in book.analyses_of_kind(COMPARISON_PLAN):
        plan = from_plain(ComparisonPlan, planned.payload)
        if plan.recipe != recipe_name:
            continue
        judged = last.get(study_id)
        stories.append(
            ComparisonStory(
                study_id,
                book.study(study_id).name,
                planned.made_at,
                planned.made_by,
                judged.verdict if judged else "",
                judged.made_at if judged else None,
                _told(plan, judged),
            )
        )
    return tuple(sorted(stories, key=lambda s: s.begun_at))


def _told(plan: ComparisonPlan, judged: AnalysisRecord | None) -> Finding:
    """What a comparison came to, of its verdict as the book keeps it."""
    about: dict[str, Value] = named(plan, "new", "in_use", "revision")
    staged = judged.payload.get("staged") if judged else None
    if judged is not None and staged:
        counts = {name: staged[name] for name in ("pairs", "only_new", "only_old")}
        return Finding("compared_in_stages", {**about, **counts, "verdict": judged.verdict})
    rates = judged.payload["rates"] if judged else {"new_units": 0}
    if judged is None or not rates["new_units"]:
        return Finding("not_judged", about)
    about |= {name: rates[name] for name in ("new_passed", "new_units", "old_passed", "old_units")}
    sure: dict[str, Value] = {"assurance": plan.assurance, "rate_margin": plan.rate_margin}
    return Finding("compared", {**about, **sure, "verdict": judged.verdict})


def judged_frame(results: pd.DataFrame) -> pd.DataFrame:
    """Results of a comparison in the words of `doe.assure.compare_materials`: pairs are its strokes."""
    frame = results.drop(columns=["passed"])  # a coupon that waits for a wash has not passed
    return frame.assign(
        material=frame["material"].map({"new": "new", "incumbent": "old"}), stroke=frame["pair"].astype(int)
    )


def comparison_plan(book: Book, key: Key) -> tuple[StudyRecord, ComparisonPlan]:
    """A comparison and what was decided before its coupons were made.

    Raises
    ------
    InputError
        If the study is no comparison.
    """
    record = book.study(key)
    planned = book.latest_analysis(record.id, COMPARISON_PLAN)
    if planned is None or not is_comparison(book, record.id):
        raise InputError(
            f"study {record.name}",
            "a study that compares nothing",
            "a comparison or a recipe",
            "Begin one with: doe compare RECIPE --begin",
        )
    return record, from_plain(ComparisonPlan, planned.payload)


def _cautions(book: Book, plan: ComparisonPlan, found: Comparison, record: StudyRecord) -> Iterator[Finding]:
    """What a verdict does not say by itself: the recipe has moved on, checks are open, a pair is two strokes."""
    try:
        kept: KeptRecipe | None = book.recipe(plan.recipe)
    except InputError:
        kept = None
    if kept is not None and kept.recipe.revision != plan.revision:
        revisions = {"now": kept.recipe.revision, "revision": plan.revision}
        yield Finding("recipe_moved_on", {"recipe": plan.recipe, **revisions})
    if kept is not None and kept.retired_why:
        yield Finding("recipe_retired", {"recipe": plan.recipe, "why": kept.retired_why})
    if came := _compared_before(book, plan, record):
        yield Finding("compared_before", {"tries": len(came), "came": came})
    if found.verdict == "retune" and found.waiting:
        yield Finding("judged_early")
    if record.line.coupons_per_stroke < 2:
        yield Finding("one_a_stroke")


def _compared_before(book: Book, plan: ComparisonPlan, record: StudyRecord) -> tuple[str, ...]:
    """Earlier comparisons of the same stack with the recipe, with their last verdicts; put away ones count."""
    last = dict(book.analyses_of_kind(COMPARISON))
    begun = [
        (number, made.made_at)
        for number, made in book.analyses_of_kind(COMPARISON_PLAN)
        if (made.payload["recipe"], made.payload["stack"]) == (plan.recipe, plan.stack)
    ]
    mine = min((at for number, at in begun if number == record.id), default=record.made_at)
    before = [number for number, at in begun if number != record.id and at < mine and number in last]
    return tuple(f"{book.study(number).name}: {last[number].verdict}" for number in before)


def _sum(record: StudyRecord, plan: ComparisonPlan, results: pd.DataFrame) -> str:
    """SHA-256 over plan, study and everything scored."""
    columns = [
        c
        for c in results.columns
        if c in ("coupon", "material", "pair", "role", "cure_batch", "side", "void")
        or str(c).startswith(("check_", "hand_"))
    ]
    rows = jsonable(results[sorted(columns)].sort_values("coupon").to_dict("records"))
    data = {"study": to_plain(record.as_made), "plan": to_plain(plan), "results": rows}
    return digest(data)
