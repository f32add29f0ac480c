"""An answer in sentences: verdict, how sure, cliffs, window, next steps. Numbers come from the answer only."""

from __future__ import annotations

import math
from collections.abc import Mapping

from doe.domain.finding import Finding, Value
from doe.domain.standing import State, StudyStanding, standing, state_of_answer
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, fixed
from doe.setpoint.answer import LINKED_FROM, Answer, Cliff, Window
from doe.words.facts import texts_of
from doe.words.study.setpoint import said
from doe.words.study.standing import meaning
from doe.words.wording import (
    amount,
    amount_both,
    beyond,
    count,
    difference_both,
    errors_away,
    listing,
    move,
    percent,
    prints,
    prints_at_least,
    prints_stated,
    score,
    sentence,
    stated,
)

SETPOINT_TITLES = texts_of("catalogues", "setpoints")


def counts_hand(study: Study, answer: Answer) -> bool:
    """Whether hand-feel is part of the pass rate: wanted by the spec, and scored."""
    return study.spec.hand_min is not None and answer.hand is not None


def scores_first(answer: Answer) -> bool:
    """Whether hand-feel, wanted and never scored, is all that keeps it from being ready: no coupon is asked for."""
    return by_answer(answer).state == "feeling"


def by_answer(answer: Answer) -> StudyStanding:
    """Where an answer alone leaves its study, whatever else the book knows."""
    limits = _limits(answer)
    open_now = limits.get("open checks", {})
    state = _state(answer, washes=len(open_now))
    return standing(state, told={"washing": open_now, "distrusted": limits.get("contradicted", {})}.get(state, {}))


def look_again(answer: Answer) -> tuple[str, ...]:
    """The coupons to look at again where the results contradict the map, so that it was not trusted."""
    names = _limits(answer).get("contradicted", {}).get("names", ())
    return tuple(map(str, names)) if isinstance(names, list | tuple) else ()


def washes_first(answer: Answer) -> bool:
    """Whether checks to come were all that kept it from being ready when it was given."""
    waited = _limits(answer).keys() & {"open checks", "unwashed", "unfinished"}
    return _state(answer, washes=len(waited)) == "washing"


def _limits(answer: Answer) -> dict[str, Mapping[str, Value]]:
    return {found.code: found.values for found in answer.limits_on_certainty if isinstance(found, Finding)}


def _state(answer: Answer, *, washes: int) -> State:
    asked, felt = len(answer.next_coupons), answer.hand is not None
    return state_of_answer(answer.verdict, washes=washes, felt=felt, asked=asked, limits=_limits(answer))


def before_wash(answer: Answer) -> bool:
    """Whether coupons that pass so far still wait for a check."""
    return any(isinstance(found, Finding) and found.code == "open checks" for found in answer.limits_on_certainty)


def _to_come(answer: Answer) -> str:
    """That a rate counts in what checks to come may show, where there are any."""
    return ", counting in what the checks to come may show" if before_wash(answer) else ""


def setpoint_title(answer: Answer) -> str:
    """What the settings of an answer are called."""
    said = "ready" if washes_first(answer) else answer.verdict
    return SETPOINT_TITLES[said] + (", before the wash" if before_wash(answer) else "")


def misses_hand(study: Study, answer: Answer) -> bool:
    """Whether hand-feel is wanted by the spec and was never scored."""
    return study.spec.hand_min is not None and answer.hand is None


def wanted(study: Study, answer: Answer) -> str:
    """What every print must do, as the end of a sentence."""
    if study.spec.hand_min is not None and counts_hand(study, answer):
        return f"meet every check with a mean hand-feel of {score(study.spec.hand_min)} or more"
    return "meet every check"


def lead(study: Study, answer: Answer, known: StudyStanding | None = None) -> str:
    """The answer in two sentences: what is expected, and what that means as the study stands."""
    known = by_answer(answer) if known is None else known
    target = prints_stated(study.spec.pass_rate)
    expected = f"{prints(answer.pass_rate)} to {wanted(study, answer)}"
    if answer.verdict == "not reachable":
        first = (
            f"Even at the best setting we expect only {expected}; wanted are {target}. "
            f"The chance that any setting in the tested region reaches it is {percent(answer.p_reachable)}."
        )
    else:
        settled = answer.verdict == "ready" or known.state == "washing"
        at = "this setpoint" if settled else "the best setting so far"
        first = f"At {at} we expect {expected}{_to_come(answer)}; wanted are {target}."
    return f"{first} {meaning(known)}"


def sureness(study: Study, answer: Answer) -> tuple[str, ...]:
    """How sure, in sentences: expected, lower bound, and the chance that the target holds."""
    assurance = stated(study.spec.assurance)
    said = [
        f"Expected, with the machines wandering as stated: {prints(answer.pass_rate)}{_to_come(answer)}.",
        f"At least, with {assurance} assurance: {prints_at_least(answer.pass_rate_low)}.",
        f"The chance that the true pass rate here is {stated(study.spec.pass_rate)} or better: "
        f"{percent(answer.p_target)}.",
    ]
    if answer.hand is not None and answer.hand_low is not None and answer.hand_high is not None:
        said.append(
            f"Mean hand-feel {score(answer.hand)} on the 1 to 5 scale, between {score(answer.hand_low)} and "
            f"{score(answer.hand_high)} (each end with {assurance} assurance)"
            + ("." if study.spec.hand_min is None else f"; wanted {score(study.spec.hand_min)}.")
        )
    elif misses_hand(study, answer):
        said.append("Hand-feel was not scored: the pass rate counts the checks only.")
    return tuple(said)


def sure_in_short(study: Study, answer: Answer) -> str:
    """The same on two lines."""
    assurance = stated(study.spec.assurance)
    told = (
        f"At least {prints_at_least(answer.pass_rate_low)} with {assurance} assurance{_to_come(answer)}; "
        f"{stated(study.spec.pass_rate)} or better with a chance of {percent(answer.p_target)}."
    )
    if answer.hand is not None and answer.hand_low is not None:
        return f"{told} Mean hand-feel {score(answer.hand)}, at least {score(answer.hand_low)}."
    return f"{told} Hand-feel was not scored." if misses_hand(study, answer) else told


def cliff_sentence(study: Study, cliff: Cliff, shown: Shown = METRIC) -> str:
    r"""One cliff: how far, which way, what is seen there.

    >>> from doe.domain.factors import usual_factor
    >>> study = Study("s", (usual_factor("press_temp"), usual_factor("dwell")))
    >>> print(cliff_sentence(study, Cliff("press_temp", "lower", 147, 7, 1.4, "under")).replace(". ", ".\n"))
    Press temperature 7 °C (13 °F) cooler, and prints start to peel, shed or wash off (too little heat).
    That is 1.4 setting errors away.
    """
    f = study.factor(cliff.factor)
    return (
        f"{sentence(f.label).rstrip('.')} {difference_both(f, cliff.distance, shown)} {move(f, cliff.direction)}, "
        f"and {beyond(cliff.side)}. {sentence(_distance(cliff))}"
    )


def _distance(cliff: Cliff) -> str:
    return f"that is {errors_away(cliff.setting_errors)}"


def nearest_cliff(study: Study, answer: Answer, shown: Shown = METRIC) -> str:
    """The cliff to watch, or that none was found inside the tested ranges."""
    if not answer.cliffs:
        return (
            "No cliff inside the tested ranges: no single setting, moved alone to the end of its range, costs 10 "
            "points of pass rate. Beyond the ranges nothing is known."
        )
    return cliff_sentence(study, answer.cliffs[0], shown)


_NOT_VARIED = "the coupons did not vary every setting, so nothing shows how far one would reach."


def no_room(study: Study, answer: Answer, shown: Shown = METRIC) -> str:
    """Why there is no window though the target is expected to hold at the setpoint."""
    if not answer.room:
        return _NOT_VARIED
    held = [
        f"{f.label} at {amount(f, answer.setpoint[f.name], shown)}"
        for f, room in zip(study.numeric, answer.room, strict=True)
        if min(float(answer.setpoint[f.name]) - room.low, room.high - float(answer.setpoint[f.name])) < (f.step or 1e-9)
    ]
    if held:
        further = " or a combination is forbidden" if study.forbidden else ""
        return f"no room: hold {listing(held)}. One machine step further the target is not expected to hold{further}."
    return "no room for several settings at once: move one at a time, and no further than its room."


def _no_assured(study: Study, answer: Answer, shown: Shown) -> str:
    """Why there is no assured window though the lower bound holds the target at the setpoint."""
    limits = _limits(answer)
    if misses_hand(study, answer):
        return "hand-feel is wanted and was never scored."
    if not answer.room:
        return _NOT_VARIED
    if "contradicted" in limits:
        return "the results contradict the map it would be drawn on."
    if limits.keys() & {"unwashed", "unfinished"}:
        return "checks are still to come."
    if study.endured and "untried" in limits:
        return "no coupon was made on every level that it has to hold on."
    if answer.window is None:
        return no_room(study, answer, shown)
    return "one machine step to a side the lower bound does not hold any more."


def window_sentences(study: Study, answer: Answer, shown: Shown = METRIC) -> tuple[str, ...]:
    """The two windows, kept apart."""
    target = stated(study.spec.pass_rate)
    assurance = stated(study.spec.assurance)
    rate = "pass rate of the checks alone" if misses_hand(study, answer) else "pass rate"
    if answer.window is None and answer.pass_rate >= study.spec.pass_rate:
        expected = f"No expected window: {no_room(study, answer, shown)}"
    elif answer.window is None:
        expected = f"No expected window: the expected pass rate does not hold {target} in any box around the setpoint."
    else:
        expected = (
            f"Expected window: everywhere in this box the expected {rate} is {target} or better "
            f"(lowest found {percent(answer.window.pass_rate, 1)}). {_reach(study, answer, answer.window)}"
        )
    if answer.assured_window is None and answer.pass_rate_low >= study.spec.pass_rate:
        inner = f"No assured window: {_no_assured(study, answer, shown)}"
    elif answer.assured_window is None:
        inner = (
            f"No assured window: with the coupons made so far there is no box in which the lower bound ({assurance} "
            f"assurance) holds {target}. That is usual for so few coupons."
            + (" The expected window is what we expect, not a promise." if answer.window else "")
        )
    else:
        inner = (
            f"Assured window: everywhere in this inner box even the lower bound ({assurance} assurance) holds {target} "
            f"(lowest found {percent(answer.assured_window.pass_rate, 1)})."
        )
    return expected, inner


def _reach(study: Study, answer: Answer, window: Window) -> str:
    """How far the box reaches on its narrowest side; a side that the tested range cuts off is not a narrow window."""
    sides, cut = [], []
    for f in study.numeric:
        if not f.setting_sd:
            continue
        here = float(answer.setpoint[f.name])
        low, high = (float(window.bounds[end][f.name]) for end in ("low", "high"))
        for room, left in ((here - low, low - f.low), (high - here, f.high - high)):
            reach = room / f.setting_sd
            if left < (f.step or 1e-9):
                cut.append((reach, f.label))
            else:
                sides.append(reach)
    if not sides and not cut:
        return "No setting error was stated to measure it by."
    least = min(sides, default=math.inf)
    ends = listing(list(dict.fromkeys(label for reach, label in cut if reach < max(0.5, min(least, 4.0)))))
    beyond_ends = (
        f" The tested range of {ends} ends sooner on one side or both; beyond it nothing is known." if ends else ""
    )
    if not sides:
        return "It ends only where the tested ranges end; beyond them nothing is known."
    if least < 0.5:
        # the wander of the machine is in the pass rate already, so this is about where the dial may stand
        return f"On its narrowest side it ends within half a setting error: little room to move the dial.{beyond_ends}"
    every = "every other side" if ends else "every side"
    return f"It reaches {fixed(least, 1)} setting errors or more to {every}.{beyond_ends}"


def next_steps(
    study: Study, answer: Answer, shown: Shown = METRIC, known: StudyStanding | None = None
) -> tuple[str, ...]:
    """What to do now, in order."""
    known = by_answer(answer) if known is None else known
    further = texts_of("standing", "steps").get(known.said.code, "").splitlines()
    if known.state == "unreachable":
        return (*said(study, answer.changes, shown), *further)
    if known.state == "more" and len(answer.next_coupons):
        made = len(answer.next_coupons)
        centre = ", and repeats the centre first and last" if made >= LINKED_FROM else ""
        return (
            f"Make a further round of {count(made, 'coupon')} with doe extend: it chooses settings as those in the "
            f"table below were chosen{centre}.",
            *further,
        )
    return tuple(further) or (meaning(known),)


def setpoint_line(study: Study, answer: Answer, shown: Shown = METRIC) -> str:
    """The setpoint on one line, for text alternatives."""
    return listing([f"{f.label} {amount_both(f, answer.setpoint[f.name], shown)}" for f in study.factors])
