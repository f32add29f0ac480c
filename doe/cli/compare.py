"""`doe compare`: does a released recipe hold on a new blank, powder lot or film?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import replace
from pathlib import Path

import typer

from doe.acts.comparison.plan import (
    SIZE_LOSS,
    USUAL_MARGIN,
    USUAL_POWER,
    Begun,
    ComparisonOffer,
    Wanted,
    begin_comparison,
    offer_comparison,
    offer_warnings,
)
from doe.acts.comparison.retune import Retuned, RetuneWishes, begin_retune
from doe.acts.comparison.verdict import (
    Compared,
    comparison_of,
    comparisons_of,
    judge_comparison,
    more_coupons,
    write_comparison,
)
from doe.acts.gauges.line import gauged_line
from doe.assure.comparison.plan import ComparisonPlan
from doe.assure.comparison.staged import USUAL_PAIRS, chances_of_losses
from doe.book.book import Book
from doe.cli.desk import Block, Desk, Reply, Table, Warn, command
from doe.cli.gauge_dials import caution_lines, coupon_table, dial_notes
from doe.domain.errors import InputError, quoted
from doe.domain.jsonable import named
from doe.domain.materials import facts_of_make
from doe.domain.recipe import Part
from doe.domain.stack import Material
from doe.domain.units import Shown, fixed
from doe.words import typed
from doe.words.comparison import (
    CHANCE_CAPTION,
    CHANCE_HEADS,
    RULE_HEADS,
    SIZE_CAPTION,
    SIZE_HEADS,
    chance_rows,
    count_rows,
    facts_said,
    lead,
    points,
    rule_lines,
    rule_rows,
    said,
    size_read,
    size_rows,
    stage_taken,
)
from doe.words.gauges.dials import SCALE_WORDS, Dialled
from doe.words.recipe.card import DIFFERS
from doe.words.study.state import counts_sentence, reason
from doe.words.wording import amount, amount_range, count, day, listing, percent, stated
from reports.files import refuse_folder

DECIDED = {"staged", "blind", "begin", "limit", "margin", "hand_margin", "power", "assurance", "looks"}
"""Options of what is decided before the first coupon, and not changed after."""


BY_SHEET = "The sheet says which coupon is of which material; whoever scores must not know it."
BY_CODE = (
    "Sheet and pages carry codes only. The key, a sheet of its own, is for whoever makes the prints; whoever scores "
    "does not see it."
)

FULL_ONLY = {"margin", "power", "looks", "edge_strokes"}
"""Options of what a staged comparison has no part in."""

WHICH_GO = (
    "--begin, --limit, --margin and the like go with a recipe and what is new; --next-round, --retune and -o with a "
    "comparison that was begun."
)
FULL_SAID = "Leave them out, or leave out --staged: its rule has no margin and tests no edge."


@command("compare")
def compare(
    desk: Desk,
    context: typer.Context,
    subject: str,
    *,
    fabric: str | None = None,
    film: str | None = None,
    powder: str | None = None,
    ink: str | None = None,
    wishes: Wanted,
    limit: Sequence[str] = (),
    margin: str = f"{USUAL_MARGIN}",
    power: str = f"{USUAL_POWER}",
    assurance: str | None = None,
    begin: bool = False,
    next_round: bool = False,
    retune: bool = False,
    coupons: int = 20,
    discount: float | None = None,
    output: Path | None = None,
) -> Reply:
    """Compare a new blank, powder or film with a released recipe: its size, its coupons, its verdict."""
    new: dict[Part, str | None] = {"fabric": fabric, "film": film, "powder": powder, "ink": ink}
    asked = {part: text for part, text in new.items() if text is not None}
    with desk.open(create=False) as book:
        record = None if asked or wishes.stack else comparison_of(book, subject)
        if record is None:
            _refuse(context, subject, {"next_round", "retune", "output", "discount"})
            if wishes.staged:
                _refuse(context, subject, FULL_ONLY, FULL_SAID)
            if not asked and not wishes.stack and not begin:
                return _story(book, subject)
            wanted = replace(
                wishes,
                parts=_materials(book, subject, asked, desk.shown),
                limits=typed.limits(limit, None, desk.shown) if limit else None,
                rate_margin=typed.share(margin, "--margin"),
                power=typed.share(power, "--power"),
                assurance=None if assurance is None else typed.share(assurance, "--assurance"),
            )
            if begin:
                return _begun(begin_comparison(book, subject, wanted, shown=desk.shown))
            with desk.progress("working out sizes"):
                offer = offer_comparison(book, subject, wanted)
            dialled = Dialled(offer.study, gauged_line(book, offer.recipe.line), desk.shown)
            return _offered(offer, dialled, asked, wishes.stack)
        _refuse(
            context, record.name, DECIDED | (set() if next_round else {"strokes"}) | (set() if retune else {"discount"})
        )
        if retune:
            retuning = RetuneWishes(coupons, discount, wishes.name, wishes.seed, wishes.per_garment)
            with desk.progress("making the plan"):
                return _retuned(begin_retune(book, record.id, retuning, shown=desk.shown), desk.shown)
        if next_round:
            strokes, edges = wishes.strokes, wishes.edge_strokes
            return _begun(more_coupons(book, record.id, strokes=strokes, edge_strokes=edges, shown=desk.shown))
        return _judged(book, record.id, desk, output)


def _refuse(context: typer.Context, name: str, unfit: Set[str], remedy: str = WHICH_GO) -> None:
    sources = {option: context.get_parameter_source(option) for option in sorted(unfit)}
    wrong = [
        f"--{option.replace('_', '-')}" for option, source in sources.items() if source and source.name == "COMMANDLINE"
    ]
    if wrong:
        raise InputError(
            f"doe compare {name}",
            ", ".join(wrong),
            "options that fit",
            remedy,
        )


def _materials(book: Book, recipe: str, asked: Mapping[Part, str], shown: Shown) -> dict[Part, Material]:
    """Materials as typed; without a name the recipe's own, with what was typed replaced."""
    stack, made = book.recipe(recipe).recipe.stack if asked else None, {}
    for part, text in asked.items():
        current: Material | None = getattr(stack, part)
        if "=" in text.partition(";")[0] and current is not None:
            told = typed.material(f"{current.name}; {text}", part, shown)
            named = {piece.partition("=")[0].strip().lower() for piece in text.split(";")} & {
                "supplier",
                "lot",
                "detail",
            }
            facts = {**facts_of_make(current), **(told.facts or {})} or None
            made[part] = replace(current, **{name: getattr(told, name) for name in named}, facts=facts)
        else:
            made[part] = typed.material(text, part, shown)
    return made


def _story(book: Book, name: str) -> Reply:
    """What was compared with a recipe so far."""
    kept = book.recipe(name)
    name = kept.recipe.name  # in full: a part of it finds it too
    found = comparisons_of(book, name)
    sentences = said(story.fact for story in found)
    following = f'doe compare {quoted(name)} --powder "lot=..."'
    if not found:
        blocks: tuple[Block, ...] = (f"Nothing was compared with recipe {name} yet.",)
    else:
        rows = [(day(s.begun_at), s.study, str(s.fact.values["revision"]), s.verdict or "none yet") for s in found]
        blocks = (
            f"{count(len(found), 'comparison')} with recipe {name}, now at revision {kept.recipe.revision}.",
            Table(("begun", "comparison", "revision", "verdict"), rows, right=("revision",), is_list=True),
            "",
            *(f"  {told}" for told in sentences),
        )
        following = f"doe compare {quoted(found[-1].study)}"
    stories = [
        {**story.fact.values, **vars(story), "sentence": text} for story, text in zip(found, sentences, strict=True)
    ]
    return Reply({"recipe": name, "revision": kept.recipe.revision, "comparisons": stories}, blocks, (following,))


def _offered(offer: ComparisonOffer, dialled: Dialled, asked: Mapping[Part, str], stack: str | None) -> Reply:
    plan = offer.plan
    staged = plan.stages is not None
    rows = [
        (
            points(s.rate_margin),
            stated(s.power),
            str(s.strokes),
            str(s.coupons),
            fixed(s.hours, 1) if s.hours < 1000 else "-",
            str(s.apart),
        )
        for s in offer.sizes
    ]
    heads = ("margin", "power", "strokes", "coupons", "hours", "apart")
    places = coupon_table(offer.study, offer.points.assign(coupon=offer.points["role"]), dialled, coupon="place")
    edges = f", and {plan.edge_strokes} at each of {listing(plan.edges)}" if plan.edges else ""
    options = " ".join(f'--{part} "{text}"' for part, text in asked.items()) or f"--stack {quoted(stack or '')}"
    if staged:
        options += " --staged"
        options += "" if plan.strokes == USUAL_PAIRS else f" --strokes {plan.strokes}"
    if plan.blind:
        options += " --blind"
    if plan.rate_margin != USUAL_MARGIN:
        options += f" --margin {plan.rate_margin:g}"
    notes = [Warn(text) for text in said(offer.notes)]
    warnings = list(offer_warnings(offer, dialled.shown))
    at_edges = f"{points(plan.rate_margin)}, {count(plan.strokes, 'stroke')} at the setpoint{edges}"
    made = f"{count(len(offer.coupons), 'coupon')}, half of each material, about {fixed(offer.hours, 1)} hours"
    taken = f"Taken: {at_edges}: {made}."
    if staged:
        taken = stage_taken(plan.strokes, offer.hours)
    if offer.missing_limits:
        options += "".join(f' --limit "{name}=VALUE@SOURCE"' for name in offer.missing_limits)
        warnings.append(
            "Before a coupon is made, type the limits of the new material from its maker's data sheet: "
            f"{', '.join(offer.missing_limits)}."
        )
    return Reply(
        {
            **vars(offer),
            "recipe": plan.recipe,
            "study": offer.study.name,
            "coupons": len(offer.coupons),
            **facts_said(verdicts=offer.verdicts, notes=offer.notes),
        },
        (
            f"Recipe {plan.recipe}, revision {plan.revision}, on new material. Nothing is stored yet.",
            *(f"  {d.part}: {d.ours} instead of {d.theirs} ({DIFFERS[d.kind]})" for d in offer.differences),
            *([] if staged else notes),
            *map(Warn, warnings),
            *(_staged_tables(plan) if staged else (Table(heads, rows, right=heads[2:]),)),
            f"\n{taken}",
        ),
        (f"doe compare {quoted(plan.recipe)} {options} --begin",),
        more=[
            *(notes if staged else []),
            "\nTo dial in:",
            places,
            *dial_notes(dialled),
            *(("", *rule_lines(plan), *_stage_sizes(offer)) if staged else _read(plan, said(offer.verdicts))),
        ],
    )


def _staged_tables(plan: ComparisonPlan) -> tuple[Block, ...]:
    """What a staged comparison comes to how often, and its rule."""
    stages = plan.stages or ()
    return (
        f"{CHANCE_CAPTION}, beside a recipe that passes {percent(plan.supposed_rate)}:",
        Table(CHANCE_HEADS, chance_rows(chances_of_losses(stages, plan.supposed_rate)), right=CHANCE_HEADS[1:]),
        Table(RULE_HEADS, rule_rows(stages, plan.assurance), right=RULE_HEADS[-1:]),
    )


def _stage_sizes(offer: ComparisonOffer) -> tuple[Block, ...]:
    """What larger stages take and tell."""
    rows = size_rows((s.pairs, s.hours, s.found, s.hides) for s in offer.stage_sizes)
    return (
        f"\n{SIZE_CAPTION}, with --strokes:",
        Table(SIZE_HEADS, rows, right=SIZE_HEADS),
        size_read(SIZE_LOSS),
    )


def _read(plan: ComparisonPlan, verdicts: Sequence[str]) -> tuple[Block, ...]:
    """How the sizes of a full comparison are read, and what may come out of its first round."""
    return (
        "\nmargin: drop of the pass rate that would do no harm. power: chance to show it when both pass "
        f"{percent(plan.supposed_rate)} of the time. strokes: pairs at the setpoint. coupons, hours: with the "
        f"edges, one person. apart: coupons of each material if they were not made side by side. All at "
        f"{stated(plan.assurance)} assurance over {count(plan.looks, 'look')}.",
        "\nWhat may come out of the first round:",
        *(f"  {text}" for text in verdicts),
    )


def _begun(made: Begun) -> Reply:
    name = made.record.name
    places = made.coupons.groupby("role", sort=False).size()
    rows = [(str(role), str(n // 2), str(n)) for role, n in places.items()]
    table = Table(("place", "pairs", "coupons"), rows, right=("pairs", "coupons"))
    return Reply(
        {"study": name, "id": made.record.id, **named(made, "round", "plan", "coupons", "hours")},
        (
            f"Round {made.round} of the comparison {name} is in the book: {count(len(made.coupons), 'coupon')}, half "
            f"of each material, about {fixed(made.hours, 1)} hours.",
            f"  new: {made.plan.new}",
            f"  in use: {made.plan.in_use} (recipe {made.plan.recipe}, revision {made.plan.revision})",
            *(_staged_tables(made.plan)[:2] if made.plan.stages is not None else (table,)),
            f"\n{BY_CODE if made.plan.blind else BY_SHEET}",
            *caution_lines(made.cautions),
        ),
        (f"doe sheet {quoted(name)} -o sheets --round {made.round}",),
        is_once=True,
        more=[Warn(text) for text in made.cautions],
    )


def _retuned(made: Retuned, shown: Shown) -> Reply:
    study, prior = made.record.study, made.prior
    rows = [
        (f.name, amount_range(f, f.low, f.high, shown), amount(f, made.recipe.setting(f.name).surface, shown))
        for f in study.numeric
    ]
    earlier = (
        f"{count(prior.coupons, 'coupon')} of the study {prior.study} count too, each for {prior.discount:.2g} of a "
        f"coupon ({reason(prior.why)}); every answer says what they change."
        if prior.is_used
        else f"The coupons of the study {prior.study} do not count: {reason(prior.why)}."
    )
    brought = (
        f"Its first round is already made: {count(made.brought, 'coupon')} of the new material from the comparison, "
        "counted in full."
    )
    name = quoted(study.name)
    return Reply(
        {
            "study": study.name,
            "id": made.record.id,
            **named(made, "comparison", "brought", "round", "coupons", "hours"),
            "recipe": made.recipe.name,
            "revision": made.recipe.revision,
            "discount": prior.discount,
            "why": reason(prior.why),
            "why_code": prior.why,
            "earlier_coupons": prior.coupons,
        },
        (
            f"Study {made.record.id}, {study.name}, is in the book: a retune around recipe {made.recipe.name}, "
            f"revision {made.recipe.revision}.",
            *([brought] if made.brought else []),
            earlier,
            Table(("factor", "range", "recipe"), rows, right=("recipe",)),
            f"\n{SCALE_WORDS['surface']}",
            f"\nTo make: round {made.round}, {count(len(made.coupons), 'coupon')}, about {fixed(made.hours, 1)} hours.",
            *caution_lines(made.cautions),
        ),
        (f"doe sheet {name} -o sheets --round {made.round}", f"doe recommend {name}"),
        is_once=True,
        more=[Warn(text) for text in made.cautions],
    )


def _judged(book: Book, key: int, desk: Desk, output: Path | None) -> Reply:
    if output is not None:  # asked before the work, so that nothing is kept for it
        refuse_folder(output, "comparison.html")
    found = judge_comparison(book, key)
    judged = found.comparison
    blocks, following = verdict_blocks(found), next_steps(found)
    if output is not None:
        write_comparison(book, found, output, shown=desk.shown, made_by=desk.name)
        blocks.insert(1, f"The comparison is in {output}.")
        following = (*(step for step in following if " -o " not in step), f"open {output} in a browser")
    return Reply(
        {
            "study": found.record.name,
            **named(found, "plan", "counts", "rounds", "looks_left"),
            "comparison": {
                **vars(judged),
                **facts_said(reasons=judged.reasons, missing=judged.missing, notes=judged.notes),
            },
            "verdict": judged.verdict,
            **facts_said(cautions=found.cautions),
            "inputs_hash": found.hash,
            "report": output,
        },
        blocks,
        following,
    )


def verdict_blocks(found: Compared) -> list[Block]:
    """A verdict for a person: what it is, why, what is missing, the counts, what makes it doubtful."""
    judged, plan = found.comparison, found.plan
    return [
        f"{judged.verdict.capitalize()}.",
        lead(plan, judged),
        *(f"  {text}" for text in said(judged.reasons)),
        *(("\nWhat is missing:", *(f"  {text}" for text in said(judged.missing))) if judged.missing else ()),
        Table(
            ("place", "new passed", "in use passed", "new material"),
            count_rows(judged),
            right=("new passed", "in use passed"),
        ),
        "",
        counts_sentence(found.counts),
        *map(Warn, said(found.cautions)),
    ]


def next_steps(found: Compared) -> tuple[str, ...]:
    """What usually comes after a verdict."""
    name, judged = quoted(found.record.name), found.comparison
    report = f"doe compare {name} -o comparison.html"
    if judged.verdict == "same recipe holds":
        return (f"doe recipe add {name} --approved-by NAME", report)
    if judged.verdict in ("retune", "clearly worse"):
        return (f"doe compare {name} --retune", report)
    if judged.verdict in ("go on carefully", "not settled"):
        full = f"doe compare {quoted(found.plan.recipe)} --stack {quoted(found.plan.stack)} --begin"
        add = f"doe recipe add {name} --approved-by NAME"
        return (add, full) if judged.verdict == "go on carefully" else (full, report)
    if judged.verdict == "line first":
        return (f"doe gauge show {quoted(found.record.line.name)}", report)
    if judged.waiting or judged.verdict == "waiting":
        return (f"doe record {name}",)
    return (f"doe compare {name} --next-round", report) if found.looks_left else (report,)
