"""An exercise in sentences: its task, what is asked, hints, what an answer brought, and what was really so."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import singledispatch
from typing import Any

from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show
from doe.practice import drill_blank, drill_compare, drill_fault, drill_tune
from doe.practice.drill import HINT_COST, Code, Drill, DrillResult, MapPicture, Question, Turn, practice_study
from doe.practice.drill_blank import QualifyBlank
from doe.practice.drill_compare import Compare
from doe.practice.drill_fault import FindFault
from doe.practice.drill_report import ReadReport
from doe.practice.drill_tune import TunePowder
from doe.symptoms.faults import fault
from doe.symptoms.looks import look
from doe.symptoms.reading import symptom
from doe.words.diagnosis import outcome_words
from doe.words.wording import SIDE_WORDS, at_least_of_hundred, count, out_of_hundred, percent, stated

Values = Mapping[str, Any]
Say = Callable[[Values, Shown], str]

_EACH_HINT = f"each hint costs {HINT_COST} points."
_STEPS = {
    "release": "release it as it is",
    "confirm": "spend confirmation coupons on it",
    "more": "make more coupons first",
    "change": "change range, stack or target first",
}


TITLES = {
    "tune": "Tune a new powder",
    "fault": "Find the fault",
    "blank": "Qualify a blank",
    "report": "Read a report",
    "compare": "One setting at a time, or a plan?",
}
ABOUT = {
    "tune": f"tune a new powder with {drill_tune.COUPONS} coupons and {drill_tune.MINUTES / 60:g} hours",
    "fault": "find the fault behind symptoms with few minutes of checks",
    "blank": "does a recipe hold on a blank of another supplier?",
    "report": "read a report: is this window safe?",
    "compare": "one setting at a time against a plan, on the same line",
}
"""What each exercise is called and what one does in it, by its name, in the order in which they are best done."""


def of_hundred(share: float) -> str:
    """Share of prints; all or none of them only when it is as good as certain.

    >>> of_hundred(0.957), of_hundred(0.998)
    ('96 of 100', '99 of 100')
    """
    return f"{out_of_hundred(share)} of 100"


def least_of_hundred(share: float) -> str:
    """Lower bound of a share of prints, rounded down.

    >>> least_of_hundred(0.917)
    '91 of 100'
    """
    return f"{at_least_of_hundred(share)} of 100"


# the task


@singledispatch
def brief(drill: Drill) -> tuple[str, ...]:
    """The task, what may be spent, and the rule of the score."""
    raise TypeError(f"no words for the exercise {drill.exercise!r}")


@brief.register
def _brief_tune(drill: TunePowder) -> tuple[str, ...]:
    return (
        f"Tune {drill.study.name}.",
        f"You have {drill_tune.COUPONS} coupons and {drill_tune.MINUTES / 60:g} hours at the machines. Making a coupon "
        "takes its cure and press time and some handling; every change of a temperature waits until the machine has "
        "settled.",
        "Ranges, in the order in which you type them:",
        *_ranges(drill.study, drill.shown),
        "Wanted: settings at which 95 of 100 prints pass every check and are soft enough (3.5), although oven and "
        "press wander.",
        "Score: 100 when prints pass as often at your settings as at the best there are, 0 at 50 of 100 or fewer; "
        f"{_EACH_HINT}",
    )


@brief.register
def _brief_fault(drill: FindFault) -> tuple[str, ...]:
    seen = (symptom(key) for key in drill.symptoms)
    return (
        "A recipe that worked until last week now fails. The people at the press report:",
        *(f"  {s.label}: {s.seen}" for s in seen),
        f"Find the cause. You have {drill_fault.MINUTES:g} minutes of checks and {drill_fault.TRIES} tries.",
        f"Score: 100, less one point for each minute of checks, less {drill_fault.WRONG_COST} for each wrong cause, "
        f"less {HINT_COST} for each hint; nothing when you do not find it.",
    )


@brief.register
def _brief_blank(drill: QualifyBlank) -> tuple[str, ...]:
    def row(name: str, label: str, unit: str) -> str:
        low, high = (show(end, unit, drill.shown, digits=3) for end in drill.window[name])
        return f"  {label}: {show(drill.recipe[name], unit, drill.shown)}, window {low} to {high}"

    return (
        f"The released recipe for {drill.study.name}:",
        *(row(f.name, f.label, f.unit) for f in drill.study.numeric),
        "A blank of another supplier has come. Does the recipe hold on it, so that 95 of 100 prints pass?",
        f"You have {drill_blank.COUPONS} coupons for the setpoint, the cool corner of the window and the hot one.",
        "Score: 100 for the right verdict (holds, retune), less 2 for each coupon; with fewer than "
        f"{drill_blank.ENOUGH} coupons a right verdict is luck and counts half; not enough counts 20; {_EACH_HINT}",
    )


@brief.register
def _brief_report(drill: ReadReport) -> tuple[str, ...]:
    found, shown = drill.answer_given, drill.shown
    window = {} if found.window is None else found.window.bounds.astype(float).T.to_dict()
    rows = []
    for f in drill.study.numeric:
        span = "no window"
        if f.name in window:
            ends = (show(float(window[f.name][end]), f.unit, shown) for end in ("low", "high"))
            span = "expected window " + " to ".join(ends)
        rows.append(f"  {f.label}: {show(float(found.setpoint[f.name]), f.unit, shown)}, {span}")
    cliff = "none inside the ranges"
    if found.cliffs:
        near = found.cliffs[0]
        cliff = f"{drill.study.factor(near.factor).label} {near.direction}, {near.setting_errors:.1f} setting errors"
    inner = "none" if found.assured_window is None else "there is one"
    passed = int(drill.results["passed"].sum())
    return (
        f"A report on {drill.study.name}: {count(drill.coupons, 'coupon')}, {passed} passed. Target: 95 of 100.",
        *rows,
        f"  Expected at the setpoint: {of_hundred(found.pass_rate)}; at least, with 90 % assurance: "
        f"{least_of_hundred(found.pass_rate_low)}.",
        f"  Chance that the target holds at the setpoint: {percent(found.p_target)}. Assured window: {inner}.",
        f"  Chance that any tested setting reaches the target: {percent(found.p_reachable)}.",
        f"  Nearest cliff: {cliff}.",
        "Is this window safe? Three questions. Score: 50 for the right next step, 20 for what may be promised, up to "
        f"30 for how well the setpoint really does (2 points less for each print of 100 beside the truth); "
        f"{_EACH_HINT}",
    )


@brief.register
def _brief_compare(drill: Compare) -> tuple[str, ...]:
    each = drill_compare.PER_SWEEP
    return (
        f"Tune {drill.study.name} the old way: one setting at a time, from the middle of the ranges.",
        f"For each dial choose {each} values; the others stay. Look at the coupons, keep one value, go on. Afterwards "
        f"a factorial plan gets the same line and the same {each * len(drill.study.numeric)} coupons.",
        *_ranges(drill.study, drill.shown),
        "Score: up to 70 when prints pass as often at your settings as at the best there are (0 at 50 of 100 or "
        f"fewer), and 30 for saying beforehand which of the two comes out better; {_EACH_HINT}",
    )


def _ranges(study: Study, shown: Shown) -> tuple[str, ...]:
    """Ranges of the factors, one a line, in the order in which settings are typed."""
    return tuple(f"  {f.label}: {show(f.low, f.unit, shown)} to {show(f.high, f.unit, shown)}" for f in study.numeric)


# what is asked


def asked(question: Question, shown: Shown = METRIC) -> tuple[str, str]:
    """The question, and how to answer it (empty where it says so itself)."""
    values = question.asks.values
    return _ASKED[question.asks.code](values, shown)  # type: ignore[index]  # the code is one of a question


def _settings_left(v: Values, shown: Shown) -> tuple[str, str]:
    units = [f.unit for f in _usual_factors()]
    middle = " ".join(f"{shown.value(value, unit):.0f}" for value, unit in zip(v["middle"], units, strict=True))
    return (
        f"{count(v['coupons'], 'coupon')} and {count(round(v['minutes']), 'minute')} left.",
        f"Settings such as {middle}, with x2 behind for two coupons; = before them hands them in",
    )


def _checks_left(v: Values, shown: Shown) -> tuple[str, str]:
    listed = ", ".join(f"{key} ({look(key).minutes:g})" for key in v["checks"])
    return (
        f"{_minutes(v['minutes'])} and {count(v['tries'], 'try', 'tries')} left. Checks with their minutes: {listed}.",
        "A check to make it (? before it says what it is); = and a cause to name it; = alone lists the causes",
    )


def _coupons_left(v: Values, shown: Shown) -> tuple[str, str]:
    return (
        f"{count(v['coupons'], 'coupon')} left.",
        "setpoint 4, cool 2 or hot 2 to make coupons; = holds, = retune or = not enough to judge",
    )


def _ask_step(v: Values, shown: Shown) -> tuple[str, str]:
    return "What do you do with this setpoint?", "; ".join(f"{key}: {words}" for key, words in _STEPS.items())


def _ask_promise(v: Values, shown: Shown) -> tuple[str, str]:
    return (
        "The customer asks how many of 100 will pass. What may you promise today?",
        "expected, bound (the lower bound) or nothing",
    )


def _ask_rate(v: Values, shown: Shown) -> tuple[str, str]:
    return "How many of 100 production prints do you think really pass at this setpoint?", "0 to 100"


def _ask_kept(v: Values, shown: Shown) -> tuple[str, str]:
    f = KNOWN_FACTORS[v["factor"]]
    return f"Which {f.label} do you keep?", f"One value in {shown.unit(f.unit)}"


def _ask_values(v: Values, shown: Shown) -> tuple[str, str]:
    f = next(f for f in _usual_factors() if f.name == v["factor"])
    return (
        f"{f.label}: which {v['count']} values?",
        f"{v['count']} numbers from {show(f.low, f.unit, shown)} to {show(f.high, f.unit, shown)}",
    )


def _ask_better(v: Values, shown: Shown) -> tuple[str, str]:
    return "Which settings will hold better in production?", "mine or the plan's"


_ASKED: dict[Code, Callable[[Values, Shown], tuple[str, str]]] = {
    "settings left": _settings_left,
    "checks left": _checks_left,
    "coupons left": _coupons_left,
    "ask step": _ask_step,
    "ask promise": _ask_promise,
    "ask rate": _ask_rate,
    "ask kept": _ask_kept,
    "ask values": _ask_values,
    "ask better": _ask_better,
}


# what is told


def said(turn: Turn, shown: Shown = METRIC) -> tuple[str, ...]:
    """What an answer or a hint brought, a line each; coupons left out."""
    return tuple(say(fact, shown) for fact in turn.said)


def truth(outcome: DrillResult, shown: Shown = METRIC) -> tuple[str, ...]:
    """What was really so."""
    return tuple(say(fact, shown) for fact in outcome.truth)


def parts(outcome: DrillResult, shown: Shown = METRIC) -> tuple[tuple[str, float], ...]:
    """What the score is made of, with its points."""
    return tuple((say(fact, shown), points) for fact, points in outcome.parts)


def score(outcome: DrillResult) -> str:
    """The score in words."""
    return f"{outcome.score} of 100 points"


def table(outcome: DrillResult, shown: Shown = METRIC) -> tuple[tuple[str, ...], ...]:
    """Settings side by side: a heading row, then one row a factor; empty where nothing is compared."""
    if not outcome.compared or not isinstance(outcome.picture, MapPicture):
        return ()
    rows = [("factor", *outcome.compared)]
    for f in outcome.picture.line.study.numeric:
        rows.append((f.label, *(show(s[f.name], f.unit, shown, digits=3) for s in outcome.compared.values())))
    return tuple(rows)


def say(fact: Finding, shown: Shown = METRIC) -> str:
    """One fact of an exercise.

    >>> say(Finding("hints", {"count": 2})), say(Finding("wrong causes", {"count": 1}))
    ('2 hints', '1 wrong')
    """
    return _SAID[fact.code](fact.values, shown)  # type: ignore[index]  # the code is one that is told


def _always(text: str) -> Say:
    return lambda values, shown: text


def _usual_factors() -> tuple[Factor, ...]:
    return practice_study(0).numeric


def _minutes(value: float) -> str:
    return f"{value:g} {'minute' if value == 1 else 'minutes'}"


def _fails_where(v: Values, shown: Shown) -> str:
    where = "your last settings" if v["last"] else "the middle of the ranges"
    if not v["side"]:
        return f"At {where} hardly any print fails for heat."
    return f"At {where} more prints fail by {SIDE_WORDS[v['side']]} than the other way."


def _tool_tuned(v: Values, shown: Shown) -> str:
    return (
        f"The tool, on {v['coupons']} planned coupons and {v['hours']:.1f} hours, chose settings with "
        f"{of_hundred(v['rate'])} and said: {v['verdict']}."
    )


def _it_was(v: Values, shown: Shown) -> str:
    cause = fault(v["cause"])
    return f"It was: {cause.label}. {cause.remedy}"


def _ranked(v: Values, shown: Shown) -> str:
    return f"Before any check the tool ranked it {v['before']} of {v['causes']}; with your checks, {v['after']}."


def _tally(v: Values, shown: Shown) -> str:
    return (
        f"{v['passed']} of {v['coupons']} passed. With {stated(0.9)} assurance the pass rate behind that is at least "
        f"{least_of_hundred(v['low'])}, if all were made alike."
    )


def _rates_blank(v: Values, shown: Shown) -> str:
    return (
        f"On the new blank {of_hundred(v['new'])} production prints pass at the recipe; on the old one "
        f"{of_hundred(v['old'])}. The right verdict: {v['right']}."
    )


def _bond_reached(v: Values, shown: Shown) -> str:
    return (
        f"Under the platen the bond line of the new blank reaches {show(v['bond_degc'], 'degC', shown)} after "
        f"{v['new_s']:.1f} s, that of the old one after {v['old_s']:.1f} s."
    )


def _bound_held(v: Values, shown: Shown) -> str:
    how = "held." if v["held"] else "did not hold: with 90 % assurance that happens about once in ten reports."
    return f"The verdict was: {v['verdict']}. The lower bound {how}"


def _corners_hold(v: Values, shown: Shown) -> str:
    return (
        f"Of the {count(v['corners'], 'corner')} of the expected window {v['hold']} really hold 95 of 100; the worst "
        f"has {of_hundred(v['worst'])}."
    )


def _rates_compared(v: Values, shown: Shown) -> str:
    return (
        f"At your settings {of_hundred(v['yours'])} production prints pass, at the plan's {of_hundred(v['plan'])}, at "
        f"the best there are {of_hundred(v['best'])}. Both used {count(v['coupons'], 'coupon')}."
    )


def _plan_verdict(v: Values, shown: Shown) -> str:
    return (
        f"The plan's own verdict: {v['verdict']}, expecting {of_hundred(v['rate'])}, at least "
        f"{least_of_hundred(v['low'])} with 90 % assurance. A sweep says nothing of the kind."
    )


def _sweeps_see(v: Values, shown: Shown) -> str:
    lucky = " This time the sweeps were lucky; over many lines they are not." if v["lucky"] else ""
    return (
        "One setting at a time sees a line through the window; a plan sees the window, because every coupon moves all "
        f"dials.{lucky}"
    )


_SAID: dict[Code, Say] = {
    "hints": lambda v, shown: count(v["count"], "hint"),
    "over": lambda v, shown: f"Over. {v['score']} of 100 points.",
    "kept": _always("Kept."),
    "noted": _always("Noted."),
    "as good": lambda v, shown: f"as good as the best there are: {v['most']}",
    "minutes taken": lambda v, shown: f"{count(round(v['minutes']), 'minute')}.",
    "move several": _always(
        "Move several dials at once, to the corners of the ranges, and repeat the middle: every coupon then tells "
        "about all four."
    ),
    "fails where": _fails_where,
    "best half": lambda v, shown: (
        f"The best {KNOWN_FACTORS[v['factor']].label} lies in the {v['half']} half of its range."
    ),
    "rates tuned": lambda v, shown: (
        f"At your settings {of_hundred(v['yours'])} production prints pass; at the best there are "
        f"{of_hundred(v['best'])}."
    ),
    "tool tuned": _tool_tuned,
    "you used": lambda v, shown: f"You used {count(v['coupons'], 'coupon')} and {v['hours']:.1f} hours.",
    "causes": lambda v, shown: f"Causes: {', '.join(v['causes'])}.",
    "check": lambda v, shown: look(v["check"]).words,
    "outcome": lambda v, shown: f"  {v['outcome']}: {outcome_words(look(v['check']), v['outcome'])}",
    "check found": lambda v, shown: f"Found: {outcome_words(look(v['check']), v['outcome'])}.",
    "not it": lambda v, shown: f"{fault(v['cause']).label}: no, mending that changed nothing.",
    "no check": _always("No check left tells much: name the likeliest cause."),
    "best check": lambda v, shown: f"The check that tells most per minute now: {v['check']}.",
    "which side": lambda v, shown: f"Which way it is: {SIDE_WORDS[v['side']]}.",
    "one of": lambda v, shown: f"It is one of: {', '.join(v['causes'])}.",
    "cause found": _always("found"),
    "cause missed": _always("not found"),
    "check minutes": lambda v, shown: f"{_minutes(v['minutes'])} of checks",
    "wrong causes": lambda v, shown: f"{v['count']} wrong",
    "it was": _it_was,
    "ranked": _ranked,
    "tool checks": lambda v, shown: (
        f"The tool's own checks would have been: {', '.join(v['checks']) or 'none'} ({_minutes(v['minutes'])})."
    ),
    "made at": lambda v, shown: f"At the {v['place']}{'' if v['place'] == 'setpoint' else ' corner'}:",
    "corners first": _always(
        "A blank that takes more or less heat shows it first at a corner of the window, with few coupons."
    ),
    "tally": _tally,
    "nothing made": _always("Nothing is known yet: not one coupon is made."),
    "same side": _always("Two failures on the same side say more than their number: look which corner they come from."),
    "right verdict": _always("right verdict"),
    "coupons made": lambda v, shown: count(v["coupons"], "coupon"),
    "luck": lambda v, shown: f"fewer than {v['enough']} coupons: half is luck",
    "not enough": _always("not enough coupons yet"),
    "wrong verdict": _always("wrong verdict"),
    "rates blank": _rates_blank,
    "bond reached": _bond_reached,
    "bears less": _always("It bears less heat: it shows damage at a smaller dose than the old one."),
    "rates places": lambda v, shown: (
        f"Of prints made exactly there: {', '.join(f'{place} {of_hundred(p)}' for place, p in v.items())}."
    ),
    "middle only": _always(
        "The expected rate is the middle of what is possible: half the time the truth lies below it."
    ),
    "not released": _always("Ready never means released: nobody has made a coupon at the setpoint yet."),
    "next step": lambda v, shown: f"next step: {v['step']} ({_STEPS[v['step']]})",
    "promise": lambda v, shown: f"promise: {v['promise']}",
    "rate beside": lambda v, shown: f"how well it does, {v['points']:.0f} beside",
    "rates report": lambda v, shown: (
        f"Really {of_hundred(v['true'])} production prints pass at this setpoint; at the best there are "
        f"{of_hundred(v['best'])}."
    ),
    "bound held": _bound_held,
    "corners hold": _corners_hold,
    "no window": _always("There was no window to trust."),
    "swept": lambda v, shown: f"{KNOWN_FACTORS[v['factor']].label}, the others at their place:",
    "spread values": _always(
        "Spread the values over the whole range; keep the middle of the good ones, not the softest single coupon."
    ),
    "dials together": _always("Oven and press work together: what is too long at a hot platen is right at a cool one."),
    "rates compared": _rates_compared,
    "plan verdict": _plan_verdict,
    "sweeps see": _sweeps_see,
    "which better": lambda v, shown: f"which of the two holds better: {v['most']}",
}
