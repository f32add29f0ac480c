"""An exercise in sentences: its task, what is asked, hints, what an answer brought, and what was really so."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import singledispatch

from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.finding import Finding
from doe.domain.jsonable import packaged_table
from doe.domain.outcome import Side
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, rounded, show
from doe.practice import drill_blank, drill_chart, drill_compare, drill_fault, drill_tune
from doe.practice.drill import HINT_COST, Drill, DrillResult, MapPicture, Question, Turn, practice_study
from doe.practice.drill_blank import QualifyBlank
from doe.practice.drill_chart import ReadCharts
from doe.practice.drill_compare import Compare
from doe.practice.drill_fault import FindFault
from doe.practice.drill_lot import TakeInLot
from doe.practice.drill_report import ReadReport
from doe.practice.drill_tune import TunePowder
from doe.symptoms.catalogue import LOOKS, fault, look, symptom
from doe.words.diagnosis import outcome_words
from doe.words.facts import Reader, Text, filled, worded
from doe.words.wording import SIDE_WORDS, at_least_of_hundred, count, listing, out_of_hundred, percent

_EACH_HINT = f"each hint costs {HINT_COST} points."
_WORDS = packaged_table("said_at_practice")
_STEPS: Mapping[str, str] = _WORDS["steps"]
TITLES: Mapping[str, str] = _WORDS["titles"]
ABOUT = {
    name: text.format(coupons=drill_tune.COUPONS, hours=drill_tune.MINUTES / 60)
    for name, text in _WORDS["about"].items()
}
"""What each exercise is called and what one does in it, by its name, in the order in which they are best done."""


def of_hundred(share: float) -> str:
    """Share of prints; all or none of them only when it is as good as certain.

    >>> of_hundred(0.957), of_hundred(0.998)
    ('96 of 100', '99 of 100')
    """
    return f"{out_of_hundred(share)} of 100"


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
        "Score: 100, less one point for each minute: of checks, and of mending what was not it, with a coupon that "
        f"still fails ({_mending()}); less {HINT_COST} for each hint; nothing when you do not find it.",
    )


def _mending() -> str:
    coupon = drill_fault.COUPON_MINUTES
    return ", ".join(f"{where} {mend + coupon:g}" for where, mend in drill_fault.MEND_MINUTES.items())


@brief.register
def _brief_blank(drill: QualifyBlank) -> tuple[str, ...]:
    def row(name: str, label: str, unit: str) -> str:
        low, high = (show(end, unit, drill.shown, digits=3) for end in drill.window[name])
        return f"  {label}: {show(drill.recipe[name], unit, drill.shown)}, window {low} to {high}"

    return (
        f"The released recipe for {drill.study.name}:",
        *(row(f.name, f.label, f.unit) for f in drill.study.numeric),
        "A blank of another supplier has come. Does the recipe hold on it, so that 95 of 100 prints pass?",
        f"You have {drill_blank.COUPONS} coupons for the setpoint, the cool corner of the window and the hot one; the "
        "old blank is known to hold.",
        f"Score: 100 for the right verdict (holds, retune), less {drill_blank.POINTS_A_COUPON:g} for each coupon. It "
        "is luck and counts half unless there are as many coupons as doe compare makes of the new blank "
        f"({', '.join(f'{place} {many}' for place, many in drill.asked_for.items())}), or, for retune, "
        f"{drill_blank.FAILURES} failures; not enough counts 20; {_EACH_HINT}",
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
        cliff = (
            f"{drill.study.factor(near.factor).label} {near.direction}, {fixed(near.setting_errors, 1)} setting errors"
        )
    inner = "none" if found.assured_window is None else "there is one"
    passed = int(drill.results["passed"].sum())
    return (
        f"A report on {drill.study.name}: {count(drill.coupons, 'coupon')}, {passed} passed. Target: 95 of 100.",
        *rows,
        f"  Expected at the setpoint: {of_hundred(found.pass_rate)}; at least, with 90 % assurance: "
        f"{at_least_of_hundred(found.pass_rate_low)} of 100.",
        f"  Chance that the target holds at the setpoint: {percent(found.p_target)}. Assured window: {inner}.",
        f"  Chance that any tested setting reaches the target: {percent(found.p_reachable)}.",
        f"  Nearest cliff: {cliff}.",
        "Is this window safe? Three questions. Score: 50 for the right next step, 20 for what may be promised, up to "
        f"30 for how well the setpoint really does (2 points less for each print of 100 beside the truth); "
        f"{_EACH_HINT}",
    )


@brief.register
def _brief_lot(drill: TakeInLot) -> tuple[str, ...]:
    stages = (
        f"  after {s.pairs}: go on with at most {s.go_on} in which only the new lot fails; worse from {s.worse} more "
        f"than only the one in use; the line first if that one fails more than {count(s.in_use, 'time')}"
        for s in drill.rule
    )
    return (
        "A new powder lot has come. It is pressed beside the lot in use, a coupon of each in every stroke, as "
        f"doe compare --staged does: {drill.rule[0].pairs} pairs a stage. The rule, fixed beforehand:",
        *stages,
        "Say after each stage what comes next; more pairs where none of these is so, and open after the last.",
        f"Score: 100, shared among the stages, each right or not; {_EACH_HINT}",
    )


@brief.register
def _brief_chart(drill: ReadCharts) -> tuple[str, ...]:
    return (
        f"{len(drill.charts)} run charts of recipes in use. Of each, say what you do next:",
        *(f"  {key}: {words}" for key, words in _WORDS["readings"].items()),
        f"Temperatures are differences in {SYMBOLS[drill.shown.temperature]}.",
        f"Score: {drill_chart.POINTS:g} for each chart; {_EACH_HINT}",
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


def case(drill: Drill, shown: Shown = METRIC) -> str:
    """The case of an exercise in a line or two, for every step of it; empty where its question says it already."""
    if isinstance(drill, FindFault):
        seen = listing([symptom(key).label for key in drill.symptoms])
        found = "; ".join(f"{key}: {outcome_words(look(key), out)}" for key, out in drill.evidence.found.items())
        wrong = listing([fault(key).label for key in drill.wrong])
        return f"Seen: {seen}." + (f" Found: {found}." if found else "") + (f" Not it: {wrong}." if wrong else "")
    if isinstance(drill, QualifyBlank):
        at = ", ".join(show(drill.recipe[f.name], f.unit, shown) for f in drill.study.numeric)
        return f"Recipe: {at}. {drill.passed} of {drill.coupons} passed."
    return ""


# what is asked


def asked(question: Question, shown: Shown = METRIC) -> tuple[str, str]:
    """The question, and how to answer it (empty where it says so itself)."""
    reader, code, values = Reader(shown), question.asks.code, question.asks.values
    if code in _ASKED:
        return _ASKED[code](reader, **values)
    text, form = _WORDS["asked"][code]
    return filled(text, reader, **values), form


def _settings_left(reader: Reader, *, coupons: int, minutes: float, middle: Sequence[float]) -> tuple[str, str]:
    units = [f.unit for f in _usual_factors()]
    typed = " ".join(fixed(reader.shown.value(value, unit)) for value, unit in zip(middle, units, strict=True))
    return (
        f"{count(coupons, 'coupon')} and {count(int(rounded(minutes)), 'minute')} left.",
        f"Settings such as {typed}, with x2 behind for two coupons; = before them hands them in",
    )


def _checks_left(_: Reader, *, checks: Sequence[str], minutes: float, tries: int) -> tuple[str, str]:
    listed = ", ".join(f"{key} ({look(key).minutes:g})" for key in checks)
    left = f"{count(int(rounded(minutes)), 'minute')} and {count(tries, 'try', 'tries')} left."
    return (
        f"{left} Checks with their minutes: {listed}.",
        "A check to make it (? before it says what it is); = and a cause to name it; = alone lists the causes",
    )


def _ask_step(_: Reader) -> tuple[str, str]:
    return "What do you do with this setpoint?", "; ".join(f"{key}: {words}" for key, words in _STEPS.items())


def _ask_kept(reader: Reader, *, factor: str) -> tuple[str, str]:
    f = KNOWN_FACTORS[factor]
    return f"Which {f.label} do you keep?", f"One value in {reader.shown.unit(f.unit)}"


def _ask_values(reader: Reader, *, factor: str, count: int) -> tuple[str, str]:
    f = next(f for f in _usual_factors() if f.name == factor)
    ends = f"{show(f.low, f.unit, reader.shown)} to {show(f.high, f.unit, reader.shown)}"
    return f"{f.label}: which {count} values?", f"{count} numbers from {ends}"


_ASKED: dict[str, Callable[..., tuple[str, str]]] = {
    "settings left": _settings_left,
    "checks left": _checks_left,
    "ask step": _ask_step,
    "ask kept": _ask_kept,
    "ask values": _ask_values,
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

    >>> say(Finding("hints", {"count": 2})), say(Finding("coupons made", {"coupons": 1}))
    ('2 hints', '1 coupon')
    """
    return worded(fact, _SAID, Reader(shown))


def _usual_factors() -> tuple[Factor, ...]:
    return practice_study(0).numeric


def _fails_where(_: Reader, *, last: bool, side: Side) -> str:
    where = "your last settings" if last else "the middle of the ranges"
    if not side:
        return f"At {where} hardly any print fails for heat."
    return f"At {where} more prints fail by {SIDE_WORDS[side]} than the other way."


def _it_was(_: Reader, *, cause: str) -> str:
    found = fault(cause)
    return f"It was: {found.label}. {found.remedy}"


_SAID: dict[str, Text] = {
    **_WORDS["said"],
    "fails where": _fails_where,
    "check": lambda _, check: look(check).words,
    "outcome": lambda _, check, outcome: f"  {outcome}: {outcome_words(look(check), outcome)}",
    "check found": lambda _, check, outcome: f"Found: {outcome_words(look(check), outcome)}.",
    "not it": lambda _, cause, minutes: (
        f"{fault(cause).label}: no, mending that changed nothing, and took {count(int(rounded(minutes)), 'minute')}."
    ),
    "which side": lambda _, side: f"Which way it is: {SIDE_WORDS[side]}.",
    "it was": _it_was,
    "tool checks": lambda _, checks, minutes: (
        f"The tool's own checks would have been: {', '.join(checks) or 'none'} "
        f"({count(int(rounded(minutes)), 'minute')})."
    ),
    "made at": lambda _, place: f"At the {place}{'' if place == 'setpoint' else ' corner'}:",
    "rates places": lambda _, **rates: (
        f"Of prints made exactly there: {', '.join(f'{place} {of_hundred(p)}' for place, p in rates.items())}."
    ),
    "chart read": lambda _, number, said: f"chart {number}: {_WORDS['readings'][said]}",
    "chart says": lambda _, number, kind, right: f"Chart {number}, of {kind}: {_WORDS['readings'][right]}.",
    "next step": lambda _, step: f"next step: {step} ({_STEPS[step]})",
}
"""`doe.practice.drill.Code`, those that are told."""


SIGNS = 22
"""Characters across a drawing in signs."""


def drawing(key: str) -> tuple[str, ...]:
    """Five lines of plain characters for a symptom; ``""`` draws a sound print.

    Raises
    ------
    InputError
        If the symptom is not in the catalogue.
    """
    if key:
        symptom(key)
    return tuple(line.ljust(SIGNS) for line in packaged_table("signs")[key].splitlines())


def choice(key: str) -> str:
    """A word to choose from as people say it: checks and answers by their names, anything else as it is.

    >>> choice("more")
    'make the pairs of the next stage'
    """
    checks = {made.key: f"{made.words} ({made.minutes:g} min)" for made in LOOKS}
    return checks.get(key) or {**_WORDS["readings"], **_WORDS["lots"]}.get(key, key)
