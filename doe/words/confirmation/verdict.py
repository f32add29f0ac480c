"""A confirmation in sentences: verdict, what is missing, corners, hand-feel, other attempts. No number is made here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from doe.assure.confirmation.allocation import LUCKY, SETPOINT
from doe.assure.confirmation.attempts import Attempt, Combination
from doe.assure.confirmation.verdict import CHECK_PREFIX, Confirmation, CornerResult, coupon_states
from doe.domain.finding import Finding
from doe.domain.standing import confirmation_code
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, fixed
from doe.words.confirmation.plan import sentences
from doe.words.facts import filled, texts_of
from doe.words.study.standing import FRAMES
from doe.words.wording import (
    SIDE_WORDS,
    allowed,
    amount_both,
    at_least_of_hundred,
    at_most_of_hundred,
    claim_shown,
    count,
    listing,
    on_levels,
    percent,
    percent_at_least,
    percent_at_most,
    sentence,
    stated,
    verb,
)

HEADLINES = texts_of("standing", "headlines")
CORNER_WORDS = texts_of("catalogues", "corners")


@dataclass(frozen=True)
class ConfirmationFacts:
    """What there is to say about the confirmation of a study.

    Attributes
    ----------
    study : Study
    attempts : tuple of Attempt
        Oldest first; the last one is told, the others are listed.
    together : Combination or None
        The study beside it; None while coupons wait.
    withheld : Finding or str
        Why there is nothing beside it; ``""`` when there is.
    doubts, remarks : tuple of Finding or str
        Why the verdict is not about the present answer; what else should be known.
    over_attempts : float
        Assurance over all attempts at these settings.
    """

    study: Study
    attempts: tuple[Attempt, ...]
    together: Combination | None
    withheld: Finding | str
    doubts: tuple[Finding | str, ...]
    remarks: tuple[Finding | str, ...]
    over_attempts: float

    @property
    def current(self) -> Attempt:
        """The last attempt."""
        return self.attempts[-1]


def was_allowed(failures: int) -> str:
    """The same for what is over.

    >>> was_allowed(0), was_allowed(2)
    ('no failure was allowed', 'at most 2 failures were allowed')
    """
    return f"{allowed(failures)} {'were' if failures > 1 else 'was'} allowed"


def every_check(study: Study) -> str:
    """What a coupon must pass."""
    return "every check, washes included" if any(c.after_washes for c in study.spec.checks) else "every check"


def standing(facts: ConfirmationFacts) -> str:
    """How far the confirmation has come, in a sentence."""
    number = f"Confirmation {facts.current.plan.attempt}" if len(facts.attempts) > 1 else "Confirmation"
    doubt = ", of an answer that is not the present one" if facts.doubts else ""
    return f"{number}: {told_verdict(facts.current)}{doubt}."


def told_verdict(attempt: Attempt) -> str:
    """The verdict in one or two words; where the setpoint stands and the rest does not, what does not."""
    code = code_of(attempt)
    return attempt.verdict if " " not in code or code == "given up" else lower_first(HEADLINES[code])


def lower_first(text: str) -> str:
    """A headline inside a sentence."""
    return text[:1].lower() + text[1:]


def rule_sentence(attempt: Attempt) -> str:
    """The rule that was fixed before."""
    claim, unit = attempt.plan.claim, attempt.plan.unit
    return (
        f"The rule, fixed before: {allowed(claim.failures)} among {on_levels(claim.units, unit, claim.levels)} at the "
        f"setpoint shows a pass rate of {stated(claim.pass_rate)} with {stated(claim.assurance)} assurance."
        + (" A stroke passes only when all its coupons do." if unit == "stroke" else "")
    )


def code_of(attempt: Attempt) -> str:
    """What an attempt came to, by `doe.domain.standing.confirmation_code`."""
    judged = attempt.judged
    if judged is None:
        return confirmation_code(attempt.verdict, "", (), "")
    corners = [corner.verdict for corner in judged.corners]
    return confirmation_code(attempt.verdict, judged.setpoint_verdict, corners, judged.hand_verdict)


def kind_of(attempt: Attempt) -> str:
    """Style of the verdict's frame."""
    code = code_of(attempt)
    return FRAMES.get(code.partition(" ")[0], "more")


def headline(attempt: Attempt, study: Study) -> str:
    """The verdict in a few words, as every screen of the study says it while it is about the present answer."""
    code, claim = code_of(attempt), attempt.plan.claim
    if code == "confirmed" and claim.pass_rate < study.spec.pass_rate:
        code = "confirmed below"
    settled = int((coupon_states(attempt.rows, study.spec.checks) != "waiting").sum())
    told = {"claim": claim.pass_rate, "wanted": study.spec.pass_rate}
    return filled(HEADLINES[code], **told, settled=settled, coupons=len(attempt.rows))


def lead(facts: ConfirmationFacts) -> str:
    """The verdict on the setpoint in two or three sentences."""
    attempt, judged = facts.current, facts.current.judged
    claim, unit = attempt.plan.claim, attempt.plan.unit
    if judged is None:
        are = verb(claim.units, "is", "are")
        text = f"{on_levels(claim.units, unit, claim.levels)} at the setpoint {are} planned; none is scored yet."
    elif judged.setpoint_verdict == "accepted":
        text = _accepted(judged, unit, every_check(facts.study))
    elif judged.setpoint_verdict == "not accepted":
        text = _refused(judged, unit)
    else:
        text = _open(judged, unit, every_check(facts.study))
    if attempt.verdict == "given up":
        text += f" It was given up: {attempt.plan.given_up.rstrip('.')}."
    return text


def _accepted(judged: Confirmation, unit: str, every: str) -> str:
    claim = judged.plan
    made = judged.passed + judged.failed + judged.waiting
    return (
        f"{judged.passed} of {count(made, unit)} at the setpoint passed {every}, and {judged.failed} failed; "
        f"{was_allowed(claim.failures)}. {claim_shown(claim.pass_rate, claim.assurance)}"
        + (" It is shown of strokes with all their coupons, so at least as many prints do." if unit == "stroke" else "")
    )


def _refused(judged: Confirmation, unit: str) -> str:
    claim, one = judged.plan, "prints" if unit == "coupon" else "strokes"
    made = judged.passed + judged.failed + judged.waiting
    return (
        f"{judged.failed} of {count(made, unit)} at the setpoint failed; {was_allowed(claim.failures)}. The pass rate "
        f"of {stated(claim.pass_rate)} is not shown, and no further {unit} of this run can show it. That does not "
        f"show the opposite: with {stated(claim.assurance)} assurance each, at least "
        f"{at_least_of_hundred(judged.limits.low)} and at most {at_most_of_hundred(judged.limits.high)} of 100 {one} "
        "pass there."
    )


def _open(judged: Confirmation, unit: str, every: str) -> str:
    claim = judged.plan
    more, left = claim.passes_needed - judged.passed, claim.failures - judged.failed + 1
    end = "the next failure" if left == 1 else f"{left} more failures"
    wait = verb(judged.waiting, "waits", "wait")
    waiting = f"; {judged.waiting} passed what was looked at and {wait} for the rest" if judged.waiting else ""
    return (
        f"So far {count(judged.passed, unit)} at the setpoint passed {every}, and {judged.failed} failed{waiting}. "
        f"{count(more, 'more pass', 'more passes')} and the setpoint is accepted; {end} and it is not."
    )


def waiting_lines(facts: ConfirmationFacts) -> tuple[str, ...]:
    """What keeps coupons open: not scored yet, waiting for a wash, void and to be made again."""
    attempt = facts.current
    if attempt.verdict == "given up":
        return ()
    said = []
    settled = attempt.judged is not None and attempt.judged.setpoint_verdict != "open"
    for role, rows in sorted(attempt.rows.groupby("role"), key=lambda part: (part[0] != SETPOINT, part[0])):
        checks = [c for c in facts.study.spec.checks if CHECK_PREFIX + c.name in rows]
        table = rows[[CHECK_PREFIX + c.name for c in checks]]
        failed = table.eq(False).any(axis=1)
        unscored = table.isna().all(axis=1)
        begun = ~failed & ~unscored & table.isna().any(axis=1)
        parts = []
        if unscored.any():
            parts.append(f"{int(unscored.sum())} of {count(len(rows), 'coupon')} not scored yet")
        for check in checks:
            open_now = int((begun & table[CHECK_PREFIX + check.name].isna()).sum())
            if open_now:
                parts.append(f"{open_now} {verb(open_now, 'waits', 'wait')} for: {check.label}")
        if parts:
            needless = " (the verdict on the setpoint is certain without)" if settled and role == SETPOINT else ""
            said.append(f"{sentence(str(role)).rstrip('.')}: {'; '.join(parts)}{needless}.")
    if attempt.missing_units:
        lost = attempt.missing_units
        said.append(_lost(lost, attempt.plan.unit, "the setpoint"))
    void_at = {role: n for role, n in attempt.missing_corners.items() if not _in_doubt(attempt, role)}
    return (*said, *(_lost(n, "coupon", role) for role, n in void_at.items()))


def _lost(number: int, unit: str, role: str) -> str:
    return f"{count(number, unit)} at {role} {verb(number, 'is', 'are')} to be made again: void shows nothing."


def _in_doubt(attempt: Attempt, role: str) -> bool:
    return attempt.judged is not None and any(
        c.role == role and c.verdict == "doubtful" for c in attempt.judged.corners
    )


def corner_lines(facts: ConfirmationFacts, shown: Shown = METRIC) -> tuple[str, ...]:
    """Each corner, and what it means for the window."""
    attempt = facts.current
    if attempt.judged is None:
        return ()
    places = {str(row["role"]): row for row in attempt.plan.points.to_dict("records")}
    said = []
    for c in attempt.judged.corners:
        if c.verdict == "open" and not c.failed:
            continue  # what is still to come is said already
        at = listing([amount_both(f, places[c.role][f.name], shown) for f in facts.study.factors])
        text = _corner(c, str(places[c.role]["side"]), can_be_settled=c.role in attempt.missing_corners)
        said.append(f"{sentence(c.role).rstrip('.')} ({at}): {text}")
    return tuple(said)


def _corner(c: CornerResult, side: str, *, can_be_settled: bool) -> str:
    made = c.passed + c.failed + c.waiting
    if c.verdict == "not held":
        return (
            f"{c.failed} of {made} failed, more than chance allows. The window is smaller than it was drawn: it does "
            f"not reach this corner, where the study expected prints to fail first by {SIDE_WORDS[side]}. The setpoint "
            "is judged apart from it. Draw the window in there, or use the setpoint without a window."
        )
    if c.verdict == "doubtful":
        again = (
            "As many coupons again settle it; until then the window is not confirmed at this corner."
            if can_be_settled
            else "More were made and do not settle it: take the window as not confirmed at this corner."
        )
        return f"{c.failed} of {made} failed, which chance alone allows. {again}"
    if c.verdict == "open":
        return f"{c.passed} of {made} passed every check, {c.failed} failed, {c.waiting} still to come."
    return (
        f"{c.passed} of {made} passed: it held. A corner where half of the prints fail would have shown more failures "
        f"in at least {at_least_of_hundred(1 - c.chance_missed)} of 100 such tests; smaller faults are not seen by so "
        "few coupons."
    )


def hand_line(facts: ConfirmationFacts) -> str:
    """Hand-feel to expect of further prints; empty where the study wants none."""
    judged, spec = facts.current.judged, facts.study.spec
    if judged is None or spec.hand_min is None:
        return ""
    found, short = judged.hand, [fact for fact in judged.missing if fact.code.startswith("hand_")]
    if found is None or short:
        return "".join(sentences(short, facts.study))
    wanted = f"{spec.hand_min:g} is wanted"
    mean = f"the mean of the next {count(found.future, 'print')}" if found.future > 1 else "the next print"
    sure = f"with {stated(spec.assurance)} assurance"
    low, high = math.floor(round(found.low * 10, 6)) / 10, math.ceil(round(found.high * 10, 6)) / 10
    if judged.hand_verdict == "good enough":
        return f"Hand-feel: {sure}, {mean} will be {fixed(low, 1)} or softer; {wanted}."
    if judged.hand_verdict == "not good enough":
        return f"Hand-feel: {sure}, {mean} will stay at {fixed(high, 1)} or below; {wanted}."
    return (
        f"Hand-feel: {sure}, {mean} may come out as low as {fixed(low, 1)}; {wanted}. More scored coupons may "
        "settle it."
    )


def lines(facts: ConfirmationFacts, shown: Shown = METRIC) -> tuple[str, ...]:
    """What waits, what the corners say, and hand-feel."""
    hand = hand_line(facts)
    return (*waiting_lines(facts), *corner_lines(facts, shown), *((hand,) if hand else ()))


def independence() -> str:
    """What batches do to the assurance: measured, not assumed away."""
    told = [f"{percent(share)} with {count(n, 'set-up')}" for n, share in LUCKY.items()]
    return (
        "The limits take every coupon as a fresh try, and coupons of one batch share what the machine was off. On "
        "invented lines whose batches share about half of it, a setpoint that just misses a claim of 90 % with 90 % "
        f"assurance was accepted in {listing(told)} of each machine (share of runs, 22 coupons); 10 % are promised."
    )


def care_lines(facts: ConfirmationFacts) -> tuple[str, ...]:
    """What the numbers cannot know: how often the machines were set, what was made void, what else to know."""
    attempt = facts.current
    judged = attempt.judged
    said = [] if judged is None or judged.hand is None else [*sentences(judged.hand.notes, facts.study)]
    oven, press = attempt.set_ups
    if press:
        batches = f"{count(oven, 'oven batch', 'oven batches')} and {count(press, 'press batch', 'press batches')}"
        said.append(
            f"The settled coupons at the setpoint were made in {batches} of one line, with the lots named. What "
            "differs between other days, lots or lines was not seen."
        )
        said.append(independence())
    if attempt.void:
        named = listing([f"{coupon} ({reason.rstrip('.')})" for coupon, reason in attempt.void])
        are = verb(len(attempt.void), "is void and counts", "are void and count")
        said.append(f"{count(len(attempt.void), 'coupon')} {are} for nothing: {named}.")
    said += voided_failures(attempt)
    if attempt.spare:
        were = verb(attempt.spare, "was made beyond the plan and counts", "were made beyond the plan and count")
        said.append(
            f"{count(attempt.spare, 'coupon')} at the setpoint {were} for nothing: more coupons until a rule is met "
            "prove less than it says."
        )
    return (*said, *sentences(facts.remarks, facts.study))


def voided_failures(attempt: Attempt) -> tuple[str, ...]:
    """Coupons that had failed before they were made void."""
    return tuple(
        f"{coupon} had failed a check and is void ({reason.rstrip('.')}): if the print failed by itself, it is a "
        "failure, and the claim looks better than it is."
        for coupon, reason in attempt.voided_failures
    )


def attempts_line(facts: ConfirmationFacts) -> str:
    """What several attempts mean; empty for the first."""
    number = len(facts.attempts)
    if number == 1:
        return ""
    text = (
        f"This is attempt {number}. An earlier attempt is not erased by a later one: each stands on fresh coupons of "
        "its own, and a recipe says how many there were."
    )
    claim = facts.current.plan.claim
    if facts.current.verdict == "accepted" and facts.over_attempts < claim.assurance - 1e-9:
        text += (
            f" Over all attempts at these settings a setpoint that just misses {stated(claim.pass_rate)} would have "
            f"been accepted once with a chance of up to {percent_at_most(1 - facts.over_attempts)}: the assurance "
            f"over all is {percent_at_least(facts.over_attempts)}, not {stated(claim.assurance)}."
        )
    return text


def steps(facts: ConfirmationFacts) -> tuple[str, ...]:
    """What to do now."""
    attempt, judged = facts.current, facts.current.judged
    if facts.doubts:
        return ("See first whether this confirmation is about the present answer.",)
    if attempt.verdict == "accepted":
        return ("Release the recipe with this confirmation.", "Keep one confirmed coupon beside the recipe.")
    if attempt.verdict == "given up":
        return ("Plan a fresh confirmation when what stood in its way is mended.",)
    if attempt.verdict == "open":
        stuck = (
            []
            if judged is None
            else [c for c in judged.corners if c.verdict == "doubtful" and c.role not in attempt.missing_corners]
        )
        if stuck and judged is not None and judged.setpoint_verdict == "accepted" and not attempt.unscored:
            return ("Use the setpoint without a window, or draw the window in and confirm again.",)
        said = ["Make and score what is missing; change nothing meanwhile."]
        if attempt.missing_units or attempt.missing_corners:
            said.append(
                "Have void coupons, and those at a corner in doubt, made again as a round of the same confirmation."
            )
        return tuple(said)
    if judged is not None and judged.setpoint_verdict == "accepted":
        return (
            "Do not use the window as it is. Use the setpoint without a window, or draw the window in and confirm "
            "again.",
        )
    if facts.study.known is not None:
        return (
            "Find out what is different here from where these settings come from: lots, machines, gauge, handling.",
            "If nothing is, they do not hold here: search for others with a new study. A second confirmation takes "
            "fresh coupons, and both are shown.",
        )
    return (
        "Find out what differs from the study before anything is made again: lots, machines, gauge, handling.",
        "A second confirmation takes fresh coupons, and both are shown. If nothing differs, the study was too "
        "hopeful: add a round to it, and ask for a new answer.",
    )


def source_rows(facts: ConfirmationFacts) -> tuple[tuple[str, str, str, str], ...]:
    """Study alone, confirmation alone, both: name, pass rate, at least, at most."""
    judged, both = facts.current.judged, facts.together
    spec = facts.study.spec
    rows = []
    if both is not None:
        low = percent_at_least(both.study_low)
        rows.append((f"study alone ({stated(spec.assurance)})", _share(both.study_rate), low, ""))
    if judged is not None and judged.passed + judged.failed:
        claim = judged.plan
        waiting = f", {judged.waiting} wait" if judged.waiting else ""
        rows.append(
            (
                f"confirmation alone, exact ({stated(claim.assurance)})",
                f"{judged.passed} of {judged.passed + judged.failed}{waiting}",
                percent_at_least(judged.limits.low),
                percent_at_most(judged.limits.high),
            )
        )
    if both is not None:
        rows.append((f"both together ({stated(spec.assurance)})", _share(both.rate), percent_at_least(both.low), ""))
    return tuple(rows)


def _share(value: float) -> str:
    return f"{fixed(value * 100, 1)} %"


def source_notes(facts: ConfirmationFacts) -> tuple[str, ...]:
    """How the three figures are meant."""
    both, judged = facts.together, facts.current.judged
    if both is None:
        return sentences(filter(None, (facts.withheld,)), facts.study)
    told = [
        "Study alone: its fit, which saw no confirmation coupon. Both together: the same fit, weighted by the "
        f"{count(both.coupons, 'settled confirmation coupon')} of "
        f"{'every attempt' if len(facts.attempts) > 1 else 'this run'}, corners included; nothing is counted twice."
    ]
    if both.counts_hand:
        told.append(
            "Study and both count the hand-feel wanted as well; the confirmation alone counts the checks, and "
            "judges hand-feel apart."
        )
    if judged is not None:
        told.append(
            "The verdict rests on the exact limits of the confirmation alone. Lower limits are rounded down, "
            "upper ones up."
        )
    return (*told, *sentences(both.warnings, facts.study))


def attempt_rows(attempts: Sequence[Attempt]) -> tuple[tuple[str, ...], ...]:
    """One row an attempt: number, claim, allowed, result, verdict."""
    rows = []
    for a in attempts:
        judged, claim = a.judged, a.plan.claim
        result = "none scored" if judged is None else f"{judged.passed} passed, {judged.failed} failed"
        if judged is not None and judged.waiting:
            result += f", {count(judged.waiting, 'waits', 'wait')}"
        verdict = told_verdict(a) + (f" ({a.plan.given_up.rstrip('.')})" if a.plan.given_up else "")
        rows.append(
            (
                str(a.plan.attempt),
                f"{stated(claim.pass_rate)} with {stated(claim.assurance)}",
                f"{allowed(claim.failures)} in {on_levels(claim.units, a.plan.unit, claim.levels)}",
                result,
                verdict,
            )
        )
    return tuple(rows)
