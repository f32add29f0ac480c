"""The reasons behind an answer, in sentences; numbers come from `doe.setpoint.Why` only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, fixed
from doe.setpoint.answer import Answer
from doe.setpoint.grounds import Beyond, EndCause, HeatSide, Named, WindowEnd
from doe.setpoint.priors import PriorPull
from doe.setpoint.standing import Standing
from doe.setpoint.verdict import OUT_OF_REACH_GAP, reach_threshold
from doe.setpoint.why import CouponWeight, Learned, OneMore, Why
from doe.words.facts import texts_of
from doe.words.recipe.story import IDEAS, why_not
from doe.words.study.setpoint import ABOUT
from doe.words.wording import (
    amount_both,
    at_least_of_hundred,
    count,
    difference_both,
    listing,
    move,
    out_of_hundred,
    percent,
    prints,
    score,
    stated,
)

SHOWN = 6
"""Coupons in the table of those that carry the numbers."""

LISTED = 3
"""Names in one sentence."""

BARELY_LEARNED = 0.8
"""Share of the doubt left from which a quantity is called mostly assumed."""

MOVED = 0.005
"""Change of a rate below which nothing is said to have moved."""

FELT = 0.05
"""Change of a mean hand-feel below which nothing is said to have moved it."""

ENDED = {"under": "too little", "over": "too much", "other": "other"}
"""Sides of a failure, as short as in a table."""

DOUBT = "Doubt is the spread of what is still possible, against that before any coupon."

QUANTITIES = texts_of("said_of_fits", "quantities")
"""What coupons can teach, as the reader knows it."""


def result(coupon: CouponWeight | Named) -> str:
    """How a coupon ended, in a word or two."""
    return "passed" if coupon.passed else ENDED.get(coupon.side, "failed")


def differences(answer: Answer, why: Why) -> tuple[str, ...]:
    """That a kept answer was another one than the fit behind these reasons gives; nothing when they agree."""
    far = max(
        abs(answer.pass_rate - why.now.rate),
        abs(answer.pass_rate_low - why.now.rate_low),
        abs(answer.p_reachable - why.now.p_reachable),
        abs(answer.best_pass_rate - why.now.best),
    )
    if far <= 2 * MOVED and answer.verdict == why.now.verdict:
        return ()
    return (
        f"The kept answer said {prints(answer.pass_rate)} (at least {at_least_of_hundred(answer.pass_rate_low)}), "
        f"{answer.verdict}; a fit of the same results with this version says {_prints(why.now)}, {why.now.verdict}. "
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
            f"Before any coupon, {_prints(why.before)} were expected to be good at this setting; {made} "
            f"make{'s' if own == 1 and not older else ''} that {_prints(why.now)}."
        )
    learned = sorted((x for x in why.learned if x.left < BARELY_LEARNED), key=lambda x: x.left)
    assumed = sorted((x for x in why.learned if x.left >= BARELY_LEARNED), key=lambda x: -x.left)
    for head, found in (("Learned most", learned), ("Still mostly assumed", assumed)):
        if found:
            said.append(f"{head}: {listing([_quantity(study, x) for x in found[:LISTED]])}.")
    return tuple(said)


def _prints(standing: Standing) -> str:
    return f"{prints(standing.rate)} (at least {at_least_of_hundred(standing.rate_low)})"


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
    if _hardly_moves(why, first):
        said = ["Leaving out any single coupon moves the lower bound by less than a point."]
    else:
        way = "raises" if first.low_change > 0 else "lowers"
        said = [
            f"{first.coupon} ({result(first)}) {way} the lower bound most: without it, it would be "
            f"{_bound(first.left_out)} of 100 instead of {now}."
        ]
    turning: dict[str, list[str]] = {}
    close = [c.coupon for c in why.coupons if not c.turned.firm]
    for c in why.coupons:
        if c.turned.verdict != why.now.verdict and c.turned.firm:
            turning.setdefault(c.turned.verdict, []).append(c.coupon)
    if not why.now.firm:
        said.append(
            f"What is said here, {why.now.verdict}, is a close call by itself: another fit of the same results may say "
            "otherwise."
        )
    elif not turning:
        clearly = "clearly " if close else ""
        said.append(
            f"No single result, had it ended the other way, would {clearly}change what is said here: {why.now.verdict}."
        )
    for verdict, names in turning.items():
        said.append(f"Had {_one_of(names)} ended the other way, this setting would be called: {verdict}.")
    if close and why.now.firm:
        said.append(f"Had {_one_of(close)} ended the other way, it would be a close call.")
    return tuple(said)


def _hardly_moves(why: Why, coupon: CouponWeight) -> bool:
    """Whether leaving a coupon out moves the shown bound by less than a point."""
    return abs(coupon.low_change) < MOVED or _bound(coupon.left_out) == _bound(why.now)


def _one_of(names: Sequence[str]) -> str:
    if len(names) <= LISTED:
        return listing(names, "or")
    return f"one of {len(names)} coupons ({_few(names)})"


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:LISTED]) + (", ..." if len(names) > LISTED else "")


OVERVIEW_HEADS = ("what is said", "what it rests on most")


def overview_rows(why: Why) -> list[tuple[str, str]]:
    """What each number of an answer rests on most, a line each that fits a terminal."""
    now, own = why.now, sum(not c.earlier for c in why.coupons)
    older = len(why.coupons) - own
    made = count(own, "coupon") + (f" and {older} of an earlier study" if older else "")
    before = "" if why.before is None else f"; before any, {out_of_hundred(why.before.rate)} were expected"
    low, most = why.coupons[0], _moves_reach(why)
    rows = [
        (now.verdict, _verdict_ground(why)),
        (f"{out_of_hundred(now.rate)} of 100 good", made + before),
        (
            f"at least {_bound(now)}",
            f"{low.coupon} ({result(low)}): without it, at least {_about(_bound(low.left_out))}",
        ),
        (f"{percent(now.p_reachable)} reachable", "no single coupon moves it by a point"),
    ]
    if _hardly_moves(why, low):
        rows[2] = (rows[2][0], "no single coupon moves it by a point")
    if _reach_moved(why, most) >= 2 * MOVED:
        turned = _about(f"{_rough(most.turned)}{percent(most.turned.p_reachable)}")
        rows[3] = (rows[3][0], f"{most.coupon} ({result(most)}): had it ended the other way, {turned}")
    if why.hand is not None:
        felt = f"{count(len(why.hand.coupons), 'coupon')} felt by {listing(why.hand.people)}"
        rows.append((f"hand-feel {score(why.hand.mean)}", felt))
    for cliff in why.cliffs[:1]:
        seen = f"{cliff.beyond.failed} of {count(cliff.beyond.made, 'coupon')} beyond it failed"
        rows.append(("nearest cliff", f"{cliff.factor}: {seen if cliff.beyond.telling else UNSEEN}"))
    for factor in dict.fromkeys(end.factor for end in why.ends):
        grounds = [f"{end.end} end: {_end_ground(end)}" for end in why.ends if end.factor == factor]
        rows.append((f"window, {factor}", "; ".join(grounds)))
    doubled, here = why.priors[0], why.one_more[0]
    rate, low_then = _pulled(why, doubled)
    then = f"if they counted double: {out_of_hundred(rate)} of 100, at least {at_least_of_hundred(low_then)}"
    rows.append(("assumptions", then))
    after = [_about(_bound(end)) for end in (here.after_pass, here.after_fail)]
    rows.append(("one more coupon", f"at least {after[0]} if it passes at the setpoint, {after[1]} if it fails"))
    return rows


UNSEEN = "assumed, not seen"


def _about(number: str) -> str:
    return number.replace("~", "about ")


def _verdict_ground(why: Why) -> str:
    """Whose results, turned round, would change the verdict, in half a line."""
    turning = [c for c in why.coupons if c.turned.firm and c.turned.verdict != why.now.verdict]
    if not why.now.firm:
        return "a close call: another fit of the same results may differ"
    if not turning:
        return "no single coupon, ended the other way, would clearly change it"
    first, *others = turning
    more = f" (or {count(len(others), 'other')})" if others else ""
    return f"{first.coupon}{more} ended the other way: {first.turned.verdict}"


def _end_ground(end: WindowEnd) -> str:
    """What one end of the window rests on, in two or three words."""
    if end.reason == "range":
        return "the tested range"
    if end.reason == "rule":
        return "a limit"
    return ", ".join(n.coupon for n in end.beyond.telling[:2]) or UNSEEN


COUPON_HEADS = ("coupon", "result", "without", "bound", "turned", "bound", "called", "draws")


def coupon_rows(why: Why) -> list[tuple[str, ...]]:
    """The coupons that moved the bound most: result, rate and bound without it and turned round, what it was worth."""
    return [
        (
            c.coupon,
            result(c),
            _rate(c.left_out),
            _bound(c.left_out),
            _rate(c.turned),
            _bound(c.turned),
            c.turned.verdict,
            fixed(min(c.left_out.effective, c.turned.effective)),
        )
        for c in why.coupons[:SHOWN]
    ]


def setting_sentences(study: Study, why: Why, shown: Shown = METRIC) -> tuple[str, ...]:
    """Why this setpoint: how it was chosen, and what it trades against the middle of the ranges."""
    chosen = why.alternatives[0]
    said = [
        "Of the settings looked at, those with the highest lower bound are kept; of those as good within half a point, "
        "the highest expected rate and then the least time decide."
    ]
    middle = next(a for a in why.alternatives if a.idea == "middle of the ranges")
    moves = [
        f"{f.label} {difference_both(f, away, shown)} {move(f, 'higher' if away > 0 else 'lower')}"
        for f, away in ((f, float(chosen.settings[f.name]) - float(middle.settings[f.name])) for f in study.numeric)
        if abs(away) > 1e-9
    ]
    if moves:
        said.append(
            f"Against the middle of the tested ranges: {listing(moves)}. The middle: {why_not(study, chosen, middle)}"
        )
    else:
        said.append("It is the middle of the tested ranges.")
    return tuple(said)


OTHER_HEADS = ("setting", "good", "bound", "hand-feel", "seconds")


def other_rows(why: Why) -> list[tuple[str, ...]]:
    """The setpoint and what else a shop might take: prints of 100, expected and lower bound, hand-feel, time."""
    return [
        (
            IDEAS[a.idea] + (f" ({a.coupon})" if a.coupon else ""),
            str(out_of_hundred(a.pass_rate)),
            str(at_least_of_hundred(a.pass_rate_low)),
            "" if a.hand is None else score(a.hand),
            "" if a.seconds is None else fixed(a.seconds),
        )
        for a in why.alternatives
    ]


END_HEADS = ("factor", "end", "what it rests on")


def end_rows(study: Study, why: Why, shown: Shown = METRIC) -> list[tuple[str, ...]]:
    """Each end of the expected window: where, and which coupons it rests on."""
    rows: list[tuple[str, ...]] = []
    for end in why.ends:
        f = study.factor(end.factor)
        text = {"range": "the tested range ends there", "rule": "a limit or a forbidden combination ends it there"}.get(
            end.reason
        ) or _ground(study, end.beyond, end.by, end.side)
        rows.append((f.name, f"{'from' if end.end == 'lower' else 'to'} {amount_both(f, end.at, shown)}", text))
    return rows


CLIFF_HEADS = ("factor", "cliff", "beyond", "failed", "nearest beyond")


def cliff_rows(study: Study, why: Why, shown: Shown = METRIC) -> list[tuple[str, ...]]:
    """Each cliff: where, how many coupons were made beyond, how many of them failed, how the nearest ended."""
    rows: list[tuple[str, ...]] = []
    for cliff in why.cliffs:
        f, b = study.factor(cliff.factor), cliff.beyond
        nearest = f"{b.nearest[0].coupon} ({result(b.nearest[0])})" if b.nearest else ""
        seen = "" if b.telling else _ground(study, b, cliff.by, cliff.side)
        place = f"{move(f, cliff.direction)}, at {amount_both(f, cliff.at, shown)}"
        rows.append((f.name, place, str(b.made), str(b.failed), "; ".join(filter(None, (nearest, seen)))))
    return rows


def _ground(study: Study, b: Beyond, by: EndCause, side: HeatSide) -> str:
    """The coupons that show what happens beyond a place, or that none does."""
    names = [n.coupon for n in b.telling]
    heat = f"by {ENDED[side]} heat"
    many = _few(names) if len(names) > LISTED else listing(names)
    leading = f"{len(names)} coupons, " if len(names) > LISTED else ""
    if by == "hand":
        felt = f"less than {score(study.spec.hand_min or 0.0)}"
        if names:
            return f"{leading}{many} beyond it felt {felt}"
        if b.silent:
            return f"{count(b.silent, 'coupon')} beyond it felt {felt}, {_not_lowering(b)}"
        return f"no coupon beyond it felt {felt}: assumed, not seen"
    if names:
        unnamed = sum(n.side == "unknown" for n in b.telling)
        how = heat if not unnamed else f"{heat} or unsaid" if unnamed < len(names) else "nobody said how"
        return f"{leading}{many} failed beyond it ({how})"
    if b.silent:
        return f"{count(b.silent, 'coupon')} failed beyond it ({heat} or unsaid), {_not_lowering(b)}"
    others = f" ({b.failed} did otherwise)" if b.failed else ""
    return f"no coupon failed beyond it {heat}{others}: assumed, not seen"


def _not_lowering(b: Beyond) -> str:
    who = "does not lower" if b.silent == 1 else "none lowers"
    return f"but {who} the rate there: assumed, not seen"


def hand_sentences(why: Why) -> tuple[str, ...]:
    """What hand-feel at the setpoint rests on; nothing where nobody scored it."""
    if why.hand is None:
        return ()
    hand = why.hand
    people = f"on the scale of {listing(hand.people)}; other people may differ"
    said = [
        f"Hand-feel {score(hand.mean)} ({score(hand.low)} to {score(hand.high)}) rests on "
        f"{count(len(hand.coupons), 'coupon')} with a score, {people}."
    ]
    first = hand.coupons[0]
    if abs(first.mean - hand.mean) < FELT:
        said.append(f"Leaving out any single coupon moves it by less than {FELT}.")
    else:
        rough = "" if first.reliable else "~"
        said.append(
            f"{first.coupon} moves it most: without it, it would be {rough}{fixed(first.mean, 2)} "
            f"({fixed(first.low, 2)} to "
            f"{fixed(first.high, 2)}) instead of {fixed(hand.mean, 2)} ({fixed(hand.low, 2)} to {fixed(hand.high, 2)})."
        )
    return tuple(said)


def reach_sentences(study: Study, why: Why) -> tuple[str, ...]:
    """What the chance that any setting reaches the target rests on, and which single result would move it most."""
    before = why.before
    earlier = "" if before is None else f"; before any coupon it was {percent(before.p_reachable)}"
    best = "" if before is None else f", before any coupon {out_of_hundred(before.best)}"
    limit = reach_threshold(study, sum(not c.earlier for c in why.coupons))
    said = [
        f"The chance that some tested setting reaches {stated(study.spec.pass_rate)} is "
        f"{percent(why.now.p_reachable)}{earlier}. The best rate anywhere is expected to be "
        f"{out_of_hundred(why.now.best)} of 100{best}.",
        f"Not reachable is said below {percent(limit)}, when that best rate also falls short by more "
        f"than {fixed(100 * OUT_OF_REACH_GAP)} points."
        if limit
        else "With so few coupons of a search step by step it is not yet said that no setting does.",
    ]
    out_of_reach = why.now.p_reachable < limit and why.now.best < study.spec.pass_rate - OUT_OF_REACH_GAP
    if out_of_reach and why.now.verdict != "not reachable":
        said.append("It is not said here all the same: the coupons leave open what these numbers do not know of.")
    most = _moves_reach(why)
    if _reach_moved(why, most) < 2 * MOVED:
        said.append("No single result, had it ended the other way, would move that chance by a point.")
    else:
        said.append(
            f"{most.coupon} ({result(most)}) would move that chance most: had it ended the other way, to "
            f"{_rough(most.turned)}{percent(most.turned.p_reachable)}."
        )
    return tuple(said)


def _reach_moved(why: Why, coupon: CouponWeight) -> float:
    """How far a coupon, ended the other way, would move the chance that any setting reaches the target."""
    return abs(coupon.turned.p_reachable - why.now.p_reachable)


def _moves_reach(why: Why) -> CouponWeight:
    return max(why.coupons, key=lambda c: _reach_moved(why, c))


def one_more_sentences(why: Why) -> tuple[str, ...]:
    """What one more coupon would do, at the setpoint and at the most telling of the next ones."""
    here, *others = why.one_more
    said = [f"One more coupon at the setpoint: {_one_more(here)}."]
    if others:
        best = max(others, key=lambda o: o.low_spread)
        least, most = min(o.p_pass for o in others), max(o.p_pass for o in others)
        chance = percent(least) if percent(least) == percent(most) else f"{percent(least)} to {percent(most)}"
        said.append(
            f"The {count(len(others), 'next coupon')} of the table above {'is' if len(others) == 1 else 'are'} chosen "
            f"for what {'it' if len(others) == 1 else 'most of them'} may do to the verdict"
            f"{'' if len(others) == 1 else ', and the rest where the best setting may lie'}; chance to pass: {chance}."
        )
        said.append(f"The most telling of them here is number {best.number}: {_one_more(best)}.")
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
            rough = "" if every.reliable else " (by rough numbers)"
            said.append(f"Counted {times}, this setting would be called{rough}: {verdict}.")
    strongest = single[0]
    if max(abs(strongest.rate), abs(strongest.rate_low)) >= 2 * MOVED:
        said.append(
            f"The strongest pull is that of {ABOUT[strongest.group]}: counted double alone, {_pull(why, strongest)}."
        )
    return tuple(said)


def model_sentences(why: Why) -> tuple[str, ...]:
    """What another kind of surface, averaged in, would state."""
    found = why.averaged
    if found is None:
        return ()
    return (
        "Another kind of surface, walls of heat at each machine instead of one smooth hill, would expect "
        f"{out_of_hundred(found.other_rate)} of 100 prints to be good here (at least "
        f"{at_least_of_hundred(found.other_low)}). Averaged in by how well each predicts coupons left out (its weight: "
        f"{percent(found.weight)}): {out_of_hundred(found.rate)} (at least {at_least_of_hundred(found.rate_low)}) "
        f"instead of {out_of_hundred(why.now.rate)} (at least {_bound(why.now)}).",
        "On invented lines such averages stated too little and were further from the truth, so the answer does not use "
        "them.",
    )


def _pull(why: Why, pull: PriorPull) -> str:
    rough = "" if pull.reliable else "~"
    rate, low = _pulled(why, pull)
    if max(abs(pull.rate), abs(pull.rate_low)) < 2 * MOVED:
        return "neither the expected rate nor its bound would move by a point"
    return (
        f"about {rough}{out_of_hundred(rate)} of 100 prints (at least {rough}{at_least_of_hundred(low)}) would be "
        f"expected to be good instead of {out_of_hundred(why.now.rate)} (at least {_bound(why.now)})"
    )


def _pulled(why: Why, pull: PriorPull) -> tuple[float, float]:
    """Rate and bound with a group of priors counted double."""
    return min(max(why.now.rate + pull.rate, 0.0), 1.0), min(max(why.now.rate_low + pull.rate_low, 0.0), 1.0)


@dataclass(frozen=True)
class WhyPart:
    """Reasons for one number: sentences, and a table where ``heads`` is not empty.

    ``texts`` are the heads of its columns that hold words, the others hold numbers; ``note`` is what must be known to
    read it.
    """

    title: str
    lines: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    texts: tuple[str, ...] = ()
    note: str = ""


def why_parts(study: Study, why: Why, shown: Shown = METRIC) -> tuple[WhyPart, ...]:
    """Every part that has something to say."""
    parts = (
        WhyPart(
            "Why this setting",
            setting_sentences(study, why, shown),
            OTHER_HEADS,
            tuple(other_rows(why)),
            ("setting",),
        ),
        WhyPart(
            "What these numbers rest on",
            (*rests_on(study, why), DOUBT),
        ),
        WhyPart(
            "Which coupons carry them",
            coupon_sentences(why),
            COUPON_HEADS,
            tuple(coupon_rows(why)),
            ("coupon", "result", "called"),
            "Good prints of 100 at this setting, expected and lower bound; without: had the coupon not been made; "
            f"turned: had it ended the other way. draws: how many of the {why.draws} draws of the fit the numbers are "
            "worth. For these nothing is fitted again; a refit may prefer another setting.",
        ),
        WhyPart("Whether any setting reaches the target", reach_sentences(study, why)),
        WhyPart(
            "The ends of the expected window",
            (),
            END_HEADS,
            tuple(end_rows(study, why, shown)),
            END_HEADS,
        ),
        WhyPart(
            "The cliffs",
            (),
            CLIFF_HEADS,
            tuple(cliff_rows(study, why, shown)),
            ("factor", "cliff", "nearest beyond"),
        ),
        WhyPart("Hand-feel", hand_sentences(why)),
        WhyPart("What would change them", one_more_sentences(why)),
        WhyPart("What the assumptions do", (*prior_sentences(why), *model_sentences(why))),
    )
    return tuple(part for part in parts if part.lines or part.rows)


def rough_note(parts: tuple[WhyPart, ...]) -> tuple[str, ...]:
    """What the mark of a rough number means, where one stands."""
    said = [text for part in parts for text in (*part.lines, *(cell for row in part.rows for cell in row))]
    return ("~ marks numbers that rest on few draws: take them as rough.",) if any("~" in text for text in said) else ()
