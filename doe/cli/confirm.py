"""`doe confirm`: coupons that prove the setpoint; claims side by side, the rule, and what the coupons say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import cast

import pandas as pd

from doe.acts.base import Key, Progress
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
from doe.assure.confirmation.allocation import Unit
from doe.book.book import Book
from doe.cli.desk import Block, Desk, Reply, Table, Warn, command
from doe.cli.study_words import step_command
from doe.domain.errors import InputError, quoted
from doe.domain.jsonable import named
from doe.domain.standing import NextStep
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.confirmation import verdict as words
from doe.words.confirmation.plan import sentences
from doe.words.confirmation.verdict import ConfirmationFacts, independence
from doe.words.limits import coupon_warnings
from doe.words.study.plans import plan_notes
from doe.words.typed import share
from doe.words.wording import SIDE_WORDS, allowed, amount, count, listing, minute, percent, percent_at_least, stated
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
        meant = f" Did you mean {value / 100:g}?" if 1 < value < 100 else ""
        raise InputError(where, text, "between 0 and 1, or in percent", f"Write 95 % as 0.95 or 95%.{meant}")
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
    return Reply(
        {
            "study": study.name,
            "planned": False,
            "answer_verdict": offer.answer.verdict,
            "unit": wanted.unit,
            "per_unit": offer.per_unit,
            "points": offer.points,
            "stated_rates": STATED_RATES,
            "claims": offer.rows,
            "set_ups": wanted.set_ups,
            "cautions": sentences(offer.cautions, study),
            "facts": {"cautions": offer.cautions},
        },
        claim_blocks(offer, first, shown),
        (following,),
    )


def _proposed(offer: ClaimOffer) -> ClaimRow:
    """The study's own target without any failure allowed where it is among the claims, else the first."""
    spec = offer.record.study.spec
    wanted = (spec.pass_rate, spec.assurance)
    own = tuple(r for r in offer.rows if (r.claim.pass_rate, r.claim.assurance) == wanted)
    return (own or offer.rows)[0]


def claim_blocks(offer: ClaimOffer, first: ClaimRow, shown: Shown) -> list[Block]:
    """Claims for a person: where the coupons would go, what each claim costs, how likely it is."""
    rates = tuple(f"if {percent(rate)}" for rate in STATED_RATES)
    heads = ("claim", "sure", "allowed", "coupons", "garments", "hours", "by study", *rates)
    each = "" if offer.per_unit == 1 else f" x {offer.per_unit}"
    rows = [
        (
            stated(r.claim.pass_rate),
            stated(r.claim.assurance),
            str(r.claim.failures),
            f"{r.claim.units}{each}" + (f" + {r.corner_coupons}" if r.corner_coupons else ""),
            str(r.garments),
            f"{r.hours:.1f}",
            percent(r.by_study),
            *(percent(chance) for chance in r.at_rates),
        )
        for r in offer.rows
    ]
    corners = len(offer.points) - 1
    at_corners = f" + those at {count(corners, 'corner')} of the window" if corners else ""
    strokes = (
        f" {count(offer.per_unit, 'coupon')} a stroke, which passes only when all of them do; by study counts them "
        "as if each failed for itself, which is the worst case."
        if offer.wishes.unit == "stroke"
        else ""
    )
    return [
        f"Claims for the setpoint of {offer.record.name}: how many coupons each takes, before any is made.",
        point_table(offer.record.study, offer.points, shown),
        *(Warn(text) for text in sentences(offer.cautions, offer.record.study)),
        Table(heads, rows, right=heads),
        "\nclaim: pass rate to be shown, so sure. allowed: failures at the setpoint. coupons: at the "
        f"setpoint{at_corners}.{strokes} hours: at the machines, one person; washes take days more. by study: chance "
        "to be accepted at the setpoint, by what the study believes; then if the true pass rate there is "
        f"{listing([f'{rate * 100:g}' for rate in STATED_RATES], 'or')} %.",
        f"\nTo show {stated(first.claim.pass_rate)} 9 times in 10 with {allowed(first.claim.failures)}, the true pass "
        f"rate must be about {percent(first.needs, 1)}: a claim is shown by prints that are better than it. The rule "
        "is fixed before the first coupon and never adjusted; washes count.",
        f"\n{independence()} These plans take {offer.wishes.set_ups}; --set-ups changes it.",
    ]


def point_table(study: Study, points: pd.DataFrame, shown: Shown) -> Table:
    """Setpoint and corners, one column each, with what the study expects there."""
    places = points.to_dict("records")
    rows = [(f.name, *(amount(f, p[f.name], shown) for p in places)) for f in study.factors]
    rows.append(("expected", *(percent(p["pass_rate"], 1) for p in places)))
    rows.append((f"at least ({stated(study.spec.assurance)})", *(percent_at_least(p["pass_rate_low"]) for p in places)))
    if len(places) > 1:
        rows.append(("fails first by", "", *(SIDE_WORDS[str(p["side"])] for p in places[1:])))
    return Table(("", *(str(p["role"]) for p in places)), rows)


# the rule


def make_plan(
    book: Book, key: Key, wanted: ClaimWishes, shown: Shown, *, seed: int | None, give_up: str, tell: Progress
) -> Reply:
    """Fix the rule and store it with its coupons."""
    made = plan_confirmation(book, key, wanted, seed=seed, give_up=give_up, progress=tell)
    study, number = made.record.study, made.plan.rounds[0]
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
        plan_blocks(made, shown),
        (step_command(study, NextStep("make", round=number)),),
    )


def plan_blocks(made: ConfirmationPlanned, shown: Shown) -> list[Block]:
    """A stored rule for a person."""
    plan, row = made.plan, made.row
    study, dyed = made.record.study, made.record.stack.dyed_polyester
    return [
        f"Confirmation {plan.attempt} of {made.record.name} is in the book as round {plan.rounds[0]}: "
        f"{count(len(made.coupons), 'coupon')}, {count(row.garments, 'garment')}, about {row.hours:.1f} hours at the "
        "machines; washes take days more.",
        point_table(made.record.study, plan.points, shown),
        *(Warn(text) for text in sentences(made.cautions, made.record.study)),
        *map(Warn, coupon_warnings(study, made.coupons, shown, dyed_polyester=dyed)),
        "",
        *(f"* {note}" for note in plan_notes(made.notes, made.record.study, shown)),
        f"\nChance to be accepted at the setpoint, by what the study believes: {percent(row.by_study)}.",
    ]


def make_again(book: Book, key: Key, shown: Shown, *, per_garment: int | None, seed: int | None) -> Reply:
    """Void coupons made again, and those of a doubtful corner once more."""
    made = replace_void(book, key, per_garment=per_garment, seed=seed)
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
            point_table(made.record.study, made.plan.points, shown),
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
    blocks = verdict_blocks(facts, shown)
    if found.kept is not None:
        blocks += ["", f"These are the figures kept on {minute(found.kept.made_at)}: nothing changed since."]
    path = None
    if output is not None:
        path = write_confirmation(found, output, shown=shown, made_by=made_by)
        blocks.append(f"\nThe page is in {path}.")
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
    )


def verdict_blocks(facts: ConfirmationFacts, shown: Shown) -> list[Block]:
    """A confirmation for a person: verdict, what is missing, corners, hand-feel, the three figures, attempts."""
    attempt = facts.current
    blocks: list[Block] = [
        f"{words.headline(attempt, facts.study)}.",
        words.lead(facts),
        *(Warn(text) for text in sentences(facts.doubts, facts.study)),
        "",
        words.rule_sentence(attempt),
    ]
    lines = words.lines(facts, shown)
    if lines:
        blocks += ["", *(f"* {text}" for text in lines)]
    rows = words.source_rows(facts)
    if rows:
        figures = ("pass rate at the setpoint", "rate", "at least", "at most")
        blocks.append(Table(figures, rows, right=figures[1:]))
    notes = words.source_notes(facts)
    if notes:
        blocks += ["", *notes]
    told = words.attempts_line(facts)
    if told:
        heads = ("no.", "claim", "allowed", "result", "verdict")
        blocks += [Table(heads, words.attempt_rows(facts.attempts)), "", Warn(told)]
    care = words.care_lines(facts)
    if care:
        blocks += ["", *(f"- {text}" for text in care)]
    return [*blocks, "", "What to do now:", *(f"* {text}" for text in words.steps(facts))]
