"""The reasons behind an answer, in sentences; numbers come from `doe.setpoint.Why` only."""

from __future__ import annotations

from doe.domain.study import Study
from doe.setpoint import Answer, Why
from doe.setpoint.priors import ABOUT, PriorPull
from doe.setpoint.why import CouponWeight, Learned, OneMore, Standing
from reports.wording import at_least_of_hundred, count, listing, out_of_hundred, percent, shirts

SHOWN = 6
"""Coupons in the table of a terminal."""

LISTED = 3
"""Names in one sentence."""

BARELY_LEARNED = 0.8
"""Share of the doubt left from which a quantity is called mostly assumed."""

MOVED = 0.005
"""Change of a rate below which nothing is said to have moved."""

QUANTITIES = {
    "height": "how good the best setting is",
    "place": "the best {factor}",
    "steepness": "how narrow the window is in {factor}",
    "trade": "how factors stand in for each other",
    "lapse": "how many prints fail whatever the settings",
    "hand_top": "the best hand-feel",
}
"""What coupons can teach, as the reader knows it."""


def result(coupon: CouponWeight) -> str:
    """How a coupon ended, in a word or two."""
    if coupon.passed:
        return "passed"
    return {"under": "too little", "over": "too much", "other": "other"}.get(coupon.side, "failed")


def differences(answer: Answer, why: Why) -> tuple[str, ...]:
    """That a kept answer was another one than the fit behind these reasons gives; nothing when they agree."""
    far = max(abs(answer.pass_rate - why.now.rate), abs(answer.pass_rate_low - why.now.rate_low))
    if far <= 2 * MOVED and answer.verdict == why.now.verdict:
        return ()
    return (
        f"The kept answer said {shirts(answer.pass_rate)} (at least {at_least_of_hundred(answer.pass_rate_low)}), "
        f"{answer.verdict}; a fit of the same results with this version says {_shirts(why.now)}, {why.now.verdict}. "
        "The reasons below are those of the fit.",
    )


def rests_on(study: Study, why: Why) -> tuple[str, ...]:
    """What the number rests on: the priors alone, and what the coupons added."""
    own = sum(not c.earlier for c in why.coupons)
    older = len(why.coupons) - own
    made = count(own, "coupon") + (f" (and {older} of an earlier study)" if older else "")
    said = []
    if why.before is not None:
        said.append(
            f"Before any coupon, {_shirts(why.before)} were expected to be good at this setting; {made} "
            f"make{'s' if own == 1 and not older else ''} that {_shirts(why.now)}."
        )
    learned = sorted((x for x in why.learned if x.left < BARELY_LEARNED), key=lambda x: x.left)
    assumed = sorted((x for x in why.learned if x.left >= BARELY_LEARNED), key=lambda x: -x.left)
    for head, found in (("Learned most", learned), ("Still mostly assumed", assumed)):
        if found:
            said.append(f"{head}: {listing([_quantity(study, x) for x in found[:LISTED]])}.")
    return tuple(said)


def _shirts(standing: Standing) -> str:
    return f"{shirts(standing.rate)} (at least {at_least_of_hundred(standing.rate_low)})"


def _rate(standing: Standing) -> str:
    return f"{_rough(standing)}{out_of_hundred(standing.rate)}"


def _bound(standing: Standing) -> str:
    """The bound, rounded down like everywhere a bound is shown."""
    return f"{_rough(standing)}{at_least_of_hundred(standing.rate_low)}"


def _rough(standing: Standing) -> str:
    return "" if standing.reliable else "~"


def _quantity(study: Study, learned: Learned) -> str:
    label = study.factor(learned.factor).label if learned.factor else ""
    return f"{QUANTITIES[learned.quantity].format(factor=label)} ({percent(min(learned.left, 1.0))} of the doubt left)"


def coupon_sentences(why: Why) -> tuple[str, ...]:
    """Which coupon moved the bound most, and whose turning round would change the verdict."""
    first = why.coupons[0]
    now = _bound(why.now)
    if abs(first.low_change) < MOVED or _bound(first.left_out) == now:
        said = ["Leaving out any single coupon moves the lower bound by less than a point."]
    else:
        way = "raises" if first.low_change > 0 else "lowers"
        said = [
            f"{first.coupon} ({result(first)}) {way} the lower bound most: without it, it would be "
            f"{_bound(first.left_out)} of 100 instead of {now}."
        ]
    turning: dict[str, list[str]] = {}
    for c in why.coupons:
        if c.turned.verdict != why.now.verdict:
            turning.setdefault(c.turned.verdict, []).append(c.coupon)
    if not turning:
        said.append(f"No single result, had it ended the other way, would change what is said here: {why.now.verdict}.")
    for verdict, names in turning.items():
        first_few = listing(names[:LISTED], "or")
        which = first_few if len(names) <= LISTED else f"one of {len(names)} coupons ({', '.join(names[:LISTED])}, ...)"
        said.append(f"Had {which} ended the other way, this setting would be called: {verdict}.")
    if any(not (c.left_out.reliable and c.turned.reliable) for c in why.coupons[:SHOWN]):
        said.append("~ marks numbers that rest on few draws: take them as rough.")
    return tuple(said)


COUPON_HEADS = ("coupon", "result", "without", "bound", "turned", "bound", "called", "draws")


def coupon_rows(why: Why, limit: int = SHOWN) -> list[tuple[str, ...]]:
    """The coupons that moved the bound most: result, rate and bound without it and turned round, what it was worth."""
    return [
        (
            c.coupon, result(c), _rate(c.left_out), _bound(c.left_out), _rate(c.turned), _bound(c.turned),
            c.turned.verdict, f"{min(c.left_out.effective, c.turned.effective):.0f}",
        )
        for c in why.coupons[:limit]
    ]  # fmt: skip


def one_more_sentences(why: Why) -> tuple[str, ...]:
    """What one more coupon would do, at the setpoint and at the most telling of the next ones."""
    here, *others = why.one_more
    said = [f"One more coupon at the setpoint: {_one_more(here)}."]
    if others:
        best = max(others, key=lambda o: o.low_spread)
        said.append(
            f"The most telling of the next coupons is number {best.number} of the table above: {_one_more(best)}."
        )
    return tuple(said)


def _one_more(one: OneMore) -> str:
    return (
        f"it passes with a chance of {percent(one.p_pass)}, and the lower bound would be {_bound(one.after_pass)} of "
        f"100; should it fail, {_bound(one.after_fail)}"
    )


def prior_sentences(why: Why) -> tuple[str, ...]:
    """What the priors pull at, all together and the strongest of them."""
    every, *single = why.priors
    said = [f"Were everything assumed before the coupons to count double, {_pull(why, every)}."]
    halved, doubled = why.prior_verdicts
    for times, verdict in (("double", doubled), ("half", halved)):
        if verdict != why.now.verdict:
            said.append(f"Counted {times}, this setting would be called: {verdict}.")
    strongest = single[0]
    if max(abs(strongest.rate), abs(strongest.rate_low)) >= 2 * MOVED:
        said.append(
            f"The strongest pull is that of {ABOUT[strongest.group]}: counted double alone, {_pull(why, strongest)}."
        )
    return tuple(said)


def _pull(why: Why, pull: PriorPull) -> str:
    rough = "" if pull.reliable else "~"
    rate, low = (min(max(v, 0.0), 1.0) for v in (why.now.rate + pull.rate, why.now.rate_low + pull.rate_low))
    if max(abs(pull.rate), abs(pull.rate_low)) < 2 * MOVED:
        return "neither the expected rate nor its bound would move by a point"
    return (
        f"about {rough}{out_of_hundred(rate)} of 100 shirts (at least {rough}{at_least_of_hundred(low)}) would be "
        f"expected to be good instead of {out_of_hundred(why.now.rate)} (at least {_bound(why.now)})"
    )
