"""A comparison of a new material with a released recipe: its size, its verdicts, its coupons."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product

import pandas as pd

from doe.acts.base import Key, digest, today, usual_seed, version
from doe.acts.gauges.line import cautions_said, gauged_line, refuse_dials
from doe.acts.study.limits import refuse_held
from doe.assure.comparison.equivalence import coupons_for_means
from doe.assure.comparison.order import MOST_STROKES, comparison_coupons, recipe_points
from doe.assure.comparison.plan import ComparisonPlan, first_round, strokes_for_rates
from doe.assure.comparison.staged import (
    FEWEST_PAIRS,
    MOST_PAIRS,
    STAGES,
    USUAL_PAIRS,
    StagedChances,
    chances_of_losses,
    hidden_loss,
    staged_chances,
    staged_rule,
)
from doe.assure.confirmation.allocation import CORNER_COUPONS, SETPOINT
from doe.book.book import Book
from doe.book.records import NewAnalysis, NewRound, StudyRecord
from doe.domain.errors import NAME_LENGTH, InputError, quoted
from doe.domain.finding import Finding
from doe.domain.jsonable import named
from doe.domain.limits import LIMIT_OPTIONS, Limits, missing_limits
from doe.domain.materials import own_waits
from doe.domain.plan_kinds import COMPARE, COMPARISON_PLAN
from doe.domain.recipe import KeptRecipe, Part, Recipe, StackDifference, stack_differences
from doe.domain.serial import to_plain
from doe.domain.spec import Spec
from doe.domain.stack import Line, Material, Stack
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show_both
from doe.plans.timing import hours_at_machines, minutes_of_loads
from doe.words.limits import coupon_warnings
from doe.words.materials import waits_line
from doe.words.wording import listing

USUAL_MARGIN, USUAL_HAND_MARGIN, USUAL_POWER, USUAL_LOOKS = 0.15, 0.5, 0.80, 2
MARGINS, POWERS = (0.10, 0.15, 0.20), (0.80, 0.90)
SELDOM = 0.6
"""A staged comparison lets lots that are alike go on less often than this: then it settles little."""
USUAL_HAND_SD = 0.4
"""Scatter of the difference of hand-feel in one stroke that sizes suppose (common practice, no source)."""

_LIMITS_OF: Mapping[Part, tuple[str, ...]] = {
    "fabric": ("fabric_max_degc",),
    "film": ("film_max_degc", "min_dwell_s"),
    "powder": ("powder_max_degc", "min_cure_time_s"),
    "ink": (),
}
"""Limits that stand on the data sheet of a part: another supplier's or make's sheet has to be read anew."""


@dataclass(frozen=True)
class Wanted:
    """What a person asked for. ``parts`` replaces parts of the recipe's stack; ``stack`` names one of the book.

    ``staged`` asks for few pairs in stages, ``strokes`` of them each; margins, power and looks have no part in that.
    ``blind``: whoever scores sees codes only, the key is a sheet of its own.
    """

    parts: Mapping[Part, Material] | None = None
    stack: str | None = None
    limits: Limits | None = None
    rate_margin: float = USUAL_MARGIN
    hand_margin: float = USUAL_HAND_MARGIN
    power: float = USUAL_POWER
    assurance: float | None = None
    looks: int = USUAL_LOOKS
    strokes: int | None = None
    edge_strokes: int | None = None
    name: str = ""
    seed: int | None = None
    per_garment: int | None = None
    staged: bool = False
    blind: bool = False


@dataclass(frozen=True)
class ComparisonSize:
    """One size: what it can show with which power, and what it costs. ``coupons`` counts those at the edges too."""

    rate_margin: float
    power: float
    strokes: int
    coupons: int
    hours: float
    apart: int


@dataclass(frozen=True)
class StagedSize:
    """One size of a stage: its ``pairs`` and what they take, in hours with both machines at their settings.

    ``found`` is the chance of *clearly worse*, over all stages, where the new material fails `SIZE_LOSS` more often;
    ``hides`` the loss that *go on carefully* can still hide after the first.
    """

    pairs: int
    hours: float
    found: float
    hides: float


SIZE_LOSS = 0.20
STAGE_SIZES = (6, 8, 10)


@dataclass(frozen=True)
class ComparisonOffer:
    """A comparison before it begins.

    ``missing_limits`` must be typed in before it can; ``verdicts`` says what may come out, and ``notes`` what else to
    know. ``chances`` is what a staged one comes to, by how much worse the new material is, ``stage_sizes`` what other
    stages take and tell.
    """

    recipe: Recipe
    study: Study
    stack: Stack
    differences: tuple[StackDifference, ...]
    points: pd.DataFrame
    plan: ComparisonPlan
    sizes: tuple[ComparisonSize, ...]
    coupons: pd.DataFrame
    hours: float
    seed: int
    missing_limits: tuple[str, ...]
    verdicts: tuple[Finding, ...]
    notes: tuple[Finding, ...]
    chances: tuple[StagedChances, ...] = ()
    stage_sizes: tuple[StagedSize, ...] = ()


@dataclass(frozen=True)
class Begun:
    """A round of a comparison that was stored; ``cautions`` where its temperatures rest on gauges."""

    record: StudyRecord
    plan: ComparisonPlan
    round: int
    coupons: pd.DataFrame
    hours: float
    cautions: tuple[str, ...] = ()


def offer_comparison(book: Book, recipe_name: str, wanted: Wanted, *, with_sizes: bool = True) -> ComparisonOffer:
    """Say what a comparison would cost and could show, before anything is decided. Nothing is stored.

    ``with_sizes`` says what other sizes would take too, which is most of the work.

    Raises
    ------
    InputError
        If the recipe or its study is not there, nothing differs, or a number cannot be used.
    """
    _check(wanted)
    kept = book.recipe(recipe_name)
    recipe, base = kept.recipe, study_behind(book, kept)
    if kept.retired_why:
        raise InputError(
            f"recipe {recipe.name}",
            f"retired ({kept.retired_why})",
            "a recipe in use",
            "Compare with the one that is used now.",
        )
    stack = new_stack(book, recipe, wanted)
    differences = tuple(d for d in stack_differences(stack, recipe.stack) if d.kind != "same")
    if not differences:
        raise InputError(
            "the new stack",
            f"the materials of recipe {recipe.name}",
            "at least one part that differs",
            'Name it, such as --fabric "tee; supplier=Orr; lot=B1".',
        )
    study, missing = comparison_study(recipe, base.study, differences, wanted)
    points = recipe_points(recipe, study)
    usual_edges = 0 if wanted.staged else CORNER_COUPONS
    edge_strokes = usual_edges if wanted.edge_strokes is None else wanted.edge_strokes
    edges = tuple(r for r in points["role"] if r != SETPOINT) if edge_strokes else ()
    rate = min(max(recipe.pass_rate, 0.5), 0.99)
    looks = STAGES if wanted.staged else wanted.looks
    risk = (1 - study.spec.assurance) / looks
    usual = USUAL_PAIRS if wanted.staged else None
    strokes = wanted.strokes or usual or _strokes(study.spec, wanted, rate, wanted.rate_margin, wanted.power, risk)
    plan = ComparisonPlan(
        recipe=recipe.name,
        revision=recipe.revision,
        in_use=_words(d.theirs for d in differences),
        new=_words(d.ours for d in differences),
        differs={d.part: d.kind for d in differences},
        stack=stack.name,
        rate_margin=wanted.rate_margin,
        hand_margin=wanted.hand_margin,
        power=wanted.power,
        assurance=study.spec.assurance,
        looks=looks,
        supposed_rate=rate,
        strokes=strokes,
        edge_strokes=edge_strokes,
        edges=edges,
        stages=staged_rule(strokes, rate) if wanted.staged else None,
        blind=wanted.blind or None,
        waits=own_waits(stack.film, recipe.stack.film, _wait_of(recipe, study)) or None,
    )
    seed = usual_seed(study.name, wanted.seed)
    line = book.line(recipe.line.name)
    coupons = partial(
        comparison_coupons,
        study,
        points,
        edge_strokes=edge_strokes,
        line=line,
        seed=seed,
        own_garments="fabric" in plan.differs,
        set_once=wanted.staged,
    )

    def sizes() -> Iterator[ComparisonSize]:
        margins, powers = sorted({*MARGINS, wanted.rate_margin}), sorted({*POWERS, wanted.power})
        for margin, power in product(margins, powers):
            n = _strokes(study.spec, wanted, rate, margin, power, risk)
            apart = strokes_for_rates(rate, margin=margin, alpha=risk, power=power, paired=False)
            if n > MOST_STROKES - 20:
                yield ComparisonSize(margin, power, n, 2 * n, math.inf, apart)
            else:
                made = coupons(strokes=n)
                yield ComparisonSize(margin, power, n, len(made), hours_for(study, made, line, plan), apart)

    def stage_sizes() -> Iterator[StagedSize]:
        for pairs in STAGE_SIZES:
            rule = staged_rule(pairs, rate)
            found = staged_chances(rule, min(1 - rate + SIZE_LOSS, 1.0), 1 - rate).worse
            taken = hours_for(study, coupons(strokes=pairs), line, plan)
            yield StagedSize(pairs, taken, found, hidden_loss(rule, 1, study.spec.assurance))

    made = coupons(strokes=strokes)
    stages = plan.stages or ()
    chances = chances_of_losses(stages, rate) if stages else ()
    notes = {
        "settles_little": bool(chances) and chances[0].go_on < SELDOM,
        "told_by_eye": wanted.blind and "fabric" in plan.differs,
        "comes_late": bool(stages) and any(check.is_later for check in study.spec.checks),
        "unconfirmed": recipe.confirmation is None,
        "no_edges": not edges,
        "another_material": any(d.kind == "material" for d in differences),
    }
    return ComparisonOffer(
        recipe,
        study,
        stack,
        differences,
        points,
        plan,
        tuple(sizes()) if with_sizes and not wanted.staged else (),
        made,
        hours_for(study, made, line, plan),
        seed,
        missing,
        () if stages else first_round(plan, study.spec),
        tuple(Finding(code) for code, holds in notes.items() if holds),
        chances,
        tuple(stage_sizes()) if with_sizes and stages else (),
    )


def begin_comparison(book: Book, recipe_name: str, wanted: Wanted, *, shown: Shown = METRIC) -> Begun:
    """Store the new stack, the comparison's study, its plan and its first round, all of it or nothing.

    Raises
    ------
    InputError
        As `offer_comparison` does, and while a limit of the new material is missing.
    """
    offer = offer_comparison(book, recipe_name, wanted, with_sizes=False)
    if offer.missing_limits:
        raise InputError(
            "limits of the new material",
            f"{', '.join(offer.missing_limits)} missing",
            "every limit of the new maker's data sheet before a coupon is made",
            "Add: " + " ".join(f'--limit "{name}=VALUE@SOURCE"' for name in offer.missing_limits),
        )
    refuse_held(offer.study)
    refuse_dials(gauged_line(book, offer.recipe.line.name), offer.study, offer.coupons)
    payload = to_plain(offer.plan)
    kept = NewAnalysis(COMPARISON_PLAN, digest(payload), offer.seed, version(), payload)
    notes = sheet_notes(offer.plan, book.line(offer.recipe.line.name))
    number = book.begin_study(
        offer.study,
        stack=offer.stack,
        line=offer.recipe.line.name,
        rounds_made=[NewRound(offer.coupons, COMPARE, offer.seed, notes)],
        analyses_made=[kept],
    )
    record = book.study(number)
    return Begun(
        record,
        offer.plan,
        1,
        offer.coupons,
        offer.hours,
        (
            *offer_warnings(offer, shown),
            *cautions_said(book, record, shown),
        ),
    )


def offer_warnings(offer: ComparisonOffer, shown: Shown) -> tuple[str, ...]:
    """What is unusual about the coupons of a comparison with the new materials, and that films are peeled apart."""
    waits, study, coupons = offer.plan.waits or {}, offer.study, offer.coupons
    if waits and "peel_wait" in study.held:  # those of the new material wait as long as it wants
        study = replace(study, held={**study.held, "peel_wait": waits["new"]})
    elif waits and "peel_wait" in coupons:
        coupons = coupons.assign(peel_wait=waits["new"])
    apart = waits_line(waits, shown)
    return (
        *([apart] if apart else []),
        *coupon_warnings(study, coupons, offer.stack, today(), shown),
    )


def _wait_of(recipe: Recipe, study: Study) -> float | None:
    """Wait before the peel of a recipe, where it has one."""
    found = study.held.get("peel_wait")
    if found is None:
        found = next((s.surface for s in recipe.settings if s.factor == "peel_wait"), None)
    return None if found is None or isinstance(found, str) else float(found)


def sheet_notes(plan: ComparisonPlan, line: Line) -> tuple[Finding, ...]:
    """What the person at the press must know of a round."""
    materials = named(plan, "new", "in_use", "recipe", "revision")
    pair = [Finding("pair_together" if line.coupons_per_stroke > 1 else "pair_in_turn")]
    if plan.stages is not None:
        pair = [Finding("loads", {"coupons": 2 * max(line.coupons_per_sheet // 2, 1)}), *pair, Finding("powder_each")]
    if plan.blind:
        return *pair, Finding("codes_only")
    return Finding("new_and_in_use", materials), *pair, Finding("score_blind")


def study_behind(book: Book, kept: KeptRecipe) -> StudyRecord:
    """The study in which a recipe was tuned: its ranges, checks and limits.

    Raises
    ------
    InputError
        If it is not in the book.
    """
    key: Key = kept.recipe.study if kept.study_id is None else kept.study_id
    try:
        return book.study(key)
    except InputError as error:
        raise InputError(
            f"recipe {kept.recipe.name}",
            f"its study {kept.recipe.study} is not in this book",
            "the study it was tuned in, with its ranges, checks and limits",
            "Import that study first.",
        ) from error


def new_stack(book: Book, recipe: Recipe, wanted: Wanted) -> Stack:
    """The new stack: one of the book, or the recipe's with the named parts replaced."""
    if wanted.stack is not None:
        if wanted.parts:
            raise InputError("the new stack", "a stack and single parts", "one of them", "Leave one out.")
        return book.stack(wanted.stack)  # noqa: PD013 - not a frame
    if not wanted.parts:
        raise InputError(
            "the new stack",
            "nothing",
            "--fabric, --film, --powder, --ink or --stack",
            f"Say what is new; past comparisons: doe compare {quoted(recipe.name)}.",
        )
    made = replace(recipe.stack, **{str(part): material for part, material in wanted.parts.items()})  # type: ignore[arg-type] # the parts are materials
    known = {stack.name: stack for stack in book.stacks()}
    for name, stack in known.items():
        if stack == replace(made, name=name):
            return stack
    base = f"{recipe.stack.name}, {_words(wanted.parts.values())}"[: NAME_LENGTH - 6].rstrip()
    names = (base, *(f"{base} ({turn})" for turn in range(2, len(known) + 3)))
    return replace(made, name=next(name for name in names if name not in known))


def comparison_study(
    recipe: Recipe, base: Study, differences: Sequence[StackDifference], wanted: Wanted
) -> tuple[Study, tuple[str, ...]]:
    """The study of the comparison, and the limits of the new material that are still missing.

    Ranges end at the limits of the new material where these are tighter.
    """
    limits = limits_anew(base.limits, differences, wanted.limits)
    spec = base.spec if wanted.assurance is None else replace(base.spec, assurance=wanted.assurance)
    factors = []
    for f in base.factors:
        low, high = limits.bounds(f.name, f.heated_mm)
        if f.is_categorical:
            factors.append(f)
            continue
        # a study from before dial settings were corrected holds what was dialled in; its recipe may lie outside
        s = recipe.setting(f.name)
        own = [float(v) for v in (s.surface, s.window_low, s.window_high) if v is not None]
        ends = (
            max(min(f.low, *own), -math.inf if low is None else low),
            min(max(f.high, *own), math.inf if high is None else high),
        )
        if f.fixed and f.low == ends[0] <= ends[1]:
            factors.append(f)
            continue
        if ends[0] >= ends[1]:
            raise InputError(
                f"limits of the new material, {f.label}",
                f"no range left of {show_both(f.low, f.unit)} to {show_both(f.high, f.unit)}",
                "limits that leave a range",
                "Start a study of its own for it.",
            )
        factors.append(replace(f, low=ends[0], high=ends[1]))
    how = "in stages " if wanted.staged else ""
    name = wanted.name or f"{recipe.name} {how}with {_words(d.ours for d in differences)}"[:NAME_LENGTH].rstrip()
    held_by = base.coupons_per_garment if wanted.per_garment is None else wanted.per_garment
    study = replace(base, name=name, spec=spec, limits=limits, factors=tuple(factors), coupons_per_garment=held_by)
    return study, tuple(LIMIT_OPTIONS[n] for n in missing_limits(study.factors, limits))


def limits_anew(old: Limits | None, differences: Sequence[StackDifference], given: Limits | None) -> Limits:
    """Limits for a new stack: those of a part from another supplier or make must be given anew, the others stay."""
    gone = {name for d in differences if d.kind != "lot" for name in _LIMITS_OF[d.part]}
    before, typed = (vars(Limits() if limits is None else limits) for limits in (old, given))
    kept = {name: value for name, value in before.items() if name not in gone}
    now = {name: value for name, value in typed.items() if value is not None}
    sources = {name: source for name, source in before["sources"].items() if name not in gone | now.keys()}
    return Limits(**{**kept, **now, "sources": {**sources, **typed["sources"]}})


def _words(parts: Iterable[object]) -> str:
    return listing([str(part) for part in parts])


def _check(wanted: Wanted) -> None:
    if not 0 < wanted.rate_margin < 0.5:
        raise InputError("--margin", wanted.rate_margin, "above 0 and below 0.5", "Write 15 points as 0.15.")
    if not 0 < wanted.hand_margin < 4:
        raise InputError(
            "--hand-margin",
            wanted.hand_margin,
            "above 0 and below 4",
            "Say how many points do not matter, such as 0.5.",
        )
    if not 0.5 <= wanted.power < 1:
        raise InputError("--power", wanted.power, "0.5 to below 1", "Write 80 % as 0.80.")
    if wanted.assurance is not None and not 0.5 < wanted.assurance < 1:
        raise InputError("--assurance", wanted.assurance, "above 0.5 and below 1", "Write 90 % as 0.90.")
    if not 1 <= wanted.looks <= 5:
        raise InputError("--looks", wanted.looks, "1 to 5", "Say how often it may be judged in all; 2 is usual.")
    least, most = (FEWEST_PAIRS, MOST_PAIRS) if wanted.staged else (2, 100)
    if wanted.strokes is not None and not least <= wanted.strokes <= most:
        raise InputError("--strokes", wanted.strokes, f"{least} to {most}", "Say how many can be made.")
    if wanted.staged and wanted.edge_strokes:
        raise InputError("--edge-strokes", wanted.edge_strokes, "none in stages", "Leave out --staged to test edges.")
    if wanted.edge_strokes is not None and not 0 <= wanted.edge_strokes <= 100:
        raise InputError("--edge-strokes", wanted.edge_strokes, "0 to 100", "Say how many can be made.")


def _strokes(spec: Spec, wanted: Wanted, rate: float, margin: float, power: float, risk: float) -> int:
    """Strokes that show the pass rate and, where it is asked for, hand-feel."""
    needed = strokes_for_rates(rate, margin=margin, alpha=risk, power=power)
    if spec.hand_min is None:
        return needed
    size = coupons_for_means("equivalence", wanted.hand_margin, sd=USUAL_HAND_SD, alpha=risk, power=power, paired=True)
    return max(needed, size)


def hours_for(study: Study, coupons: pd.DataFrame, line: Line, plan: ComparisonPlan | None = None) -> float:
    """Hours at the machines, one person; of a staged ``plan`` with both machines at their settings."""
    if plan is not None and plan.stages is not None:
        return minutes_of_loads(study, coupons, line) / 60
    return hours_at_machines(study, coupons, line).minutes / 60
