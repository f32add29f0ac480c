"""What pages at the press say of a study: how far it is, what is left at the machines, drift, and an early look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from doe.domain.plan_kinds import COMPARE, CONFIRM
from doe.words.wording import at_least_of_hundred, count, listing, percent, score, stated

HINT_LABEL = (
    "A hint, not a verdict. It may still move far. Settings are decided by doe recommend, when the round is scored."
)
HINT_COMING = "It is being computed, which takes some seconds. Scoring goes on."
HINT_OLD = "Newer scores are there; the hint is being computed again."
HINT_UNLEARNED = "So far the fit knows little more than the share that passes: take no setting from it."
NO_RANGE = "No range around them holds the target yet."
NO_PLAN = "No coupon is planned yet. Make a plan with doe plan."
ALL_MADE = "Everything is made: nothing waits at oven or press."
UNPLANNED = "These coupons were made without a plan, so there is no queue at the machines."

KINDS = {
    CONFIRM: "Confirmation: these coupons check a setpoint already chosen; they do not look for better settings.",
    COMPARE: "Comparison: two materials side by side in the same press strokes.",
}
"""What a round is for when it does not look for settings."""


def progress(scored: int, coupons: int, void: int) -> str:
    """How far scoring is.

    >>> progress(3, 12, 1)
    '3 of 12 coupons scored, 1 void.'
    """
    return f"{scored} of {count(coupons, 'coupon')} scored{f', {void} void' if void else ''}."


def left_at(coupons: int, machine: str, minutes: float) -> str:
    """What is left at one machine, as a part of `left`."""
    return f"{count(coupons, 'coupon')} at the {machine}, about {minutes_words(minutes)}"


def left(parts: Sequence[str]) -> str:
    """What is left at the machines."""
    return f"Left: {listing(parts)}, settling and handling counted, warming up not."


def minutes_words(minutes: float) -> str:
    """Minutes in words, hours from two of them on.

    >>> minutes_words(0.4), minutes_words(59), minutes_words(134)
    ('1 minute', '59 minutes', '2 h 14 min')
    """
    whole = max(1, round(minutes))
    return count(whole, "minute") if whole < 120 else f"{whole // 60} h {whole % 60} min"


def drift(
    repeats: Sequence[tuple[str, bool, float | None]],
    planned: int,
    *,
    change: tuple[float, float, float] | None,
    has_moved: bool,
) -> Iterator[str]:
    """What the repeated centre coupons say so far, and how little that may be.

    Parameters
    ----------
    repeats : sequence of (coupon, failed, mean hand-feel or None)
        Those scored, in press order.
    planned : int
    change : (change, low, high) or None
        Of hand-feel from the first to the last, with its 95 % limits.
    has_moved : bool
        Whether hand-feel clearly moved.
    """
    done = len(repeats)
    if done < 2:
        if planned >= 2:
            yield (
                f"Drift: {done} of {planned} equal centre coupons {'is' if done == 1 else 'are'} scored; two are "
                "needed to compare."
            )
        return
    each = [
        f"{name} {'failed' if failed else 'passed'}{'' if hand is None else f' (hand {score(hand)})'}"
        for name, failed, hand in repeats
    ]
    failures = sum(failed for _, failed, _ in repeats)
    yield f"Drift: centre coupons at the same settings, in press order: {listing(each)}."
    if 0 < failures < done:
        yield "They differ in what passed: measure oven and press before the next coupon."
    if change is not None:
        moved, low, high = change
        limits = f"95 % limits of the change {low:+.1f} to {high:+.1f}"
        if has_moved:
            yield f"Hand-feel moved by {moved:+.1f} from the first to the last ({limits})."
        else:
            yield f"Hand-feel shows no clear move ({limits}); few repeats show large moves only."
    elif failures in (0, done):
        same = "Both" if done == 2 else "All"
        yield f"{same} gave the same result; {count(done, 'repeat')} can show a large drift only."


# the early look


def hint_too_early(scored: int, least: int) -> str:
    """How many coupons are still to be scored before there is an early look."""
    return f"{count(scored, 'coupon')} scored; from {least} on there is a hint here. {least - scored} to go."


def hint_from(coupons: int, passed: int) -> str:
    """What an early look rests on."""
    return f"From {count(coupons, 'scored coupon')}, {passed} of them passed."


def hint_unwashed(coupons: int) -> str:
    """Coupons that count as passed before their wash."""
    verb = "counts" if coupons == 1 else "count"
    return f"{count(coupons, 'coupon')} not washed yet {verb} as passed: it may look too good."


def hint_rate(rate: float, low: float, assurance: float, *, checks_only: bool) -> str:
    """What is expected at the settings of an early look; the lower bound rounded down."""
    whole = "pass every check (hand-feel was not scored yet)" if checks_only else "meet the whole target"
    return (
        f"At the settings below about {percent(rate)} of prints are expected to {whole}; with {stated(assurance)} "
        f"assurance at least {at_least_of_hundred(low)} %."
    )


def hint_unvaried(labels: Sequence[str]) -> str:
    """Why no range is given."""
    return f"No range around them is given: so far the coupons hardly vary {listing(labels)}."


# a card


def after_this(more: int) -> str:
    """What follows in the queue."""
    return f"Then {more} more in this queue." if more else "The last one in this queue."


def one_stroke(coupons: Sequence[str]) -> str:
    """Coupons that are pressed together."""
    return f"{listing(coupons)} are pressed together, in one stroke."


def materials(each: Sequence[tuple[str, str]]) -> str:
    """Which material each coupon is, and who must not know."""
    named = listing([f"{coupon}: {material}" for coupon, material in each])
    return f"{named}. Whoever scores must not know which is which."


def uncured(coupons: Sequence[str]) -> str:
    """Coupons at the press whose cure nobody noted."""
    return f"Not noted as cured yet: {listing(coupons)}."
