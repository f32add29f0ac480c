"""A confirmation's facts in words: what stands before it, what its sheet says, what it leaves to be said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from doe.assure.confirmation.attempts import Attempt
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.words.facts import Reader, Text, all_worded, reader_of, texts_of
from doe.words.wording import count, day, local, on_levels, stated


def sentences(facts: Iterable[Finding | str], study: Study) -> tuple[str, ...]:
    """Facts about a confirmation as sentences; those that an older version kept are sentences already."""
    return all_worded(facts, TEXTS, reader_of(study))


def _confirms(
    _: Reader,
    *,
    attempt: int,
    units: int,
    unit: str,
    per_unit: int,
    corners: int,
    corner_coupons: int,
    levels: int = 1,
) -> str:
    at = "a corner" if corners == 1 else f"each of {corners} corners"
    there = f", and {count(corner_coupons, 'coupon')} at {at} of the window" if corners else ""
    each = f" of {count(per_unit, 'coupon')}" if unit == "stroke" else ""
    return (
        f"This is confirmation {attempt}: {on_levels(units, unit, levels)}{each} at the setpoint{there}. Nothing is "
        "adjusted midway: no setting, no material, no number of coupons."
    )


TEXTS: Mapping[str, Text] = {**texts_of("confirmation"), **texts_of("standing", "verdicts"), "confirms": _confirms}
"""Of confirmations; those of their rounds are printed on the sheet."""


def attempt_told(attempt: Attempt) -> tuple[str, ...]:
    """A confirmation as a row of a recipe's story: number, day, claim, counts at setpoint and corners, verdict."""
    plan, judged = attempt.plan, attempt.judged
    claim = plan.claim
    failures = count(claim.failures, "failure") if claim.failures else "no failure"
    at_setpoint = at_corners = "nothing scored"
    if judged is not None:
        waiting = f", {judged.waiting} waiting" if judged.waiting else ""
        at_setpoint = f"{judged.passed} passed, {judged.failed} failed{waiting}"
        told = [f"{c.role}: {c.passed} passed, {c.failed} failed ({c.verdict})" for c in judged.corners]
        at_corners = "; ".join(told) or "none tested"
    return (
        str(plan.attempt),
        "" if plan.made_at is None else day(local(plan.made_at)),
        f"{stated(claim.pass_rate)} with {stated(claim.assurance)} assurance, "
        f"{on_levels(claim.units, plan.unit, claim.levels)}, {failures} allowed",
        at_setpoint,
        at_corners,
        attempt.verdict + (f" ({plan.given_up})" if plan.given_up else ""),
    )
