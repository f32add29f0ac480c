"""A planned confirmation in words: what stands before it, what is printed on its sheet, what it leaves to be said."""

from __future__ import annotations

from collections.abc import Sequence

from doe.assure.confirmation.attempts import ConfirmationPlan
from doe.assure.confirmation.claims import ClaimPlan
from doe.assure.confirmation.verdict import Confirmation
from doe.domain.texts import quoted
from doe.words.wording import count, listing, percent, stated


def offer_cautions(
    *, is_unscored: bool, asks_for_more: bool, open_washes: int, wanted_corners: int, corners: int, has_window: bool
) -> tuple[str, ...]:
    """What is to be known before a confirmation is planned."""
    said = []
    if is_unscored:
        said.append(
            "The answer is not ready: hand-feel is wanted and was never scored, so it speaks of the checks alone."
        )
    elif asks_for_more:
        said.append(
            "The answer is not ready: it asks for more coupons first. A confirmation now may well fail, and that "
            "stays on record."
        )
    if open_washes:
        said.append(
            f"{count(open_washes, 'coupon')} of the study still {'waits' if open_washes == 1 else 'wait'} for a wash: "
            "the setpoint may move when the wash is recorded, and the confirmation would then be about the old one."
        )
    if wanted_corners and not has_window:
        said.append("The answer has no window: only the setpoint is confirmed, and a recipe from it has no window.")
    elif wanted_corners and not corners:
        said.append(
            "No corner of the window can be tested: it is as narrow as the setpoint, or its corners are forbidden. "
            "Only the setpoint is confirmed."
        )
    elif corners < wanted_corners:
        said.append(
            f"Only {count(corners, 'corner')} of the window can be tested: the others are forbidden, or the window has "
            "no more."
        )
    if not wanted_corners:
        said.append("No corner of the window is tested: only the setpoint is confirmed.")
    return tuple(said)


def again(attempt: int, before: Sequence[tuple[int, str]]) -> str:
    """What a further attempt cannot undo; ``before`` are the earlier ones with what became of each."""
    told = [f"confirmation {number} was {outcome}" for number, outcome in before]
    return (
        f"This is confirmation {attempt} of this study: {listing(told)}. None is erased: report and recipe say that "
        f"there were {count(attempt, 'attempt')}. It is made of fresh coupons, and from now on its verdict is the one "
        "that counts."
    )


def round_notes(plan: ConfirmationPlan) -> tuple[str, ...]:
    """What the person at the machines must know; printed on the sheet."""
    claim = plan.claim
    at = "a corner" if len(plan.corners) == 1 else f"each of {len(plan.corners)} corners"
    corners = f", and {count(plan.corner_coupons, 'coupon')} at {at} of the window" if plan.corners else ""
    each = f" of {count(plan.per_unit, 'coupon')}" if plan.unit == "stroke" else ""
    whole = " A stroke passes only when all its coupons do." if plan.unit == "stroke" else ""
    edge = (
        f"The coupons at {listing(list(plan.corners))} lie at the edge of the window on purpose; they are judged apart."
    )
    return (
        f"This is confirmation {plan.attempt}: {count(claim.units, plan.unit)}{each} at the setpoint{corners}. "
        "Nothing is adjusted midway: no setting, no material, no number of coupons.",
        f"The rule was fixed before: the setpoint is accepted when {forgiven(claim.failures)} is found among "
        f"{count(claim.units, plan.unit)}, every check and wash counted; that shows {stated(claim.pass_rate)} with "
        f"{stated(claim.assurance)} assurance.{whole}",
        *((edge,) if plan.corners else ()),
        "Void is only what was lost or spoiled by hand, with its reason, written down before the checks are looked "
        "at. A print that failed is a failure, whatever the reason. Void coupons are made again.",
        "Set oven and press afresh for every batch, also where the setting stays the same: what is confirmed is the "
        "setting, not one turn of the dial.",
    )


def forgiven(failures: int) -> str:
    """How many failures a rule allows.

    >>> forgiven(0), forgiven(2)
    ('no failure', 'at most 2 failures')
    """
    return f"at most {count(failures, 'failure')}" if failures else "no failure"


def replacement_notes(plan: ConfirmationPlan) -> tuple[str, ...]:
    """The same for coupons that are made again."""
    return (
        f"These coupons are made again for confirmation {plan.attempt}, in place of void ones or at a doubtful corner. "
        "The same rule holds: nothing is adjusted.",
        *round_notes(plan)[1:],
    )


def claim_below(claim: ClaimPlan, wanted_rate: float, wanted_assurance: float) -> list[str]:
    """Where a rule claims less than the study wants."""
    said = []
    if claim.pass_rate < wanted_rate:
        said.append(
            f"The claim, {stated(claim.pass_rate)}, is below the pass rate the study wants, {stated(wanted_rate)}."
        )
    if claim.assurance < wanted_assurance:
        said.append(
            f"The assurance of the claim, {stated(claim.assurance)}, is below the study's, {stated(wanted_assurance)}."
        )
    return said


def answer_gone(study: str) -> str:
    """The results moved on and no answer to them is kept."""
    return (
        "The results or the study changed after this confirmation was planned, and no answer to them is kept: ask for "
        f"it with doe recommend {quoted(study)}."
    )


def answer_moved(labels: Sequence[str]) -> str:
    """The last answer is another setpoint."""
    return (
        f"The last answer to the present results is another setpoint ({listing(labels)}): this confirmation is about "
        "the one before."
    )


OUT_OF_REACH = "The answer to the present results is: not reachable."
WINDOW_MOVED = "The window was drawn anew after this confirmation was planned: its corners were not tested."
NOT_SCORED = "No confirmation coupon is scored yet."


def withheld(waiting: int) -> str:
    """Why study and confirmation are not put together yet."""
    return (
        f"{count(waiting, 'coupon')} still {'waits' if waiting == 1 else 'wait'} for a check; study and confirmation "
        "are put together when none does."
    )


# what a release says of it

NOT_MADE = "No confirmation was made."
OTHER_SETPOINT = "The confirmation was made at another setpoint than the answer's."


def came_to(verdict: str, attempts: int, doubts: Sequence[str]) -> str:
    """What a confirmation came to."""
    tried = "" if attempts == 1 else f" ({count(attempts, 'attempt')})"
    return f"The confirmation is {verdict}{tried}.{''.join(f' {text}' for text in doubts)}"


def assurance_left(attempts: int, assurance: float) -> str:
    """What several attempts leave of the assurance."""
    return f"Over all {count(attempts, 'attempt')} at confirmation the assurance that is left is {percent(assurance)}."


# a row of the story


def claim_words(plan: ConfirmationPlan) -> str:
    """What a confirmation was to show."""
    claim = plan.claim
    allowed = count(claim.failures, "failure") if claim.failures else "no failure"
    return (
        f"{stated(claim.pass_rate)} with {stated(claim.assurance)} assurance, {count(claim.units, plan.unit)}, "
        f"{allowed} allowed"
    )


def judged_words(judged: Confirmation | None) -> tuple[str, str]:
    """Counts at the setpoint and at the corners."""
    if judged is None:
        return "nothing scored", "nothing scored"
    waiting = f", {judged.waiting} waiting" if judged.waiting else ""
    corners = "; ".join(f"{c.role}: {c.passed} passed, {c.failed} failed ({c.verdict})" for c in judged.corners)
    return f"{judged.passed} passed, {judged.failed} failed{waiting}", corners or "none tested"
