"""`doe compare`: does a released recipe hold on a new blank, powder lot or film?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from doe.acts.comparison.plan import USUAL_MARGIN
from doe.acts.comparison.retune import Retuned, RetuneWishes, begin_retune
from doe.acts.comparison.verdict import (
    Begun,
    Compared,
    ComparisonOffer,
    Wanted,
    begin_comparison,
    comparison_of,
    comparisons_of,
    judge_comparison,
    more_coupons,
    offer_comparison,
    write_comparison,
)
from doe.cli.desk import Desk, command, commands
from doe.cli.options import LIMIT_HELP, MATERIAL_HELP, PER_GARMENT
from doe.cli.output import Block, Reply, Table, Warn
from doe.domain.errors import InputError
from doe.domain.recipe import PARTS, Part
from doe.domain.stack import Material
from doe.domain.texts import quoted
from doe.domain.units import Shown
from doe.words import typed
from doe.words.comparison import HEADLINES, lead
from doe.words.dates import day
from doe.words.study.state import counts_sentence, reason
from doe.words.wording import amount, amount_range, count, listing, percent, stated

if TYPE_CHECKING:
    from doe.book.book import Book

NAME = Annotated[str, typer.Argument(help="A released recipe, or a comparison that was begun.")]


app = commands()


@command(
    app,
    "compare",
    example="""
    doe compare "heavy tee" --powder "lot=P4"
    doe compare "heavy tee" --powder "lot=P4" --begin --as "powder lot P4"
    doe compare "powder lot P4" -o comparison.html
    """,
)
def compare(
    desk: Desk,
    name: NAME,
    fabric: Annotated[str | None, typer.Option(help=MATERIAL_HELP)] = None,
    film: Annotated[str | None, typer.Option(help='The same; "lot=..." alone keeps the rest.')] = None,
    powder: Annotated[str | None, typer.Option(help="The same.")] = None,
    ink: Annotated[str | None, typer.Option(help="The same.")] = None,
    stack: Annotated[str | None, typer.Option(help="Or a stack of the book.")] = None,
    limit: Annotated[list[str] | None, typer.Option("--limit", help=LIMIT_HELP)] = None,
    margin: Annotated[
        str | None, typer.Option(help="Drop of the pass rate that would do no harm: 0.15 or 15%.")
    ] = None,
    hand_margin: Annotated[float | None, typer.Option(help="Points of hand-feel that do not matter.")] = None,
    power: Annotated[str | None, typer.Option(help="Chance to show it when both are alike: 0.80 or 80%.")] = None,
    assurance: Annotated[
        str | None, typer.Option(help="How sure the verdict is meant to be; as the recipe's study otherwise.")
    ] = None,
    looks: Annotated[int | None, typer.Option(help="How often it may be judged in all; 2 is usual.")] = None,
    strokes: Annotated[int | None, typer.Option(help="Pairs at the setpoint, instead of the proposed.")] = None,
    edge_strokes: Annotated[int | None, typer.Option(help="Pairs at each edge of the window; 0 for none.")] = None,
    per_garment: PER_GARMENT = None,
    begin: Annotated[bool, typer.Option("--begin", help="Store the comparison and its coupons.")] = False,
    called: Annotated[str, typer.Option("--as", help="What the comparison, or the new study, is called.")] = "",
    more: Annotated[bool, typer.Option("--more", help="Add the next round of a comparison that is open.")] = False,
    retune: Annotated[
        bool, typer.Option("--retune", help="Start a tuning study on the new material of a comparison.")
    ] = False,
    coupons: Annotated[int, typer.Option(min=1, help="Coupons of the retune.")] = 20,
    discount: Annotated[
        float | None, typer.Option(help="What a coupon of the recipe's own study counts for in it, 0 to 1.")
    ] = None,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="Write the comparison as an HTML file.")] = None,
    seed: Annotated[int | None, typer.Option(min=0, max=2**63 - 1, help="Repeats the same order.")] = None,
) -> Reply:
    """Compare a new blank, powder or film with a released recipe: its size, its coupons, its verdict."""
    given = {"fabric": fabric, "film": film, "powder": powder, "ink": ink}
    asked = {part: text for part, text in given.items() if text is not None}
    with desk.open(create=False) as book:
        record = None if asked or stack else comparison_of(book, name)
        if record is not None:
            _refuse_options(
                record.name,
                {
                    "--begin": begin,
                    "--limit": limit,
                    "--margin": margin,
                    "--hand-margin": hand_margin,
                    "--power": power,
                    "--assurance": assurance,
                    "--looks": looks,
                    "--strokes": strokes is not None and not more,
                    "--discount": discount is not None and not retune,
                },
            )
            if retune:
                wishes = RetuneWishes(coupons, "auto", discount, called, seed, per_garment)
                with desk.progress("making the plan"):
                    return _retuned(begin_retune(book, record.id, wishes, shown=desk.shown), desk.shown)
            if more:
                made = more_coupons(book, record.id, strokes=strokes, edge_strokes=edge_strokes, shown=desk.shown)
                return _begun(made)
            return _judged(book, record.id, desk, output)
        _refuse_options(
            name, {"--more": more, "--retune": retune, "--output": output, "--discount": discount is not None}
        )
        if not asked and not stack and not begin:
            return _story(book, name)
        usual = Wanted()
        wanted = Wanted(
            parts=_materials(book, name, asked),
            stack=stack,
            limits=typed.limits(limit, None, desk.shown, confirm=desk.confirm) if limit else None,
            rate_margin=usual.rate_margin if margin is None else typed.share(margin, "--margin"),
            hand_margin=usual.hand_margin if hand_margin is None else hand_margin,
            power=usual.power if power is None else typed.share(power, "--power"),
            assurance=None if assurance is None else typed.share(assurance, "--assurance"),
            looks=usual.looks if looks is None else looks,
            strokes=strokes,
            edge_strokes=edge_strokes,
            name=called,
            seed=seed,
            per_garment=per_garment,
        )
        if begin:
            return _begun(begin_comparison(book, name, wanted, shown=desk.shown))
        with desk.progress("working out sizes"):
            return _offered(offer_comparison(book, name, wanted), desk.shown, asked, stack)


def _refuse_options(name: str, given: Mapping[str, object]) -> None:
    wrong = [option for option, value in given.items() if value]
    if wrong:
        raise InputError(
            f"doe compare {name}",
            ", ".join(wrong),
            "options that fit the name",
            "--begin, --limit, --margin and the like go with a recipe and what is new; --more, --retune "
            "and -o with a comparison that was begun.",
        )


def _materials(book: Book, recipe: str, asked: Mapping[str, str]) -> dict[Part, Material]:
    """Materials as typed; without a name the recipe's own, with what was typed replaced."""
    made: dict[Part, Material] = {}
    for part in PARTS:
        text = asked.get(part)
        if text is None:
            continue
        first = text.partition(";")[0]
        current = getattr(book.recipe(recipe).recipe.stack, part)
        if "=" in first and current is not None:
            told = typed.material(f"{current.name}; {text}", f"--{part}")
            words = {piece.partition("=")[0].strip().lower() for piece in text.split(";")}
            made[part] = replace(current, **{w: getattr(told, w) for w in words if w})
        else:
            made[part] = typed.material(text, f"--{part}")
    return made


def _story(book: Book, name: str) -> Reply:
    """What was compared with a recipe so far."""
    kept = book.recipe(name)
    found = comparisons_of(book, name)
    following = f'doe compare {quoted(name)} --powder "lot=..."'
    if not found:
        said: tuple[Block, ...] = (f"Nothing was compared with recipe {name} yet.",)
    else:
        rows = [(day(s.begun_at), s.study, str(s.revision), s.verdict or "none yet") for s in found]
        said = (
            f"{count(len(found), 'comparison')} with recipe {name}, now at revision {kept.recipe.revision}.",
            Table(("begun", "comparison", "revision", "verdict"), rows, right=("revision",)),
            "",
            *(f"  {s.sentence}" for s in found),
        )
        following = f"doe compare {quoted(found[-1].study)}"
    return Reply({"recipe": name, "revision": kept.recipe.revision, "comparisons": found}, said, (following,))


def _offered(offer: ComparisonOffer, shown: Shown, asked: Mapping[str, str], stack: str | None) -> Reply:
    plan = offer.plan
    kinds = {"lot": "another lot", "supplier": "another supplier or make", "material": "another material"}
    rows = [
        (
            f"{100 * s.rate_margin:g} points",
            stated(s.power),
            str(s.strokes),
            str(s.coupons),
            f"{s.hours:.1f}" if s.hours < 1000 else "-",
            str(s.apart),
        )
        for s in offer.sizes
    ]
    heads = ("margin", "power", "strokes", "coupons", "hours", "apart")
    factors = offer.study.factors
    places = [
        (row["role"], *(amount(f, row[f.name], shown) for f in factors)) for row in offer.points.to_dict("records")
    ]
    edges = f", and {plan.edge_strokes} at each of {listing(plan.edges)}" if plan.edges else ""
    options = " ".join(f'--{part} "{text}"' for part, text in asked.items()) or f"--stack {quoted(stack or '')}"
    if plan.rate_margin != USUAL_MARGIN:
        options += f" --margin {plan.rate_margin:g}"
    limits = "".join(f' --limit "{name}=VALUE@SOURCE"' for name in offer.missing_limits)
    absent = (
        (
            Warn(
                f"Before a coupon is made, type the limits of the new material from its maker's data sheet: "
                f"{', '.join(offer.missing_limits)}."
            ),
        )
        if offer.missing_limits
        else ()
    )
    return Reply(
        {
            "plan": plan,
            "study": offer.study.name,
            "stack": offer.stack,
            "differences": offer.differences,
            "sizes": offer.sizes,
            "points": offer.points,
            "coupons": len(offer.coupons),
            "hours": offer.hours,
            "seed": offer.seed,
            "missing_limits": offer.missing_limits,
            "verdicts": offer.verdicts,
            "notes": offer.notes,
        },
        (
            f"Recipe {plan.recipe}, revision {plan.revision}, on new material. Nothing is stored yet.",
            *(f"  {d.part}: {d.ours} instead of {d.theirs} ({kinds[d.kind]})" for d in offer.differences),
            Table(heads, rows, right=heads[2:]),
            f"\nmargin: drop of the pass rate that would do no harm. power: chance to show it when both pass "
            f"{percent(plan.supposed_rate)} of the time. strokes: pairs at the setpoint. coupons, hours: with the "
            f"edges, one person. apart: coupons of each material if they were not made side by side. All at "
            f"{stated(plan.assurance)} assurance over {count(plan.looks, 'look')}.",
            f"\nTaken: {100 * plan.rate_margin:g} points, {count(plan.strokes, 'stroke')} at the setpoint{edges}: "
            f"{count(len(offer.coupons), 'coupon')}, half of each material, about {offer.hours:.1f} hours.",
            Table(("place", *(f.name for f in factors)), places, right=tuple(f.name for f in factors)),
            "\nWhat may come out of the first round:",
            *(f"  {text}" for text in offer.verdicts),
            *(Warn(text) for text in offer.notes),
            *absent,
        ),
        (f"doe compare {quoted(plan.recipe)} {options}{limits} --begin",),
    )


def _begun(made: Begun) -> Reply:
    name = made.record.name
    places = made.coupons.groupby("role", sort=False).size()
    rows = [(str(role), str(n // 2), str(n)) for role, n in places.items()]
    return Reply(
        {
            "study": name,
            "id": made.record.id,
            "round": made.round,
            "plan": made.plan,
            "coupons": made.coupons,
            "hours": made.hours,
        },
        (
            f"Round {made.round} of the comparison {name} is in the book: {count(len(made.coupons), 'coupon')}, half "
            f"of each material, about {made.hours:.1f} hours.",
            f"  new: {made.plan.new}",
            f"  in use: {made.plan.in_use} (recipe {made.plan.recipe}, revision {made.plan.revision})",
            Table(("place", "pairs", "coupons"), rows, right=("pairs", "coupons")),
            "\nThe sheet says which coupon is of which material; whoever scores must not know it.",
            *(Warn(text) for text in made.cautions),
        ),
        (f"doe sheet {quoted(name)} -o sheets --round {made.round}",),
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
        (
            f"Its first round is already made: {count(made.brought, 'coupon')} of the new material from the "
            "comparison, counted in full.",
        )
        if made.brought
        else ()
    )
    name = quoted(study.name)
    return Reply(
        {
            "study": study.name,
            "id": made.record.id,
            "comparison": made.comparison,
            "recipe": made.recipe.name,
            "revision": made.recipe.revision,
            "discount": prior.discount,
            "why": reason(prior.why),
            "why_code": prior.why,
            "earlier_coupons": prior.coupons,
            "brought": made.brought,
            "round": made.round,
            "coupons": made.coupons,
            "hours": made.hours,
        },
        (
            f"Study {made.record.id}, {study.name}, is in the book: a retune around recipe {made.recipe.name}, "
            f"revision {made.recipe.revision}.",
            *brought,
            earlier,
            Table(("factor", "range", "recipe"), rows, right=("recipe",)),
            f"\nTo make: round {made.round}, {count(len(made.coupons), 'coupon')}, about {made.hours:.1f} hours.",
            *(Warn(text) for text in made.cautions),
        ),
        (f"doe sheet {name} -o sheets --round {made.round}", f"doe recommend {name}"),
    )


def _judged(book: Book, key: int, desk: Desk, output: Path | None) -> Reply:
    if output is not None and output.is_dir():  # asked before the work, so that nothing is kept for it
        raise InputError(str(output), "a folder", "the name of a file", "Add a file name, such as comparison.html.")
    found = judge_comparison(book, key)
    written = None
    blocks = verdict_blocks(found)
    following = next_steps(found)
    if output is not None:
        written = write_comparison(book, found, output, shown=desk.shown, made_by=desk.name)
        blocks.insert(1, f"The comparison is in {written}.")
        following = (*(step for step in following if " -o " not in step), f"open {written} in a browser")
    return Reply(
        {
            "study": found.record.name,
            "plan": found.plan,
            "counts": found.counts,
            "rounds": found.rounds,
            "looks_left": found.looks_left,
            "comparison": found.comparison,
            "verdict": found.comparison.verdict,
            "cautions": found.cautions,
            "inputs_hash": found.hash,
            "report": written,
        },
        blocks,
        following,
    )


def verdict_blocks(found: Compared) -> list[Block]:
    """A verdict for a person: what it is, why, what is missing, the counts, what makes it doubtful."""
    judged, plan = found.comparison, found.plan
    rates = judged.rates
    rows = [("setpoint", f"{rates.new_passed} of {rates.new_units}", f"{rates.old_passed} of {rates.old_units}", "")]
    for edge in judged.edges:
        old = "" if edge.old is None else f"{edge.old.passed} of {edge.old.passed + edge.old.failed}"
        rows.append((edge.new.role, f"{edge.new.passed} of {edge.new.passed + edge.new.failed}", old, edge.new.verdict))
    return [
        f"{HEADLINES[judged.verdict]}.",
        lead(plan, judged),
        *(f"  {text}" for text in judged.reasons),
        *(("\nWhat is missing:", *(f"  {text}" for text in judged.missing)) if judged.missing else ()),
        Table(("place", "new passed", "in use passed", "edge"), rows, right=("new passed", "in use passed")),
        "",
        counts_sentence(found.counts),
        *(Warn(text) for text in found.cautions),
    ]


def next_steps(found: Compared) -> tuple[str, ...]:
    """What usually comes after a verdict."""
    name, judged = quoted(found.record.name), found.comparison
    report = f"doe compare {name} -o comparison.html"
    if judged.verdict == "same recipe holds":
        return (report,)
    if judged.verdict == "retune":
        return (f"doe compare {name} --retune", report)
    if judged.waiting:
        return (f"doe record {name}",)
    return (f"doe compare {name} --more", report) if found.looks_left else (report,)
