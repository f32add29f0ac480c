"""What `doe confirm` shows: claims side by side, a rule that was stored, the verdict so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast

import pandas as pd

from doe.acts.base import Key, Progress
from doe.acts.confirmation.plan import (
    STATED_RATES,
    ClaimChoice,
    ClaimRow,
    ConfirmationPlanned,
    compare_claims_for,
    plan_confirmation,
    replace_void,
)
from doe.acts.confirmation.rules import plans_of
from doe.acts.confirmation.verdict import Weighed, confirm_study, confirmation_facts, refuse_folder, write_confirmation
from doe.cli.output import Block, Reply, Table, Warn
from doe.domain.errors import InputError
from doe.domain.study import Study
from doe.domain.texts import quoted
from doe.domain.units import Shown
from doe.words.confirmation import verdict as words
from doe.words.confirmation.verdict import allowed, independence
from doe.words.dates import minute
from doe.words.typed import share
from doe.words.wording import SIDE_WORDS, amount, count, listing, percent, percent_at_least, stated

if TYPE_CHECKING:
    from doe.book.book import Book

Unit = Literal["coupon", "stroke"]


@dataclass(frozen=True)
class Asked:
    """What was typed: claims, assurance, failures allowed, what is counted, corners, coupons a garment."""

    claims: tuple[float, ...]
    assurance: float | None
    allow: tuple[int, ...]
    unit: Unit
    corners: int
    per_garment: int | None
    set_ups: int | None = None

    @property
    def compares(self) -> bool:
        """Whether claims were asked about."""
        return bool(self.claims or self.allow or self.assurance is not None)


def asked(
    claims: Sequence[str],
    assurance: str | None,
    allow: Sequence[int],
    units: str,
    corners: int,
    per_garment: int | None,
    set_ups: int | None = None,
) -> Asked:
    """What was typed, as numbers.

    Raises
    ------
    InputError
        If a share is not one, or the units are neither coupons nor strokes.
    """
    unit = units.strip().lower().removesuffix("s")
    if unit not in ("coupon", "stroke"):
        raise InputError("--units", repr(units), "coupon or stroke", "Count one of them.")
    return Asked(
        tuple(_share(text, "--claim") for text in claims),
        None if assurance is None else _share(assurance, "--assurance"),
        tuple(allow),
        cast("Unit", unit),
        corners,
        per_garment,
        set_ups,
    )


def _share(text: str, where: str) -> float:
    value = share(text, where)
    if not 0 < value < 1:
        meant = f" Did you mean {value / 100:g}?" if 1 < value < 100 else ""
        raise InputError(where, text, "between 0 and 1, or in percent", f"Write 95 % as 0.95 or 95%.{meant}")
    return value


def is_planned(book: Book, key: Key) -> bool:
    """Whether a confirmation was ever planned for a study."""
    return bool(plans_of(book, key))


# claims side by side


def compare(book: Book, key: Key, wanted: Asked, shown: Shown, *, tell: Progress) -> Reply:
    """Claims side by side, before anything is committed."""
    spec = book.study(key).study.spec
    sure = spec.assurance if wanted.assurance is None else wanted.assurance
    rates = wanted.claims or ((spec.pass_rate,) if wanted.assurance is not None or wanted.allow else ())
    choice = compare_claims_for(
        book,
        key,
        claims=[(rate, sure) for rate in dict.fromkeys(rates)],
        allow=wanted.allow or (0, 1, 2),
        unit=wanted.unit,
        corners=wanted.corners,
        set_ups=wanted.set_ups,
        per_garment=wanted.per_garment,
        progress=tell,
    )
    first = _proposed(choice)
    claim = first.claim
    units = " --units stroke" if wanted.unit == "stroke" else ""
    next_step = (
        f"doe confirm {quoted(choice.record.name)} --plan --claim {claim.pass_rate:.10g} --assurance "
        f"{claim.assurance:.10g} --allow {claim.failures}{units}"
    )
    return Reply(
        {
            "study": choice.record.name,
            "planned": False,
            "answer_verdict": choice.answer.verdict,
            "unit": choice.unit,
            "per_unit": choice.per_unit,
            "points": choice.points,
            "stated_rates": STATED_RATES,
            "claims": choice.rows,
            "set_ups": choice.set_ups,
            "cautions": choice.cautions,
        },
        claim_blocks(choice, first, shown),
        (next_step,),
    )


def _proposed(choice: ClaimChoice) -> ClaimRow:
    """The study's own target without any failure allowed where it is among the claims, else the first."""
    spec = choice.record.study.spec
    own = [r for r in choice.rows if (r.claim.pass_rate, r.claim.assurance) == (spec.pass_rate, spec.assurance)]
    return (own or list(choice.rows))[0]


def claim_blocks(choice: ClaimChoice, first: ClaimRow, shown: Shown) -> list[Block]:
    """Claims for a person: where the coupons would go, what each claim costs, how likely it is."""
    rates = tuple(f"if {rate:.0%}" for rate in STATED_RATES)
    heads = ("claim", "sure", "allowed", "coupons", "garments", "hours", "by study", *rates)
    each = "" if choice.per_unit == 1 else f" x {choice.per_unit}"
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
        for r in choice.rows
    ]
    corners = len(choice.points) - 1
    at_corners = f" + those at {count(corners, 'corner')} of the window" if corners else ""
    strokes = (
        f" {count(choice.per_unit, 'coupon')} a stroke, which passes only when all of them do; by study counts them "
        "as if each failed for itself, which is the worst case."
        if choice.unit == "stroke"
        else ""
    )
    return [
        f"Claims for the setpoint of {choice.record.name}: how many coupons each takes, before any is made.",
        point_table(choice.record.study, choice.points, shown),
        *(Warn(text) for text in choice.cautions),
        Table(heads, rows, right=heads),
        "\nclaim: pass rate to be shown, so sure. allowed: failures at the setpoint. coupons: at the "
        f"setpoint{at_corners}.{strokes} hours: at the machines, one person; washes take days more. by study: chance "
        "to be accepted at the setpoint, by what the study believes; then if the true pass rate there is "
        f"{listing([f'{rate * 100:g}' for rate in STATED_RATES], 'or')} %.",
        f"\nTo show {stated(first.claim.pass_rate)} 9 times in 10 with {allowed(first.claim.failures)}, the true pass "
        f"rate must be about {percent(first.needs, 1)}: a claim is shown by prints that are better than it. The rule "
        "is fixed before the first coupon and never adjusted; washes count.",
        f"\n{independence()} These plans take {choice.set_ups}; --set-ups changes it.",
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
    book: Book, key: Key, wanted: Asked, shown: Shown, *, seed: int | None, give_up: str, tell: Progress
) -> Reply:
    """Fix the rule and store it with its coupons."""
    for option, given in (("--claim", wanted.claims), ("--allow", wanted.allow)):
        if len(given) > 1:
            raise InputError(option, f"{len(given)} values", "one, with --plan", "Compare first, then choose one.")
    made = plan_confirmation(
        book,
        key,
        claim=wanted.claims[0] if wanted.claims else None,
        assurance=wanted.assurance,
        allow=wanted.allow[0] if wanted.allow else 0,
        unit=wanted.unit,
        corners=wanted.corners,
        set_ups=wanted.set_ups,
        per_garment=wanted.per_garment,
        seed=seed,
        give_up=give_up,
        progress=tell,
    )
    number = made.plan.rounds[0]
    return Reply(
        {
            "study": made.record.name,
            "round": number,
            "plan": made.plan,
            "cost": made.row,
            "coupons": made.coupons,
            "notes": made.notes,
            "cautions": made.cautions,
        },
        plan_blocks(made, shown),
        (f"doe sheet {quoted(made.record.name)} -o sheets --round {number}",),
    )


def plan_blocks(made: ConfirmationPlanned, shown: Shown) -> list[Block]:
    """A stored rule for a person."""
    plan, row = made.plan, made.row
    return [
        f"Confirmation {plan.attempt} of {made.record.name} is in the book as round {plan.rounds[0]}: "
        f"{count(len(made.coupons), 'coupon')}, {count(row.garments, 'garment')}, about {row.hours:.1f} hours at the "
        "machines; washes take days more.",
        point_table(made.record.study, plan.points, shown),
        *(Warn(text) for text in made.cautions),
        "",
        *(f"* {note}" for note in made.notes),
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
            "round": made.round,
            "attempt": made.plan.attempt,
            "units": made.units,
            "corners": dict(made.corners),
            "coupons": made.coupons,
        },
        (
            f"Round {made.round} of {made.record.name} makes {listing(for_what)} again, for confirmation "
            f"{made.plan.attempt}. The rule stays as it was.",
            point_table(made.record.study, made.plan.points, shown),
        ),
        (f"doe sheet {quoted(made.record.name)} -o sheets --round {made.round}",),
    )


# the verdict so far


def tell_verdict(book: Book, key: Key, shown: Shown, *, output: Path | None, made_by: str, tell: Progress) -> Reply:
    """What the coupons say so far; with ``output`` as a page too."""
    refuse_folder(output)
    found = confirm_study(book, key, progress=tell)
    blocks = verdict_blocks(found, shown)
    path = None
    if output is not None:
        path = write_confirmation(found, output, shown=shown, made_by=made_by)
        blocks.append(f"\nThe page is in {path}.")
    confirmed, attempt = found.confirmed, found.confirmed.current
    return Reply(
        {
            "study": confirmed.record.name,
            "planned": True,
            "verdict": confirmed.verdict,
            "counts": confirmed.counts,
            "attempts": [
                {
                    "plan": a.plan,
                    "verdict": a.verdict,
                    "judged": a.judged,
                    "unscored": a.unscored,
                    "missing_units": a.missing_units,
                    "missing_corners": a.missing_corners,
                    "void": a.void,
                    "voided_failures": a.voided_failures,
                }
                for a in confirmed.attempts
            ],
            "set_ups": attempt.set_ups,
            "window_held": confirmed.window_held,
            "over_attempts": confirmed.over_attempts,
            "doubts": confirmed.doubts,
            "remarks": confirmed.remarks,
            "together": found.together,
            "withheld": found.withheld,
            "proof": confirmed.proof,
            "setpoint_proof": confirmed.setpoint_proof,
            "kept_since": found.kept.made_at if found.kept else None,
            "page": path,
        },
        blocks,
        _following(found, output),
    )


def verdict_blocks(found: Weighed, shown: Shown) -> list[Block]:
    """A confirmation for a person: verdict, what is missing, corners, hand-feel, the three figures, attempts."""
    facts = confirmation_facts(found)
    attempt = facts.current
    blocks: list[Block] = [
        f"{words.headline(attempt)}.",
        words.lead(facts),
        *(Warn(text) for text in facts.doubts),
        "",
        words.rule_sentence(attempt),
    ]
    hand = words.hand_line(facts)
    lines = (*words.waiting_lines(facts), *words.corner_lines(facts, shown), *((hand,) if hand else ()))
    if lines:
        blocks += ["", *(f"* {text}" for text in lines)]
    rows = words.source_rows(facts)
    if rows:
        blocks.append(
            Table(
                ("pass rate at the setpoint", "rate", "at least", "at most"),
                rows,
                right=("rate", "at least", "at most"),
            )
        )
    notes = words.source_notes(facts)
    if notes:
        blocks += ["", *notes]
    told = words.attempts_line(facts)
    if told:
        blocks += [
            Table(("no.", "claim", "allowed", "result", "verdict"), words.attempt_rows(facts.attempts)),
            "",
            Warn(told),
        ]
    care = (*words.care_lines(facts), *facts.remarks)
    if care:
        blocks += ["", *(f"- {text}" for text in care)]
    blocks += ["", "What to do now:", *(f"* {text}" for text in words.steps(facts))]
    if found.kept is not None:
        blocks += [
            "",
            f"These are the figures kept on {minute(found.kept.made_at)}: nothing changed since.",
        ]
    return blocks


def _following(found: Weighed, output: Path | None) -> list[str]:
    confirmed = found.confirmed
    attempt, name = confirmed.current, quoted(confirmed.record.name)
    if confirmed.doubts:
        return [f"doe recommend {name}"]
    following = []
    if attempt.verdict == "open":
        if attempt.missing_units or attempt.missing_corners:
            following.append(f"doe confirm {name} --replace")
        if attempt.judged is None:
            following.append(f"doe sheet {name} -o sheets --round {attempt.plan.rounds[-1]}")
        elif attempt.unscored:
            following.append(f"doe record {name}")
        elif attempt.judged.waiting or any(c.waiting for c in attempt.judged.corners):
            following.append(f"doe record {name} --washes")
    elif confirmed.setpoint_proof is not None:
        following.append("doe release --help")
    else:
        following.append(f"doe extend {name} --coupons 8")
    if output is None and attempt.judged is not None:
        following.append(f"doe confirm {name} -o confirmation.html")
    return following
