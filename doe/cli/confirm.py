"""`doe confirm`: coupons that prove the setpoint; claims side by side, the rule, and what the coupons say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import cast

import pandas as pd

from doe.acts.base import Key, Progress, today
from doe.acts.confirmation.plan import (
    STATED_RATES,
    ClaimOffer,
    ClaimRow,
    ClaimWishes,
    ConfirmationPlanned,
    compare_claims_for,
    plan_confirmation,
    replace_void,
)
from doe.acts.confirmation.verdict import (
    after_confirmation,
    confirm_study,
    confirmation_facts,
    plans_of,
    write_confirmation,
)
from doe.acts.gauges.line import gauged_line
from doe.assure.confirmation.allocation import Unit
from doe.assure.confirmation.claims import ClaimPlan
from doe.book.book import Book
from doe.cli.desk import Block, Desk, Reply, Screen, Table, Warn, command
from doe.cli.gauge_dials import dial_notes
from doe.cli.study_words import step_command
from doe.domain.errors import InputError, quoted
from doe.domain.jsonable import named
from doe.domain.standing import NextStep
from doe.domain.study import Study
from doe.domain.units import Shown, fixed
from doe.words.confirmation import verdict as words
from doe.words.confirmation.plan import sentences
from doe.words.confirmation.verdict import ConfirmationFacts, independence
from doe.words.gauges.dials import Dialled
from doe.words.limits import coupon_warnings
from doe.words.study.plans import plan_notes
from doe.words.typed import share
from doe.words.wording import SIDE_WORDS, allowed, count, date_and_time, listing, percent, percent_at_least, stated
from reports.files import refuse_folder


@command("confirm")
def confirm(
    desk: Desk,
    study: str,
    *,
    plan: bool = False,
    claim: Sequence[str] = (),
    assurance: str | None = None,
    wishes: ClaimWishes,
    units: str = "coupon",
    again: bool = False,
    give_up: str = "",
    output: Path | None = None,
    seed: int | None = None,
) -> Reply:
    """Confirm the setpoint: how many coupons for which claim, the rule, then the verdict so far."""
    unit = units.strip().lower().removesuffix("s")
    if unit not in ("coupon", "stroke"):
        raise InputError("--units", repr(units), "coupon or stroke", "Count one of them.")
    asked = replace(
        wishes,
        claims=tuple(_share(text, "--claim") for text in claim),
        assurance=None if assurance is None else _share(assurance, "--assurance"),
        unit=cast("Unit", unit),
    )
    if sum((plan, again, output is not None)) > 1:
        raise InputError(
            "doe confirm",
            "several things at once",
            "one of --plan, --replace and --output",
            "Do one after the other.",
        )
    if give_up and not plan:
        raise InputError("--give-up", "no new plan", "--plan beside it", "Add --plan, or leave it out.")
    with desk.open(create=False) as book, desk.progress("looking at the answer") as tell:
        if plan:
            return make_plan(book, study, asked, desk.shown, seed=seed, give_up=give_up, tell=tell)
        if again:
            return make_again(book, study, desk.shown, per_garment=asked.per_garment, seed=seed)
        if output is None and (asked.compares or not plans_of(book, study)):
            return compare(book, study, asked, desk.shown, tell=tell)
        return tell_verdict(book, study, desk.shown, output=output, made_by=desk.name, tell=tell)


def _share(text: str, where: str) -> float:
    value = share(text, where)
    if not 0 < value < 1:
        raise InputError(where, text, "more than 0 and less than 100 %", "Write 95 % as 95, 95% or 0.95.")
    return value


# claims side by side


def compare(book: Book, key: Key, wanted: ClaimWishes, shown: Shown, *, tell: Progress) -> Reply:
    """Claims side by side, before anything is committed."""
    offer = compare_claims_for(book, key, wanted, progress=tell)
    study = offer.record.study
    first = _proposed(offer)
    claim = first.claim
    units = " --units stroke" if wanted.unit == "stroke" else ""
    following = (
        f"doe confirm {quoted(study.name)} --plan --claim {claim.pass_rate:.10g} --assurance "
        f"{claim.assurance:.10g} --allow {claim.failures}{units}"
    )
    blocks, rest = claim_blocks(offer, first, Dialled(study, gauged_line(book, offer.record), shown))
    return Reply(
        {
            "study": study.name,
            "planned": False,
            "answer_verdict": offer.verdict,
            "unit": wanted.unit,
            "per_unit": offer.per_unit,
            "points": offer.points,
            "stated_rates": STATED_RATES,
            "claims": offer.rows,
            "set_ups": wanted.set_ups,
            "cautions": sentences(offer.cautions, study),
            "facts": {"cautions": offer.cautions},
        },
        blocks,
        (following,),
        more=rest,
    )


def _proposed(offer: ClaimOffer) -> ClaimRow:
    """The study's own target without any failure allowed where it is among the claims, else the first."""
    spec = offer.record.study.spec
    wanted = (spec.pass_rate, spec.assurance)
    own = tuple(r for r in offer.rows if (r.claim.pass_rate, r.claim.assurance) == wanted)
    return (own or offer.rows)[0]


def claim_blocks(offer: ClaimOffer, first: ClaimRow, dialled: Dialled) -> Screen:
    """Claims for a person: what each costs, how likely it is; then what the columns are, and where coupons would go."""
    rates = tuple(f"if {percent(rate)}" for rate in STATED_RATES)
    is_searched = offer.rates is not None
    believed = ("chance",) if is_searched else ()
    heads = ("claim", "sure", "allowed", "coupons", "garments", "hours", *believed, *rates)
    each = "" if offer.per_unit == 1 else f" x {offer.per_unit}"
    rows = [
        (
            stated(r.claim.pass_rate),
            stated(r.claim.assurance),
            str(r.claim.failures),
            f"{_units(r.claim)}{each}" + (f" + {r.corner_coupons}" if r.corner_coupons else ""),
            str(r.garments),
            fixed(r.hours, 1),
            *(() if r.by_study is None else (percent(r.by_study),)),
            *(percent(chance) for chance in r.at_rates),
        )
        for r in offer.rows
    ]
    corners = len(offer.points) - 1
    at_corners = f" + those at {count(corners, 'corner')} of the window" if corners else ""
    on_levels = ", so many on each level and in all" if first.claim.levels > 1 else ""
    strokes = (
        f" {count(offer.per_unit, 'coupon')} a stroke, which passes only when all of them do; chance counts them "
        "as if each failed for itself, which is the worst case."
        if offer.wishes.unit == "stroke"
        else ""
    )
    blocks: list[Block] = [
        f"Claims for the setpoint of {offer.record.name}: how many coupons each takes, before any is made.",
        *(Warn(text) for text in sentences(offer.cautions, offer.record.study)),
        Table(heads, rows, right=heads, is_list=True),
        f"\nTo show {stated(first.claim.pass_rate)} 9 times in 10 with {allowed(first.claim.failures)}, the true pass "
        f"rate must be about {percent(first.needs, 1)}: a claim is shown by prints that are better than it. The rule "
        "is fixed before the first coupon and never adjusted; washes count.",
    ]
    chances = "Last: the chance to be accepted"
    if is_searched:
        chances = "chance: to be accepted at the setpoint, by what the study believes; then"
    return blocks, [
        "\nclaim: pass rate to be shown, so sure. allowed: failures at the setpoint. coupons: at the "
        f"setpoint{on_levels}{at_corners}.{strokes} hours: at the machines, one person; washes take days more. "
        f"{chances} if the true pass rate there is {listing([f'{rate * 100:g}' for rate in STATED_RATES], 'or')} %.",
        point_table(offer.record.study, offer.points, dialled),
        *dial_notes(dialled),
        f"\n{independence()} These plans take {offer.wishes.set_ups}; --set-ups changes it.",
    ]


def _units(claim: ClaimPlan) -> str:
    """Units of a claim; where it must hold on several levels, those on each of them and in all."""
    return f"{claim.levels}x{claim.units // claim.levels}={claim.units}" if claim.levels > 1 else f"{claim.units}"


def point_table(study: Study, points: pd.DataFrame, dialled: Dialled) -> Table:
    """Setpoint and corners as they are dialled in, one column each, with what the study expects there."""
    places = points.to_dict("records")
    rows = [(f.name, *(dialled.amount(f, p[f.name]) for p in places)) for f in study.factors]
    if study.known is None:
        sure = f"at least ({stated(study.spec.assurance)})"
        rows.append(("expected", *(percent(p["pass_rate"], 1) for p in places)))
        rows.append((sure, *(percent_at_least(p["pass_rate_low"]) for p in places)))
    if len(places) > 1:
        rows.append(("fails first by", "", *(SIDE_WORDS[str(p["side"])] for p in places[1:])))
    return Table(("dial in", *(str(p["role"]) for p in places)), rows)


# the rule


def make_plan(
    book: Book, key: Key, wanted: ClaimWishes, shown: Shown, *, seed: int | None, give_up: str, tell: Progress
) -> Reply:
    """Fix the rule and store it with its coupons."""
    made = plan_confirmation(book, key, wanted, seed=seed, give_up=give_up, progress=tell)
    study, number = made.record.study, made.plan.rounds[0]
    blocks, rest = plan_blocks(made, Dialled(study, gauged_line(book, made.record), shown))
    return Reply(
        {
            "study": study.name,
            "round": number,
            "plan": made.plan,
            "cost": made.row,
            "coupons": made.coupons,
            "notes": plan_notes(made.notes, study, shown),
            "cautions": sentences(made.cautions, study),
            "facts": {"notes": made.notes, "cautions": made.cautions},
        },
        blocks,
        (step_command(study, NextStep("make", round=number)),),
        more=rest,
        is_once=True,
    )


def plan_blocks(made: ConfirmationPlanned, dialled: Dialled) -> Screen:
    """A stored rule for a person."""
    plan, row = made.plan, made.row
    study = made.record.study
    blocks: list[Block] = [
        f"Confirmation {plan.attempt} of {made.record.name} is in the book as round {plan.rounds[0]}: "
        f"{count(len(made.coupons), 'coupon')}, {count(row.garments, 'garment')}, about "
        f"{fixed(row.hours, 1)} hours at the "
        "machines; washes take days more.",
        *(Warn(text) for text in sentences(made.cautions, study)),
        *map(Warn, coupon_warnings(study, made.coupons, made.record.stack, today(), dialled.shown)),
        point_table(study, plan.points, dialled),
        *dial_notes(dialled),
    ]
    if row.by_study is not None:
        blocks.append(f"\nChance to be accepted at the setpoint, by what the study believes: {percent(row.by_study)}.")
    return blocks, ["", *(f"* {note}" for note in plan_notes(made.notes, study, dialled.shown))]


def make_again(book: Book, key: Key, shown: Shown, *, per_garment: int | None, seed: int | None) -> Reply:
    """Void coupons made again, and those of a doubtful corner once more."""
    made = replace_void(book, key, per_garment=per_garment, seed=seed)
    dialled = Dialled(made.record.study, gauged_line(book, made.record), shown)
    for_what = []
    if made.units:
        for_what.append(f"{count(made.units, made.plan.unit)} at the setpoint")
    for_what += [f"{count(n, 'coupon')} at {role}" for role, n in made.corners.items()]
    return Reply(
        {
            "study": made.record.name,
            **named(made, "round", "units", "coupons"),
            "attempt": made.plan.attempt,
            "corners": dict(made.corners),
        },
        (
            f"Round {made.round} of {made.record.name} makes {listing(for_what)} again, for confirmation "
            f"{made.plan.attempt}. The rule stays as it was.",
            point_table(made.record.study, made.plan.points, dialled),
        ),
        (step_command(made.record.study, NextStep("make", round=made.round)),),
    )


# the verdict so far


def tell_verdict(book: Book, key: Key, shown: Shown, *, output: Path | None, made_by: str, tell: Progress) -> Reply:
    """What the coupons say so far; with ``output`` as a page too."""
    if output is not None:
        refuse_folder(output, "confirmation.html")
    found = confirm_study(book, key, progress=tell)
    facts = confirmation_facts(found)
    confirmed, attempt, study = found.confirmed, facts.current, facts.study
    blocks, rest = verdict_blocks(facts, shown)
    if found.kept is not None:
        rest += ["", f"These are the figures kept on {date_and_time(found.kept.made_at)}: nothing changed since."]
    path = None
    if output is not None:
        path = write_confirmation(found, output, shown=shown, made_by=made_by)
        blocks.insert(1, f"The page is in {path}.")
    together = found.together and {**vars(found.together), "warnings": sentences(found.together.warnings, study)}
    return Reply(
        {
            "study": study.name,
            "planned": True,
            **named(confirmed, "verdict", "counts", "window_held", "over_attempts", "proof", "setpoint_proof"),
            "headline": words.headline(attempt, facts.study),
            "lead": words.lead(facts),
            "lines": words.lines(facts, shown),
            "care": words.care_lines(facts),
            "attempts": [
                {
                    "verdict": a.verdict,
                    **{f.name: getattr(a, f.name) for f in fields(a) if f.name not in ("rows", "set_ups", "spare")},
                }
                for a in confirmed.attempts
            ],
            "set_ups": attempt.set_ups,
            "doubts": sentences(facts.doubts, study),
            "remarks": sentences(facts.remarks, study),
            "together": together,
            "withheld": "".join(sentences((found.withheld,), study)),
            "facts": {
                "doubts": facts.doubts,
                "remarks": facts.remarks,
                "withheld": found.withheld or None,
                "warnings": found.together.warnings if found.together else (),
            },
            "kept_since": found.kept.made_at if found.kept else None,
            "page": path,
        },
        blocks,
        [
            step_command(study, step)
            for step in after_confirmation(confirmed)
            if output is None or step.step != "confirmation_page"
        ],
        more=rest,
    )


def verdict_blocks(facts: ConfirmationFacts, shown: Shown) -> Screen:
    """A confirmation for a person: verdict, what makes it doubtful, what to do; then the figures and attempts."""
    attempt, told = facts.current, words.attempts_line(facts)
    doubts = (*sentences(facts.doubts, facts.study), *words.voided_failures(attempt), *([told] if told else []))
    lines = [f"* {text}" for text in words.lines(facts, shown)]
    blocks: list[Block] = [
        f"{words.headline(attempt, facts.study)}.",
        words.lead(facts),
        *map(Warn, doubts),
        "",
        "What to do now:",
        *(f"* {text}" for text in words.steps(facts)),
        "",
        words.rule_sentence(attempt),
        *lines,
    ]
    rest: list[Block] = []
    rows = words.source_rows(facts)
    if rows:
        figures = ("pass rate at the setpoint", "rate", "at least", "at most")
        rest.append(Table(figures, rows, right=figures[1:]))
    notes = words.source_notes(facts)
    rest += ["", *notes] if notes else []
    if told:
        rest.append(Table(("no.", "claim", "allowed", "result", "verdict"), words.attempt_rows(facts.attempts)))
    care = [f"- {text}" for text in words.care_lines(facts) if text not in doubts]
    return blocks, [*rest, *(["", *care] if care else [])]
