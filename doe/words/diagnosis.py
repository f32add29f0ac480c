"""A diagnosis in sentences: what it may be, whether the evidence can tell, what to look at next, whom to call."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.jsonable import packaged_table
from doe.domain.units import METRIC, Shown, fixed, show
from doe.symptoms.advice import Advice, Move
from doe.symptoms.catalogue import WORDS, Look, fault, look, symptom
from doe.symptoms.diagnosis import Diagnosis, Evidence, NextLook
from doe.words.facts import Reader, Text, worded
from doe.words.wording import count, listing, sentence

UNLISTED = 0.5
"""From this probability on, something that is not on the list is the likeliest."""


def likelihood(p: float) -> str:
    """Probability in words; the model bears no second digit.

    >>> likelihood(0.91), likelihood(0.4), likelihood(0.03)
    ('very likely', 'possible', 'unlikely')
    """
    for least, words in ((0.85, "very likely"), (0.6, "likely"), (0.3, "possible"), (0.1, "less likely")):
        if p >= least:
            return words
    return "unlikely"


CLOSING = (
    "Afterwards make one coupon back at the recipe: extraction on, gloves, nothing above its limits. If it passes, "
    "keep what it was: that closes the case; if not, say what is seen on it."
)
"""How a case is closed, with the remedy."""


def headline(found: Diagnosis) -> str:
    """The answer in one sentence, or that the evidence cannot tell."""
    first = found.first
    if found.p_none >= UNLISTED:
        return "The evidence points to none of the causes we know."
    if found.both:
        second = found.causes[1]
        return f"Two faults at once, {likelihood(min(first.p, second.p))}: {first.fault.label}; {second.fault.label}."
    if found.settled:
        return f"{likelihood(first.p).capitalize()}: {first.fault.label}."
    names = [fault(key).label for key in found.tied]
    if len(names) < 2:
        return f"The evidence cannot tell yet. It may be: {first.fault.label}."
    return f"The evidence cannot tell apart: {'; '.join(names)}."


def what_next(found: Diagnosis) -> str:
    """The next check, or that none is left that would tell."""
    if not found.checks:
        left = "No check we know would tell more."
        return left if found.settled else f"{left} Ask the makers, with a kept coupon and the lots."
    return f"Check next: {check_words(found.checks[0])}"


def check_words(proposed: NextLook) -> str:
    """A check with its minutes."""
    return f"{proposed.look.words} About {proposed.look.minutes:g} min."


def move_words(move: Move, shown: Shown = METRIC) -> str:
    """One setting back to the recipe."""
    known = KNOWN_FACTORS.get(move.factor)
    unit, label = (known.unit, known.label) if known else ("", move.factor)
    return f"Set {label} back from {show(move.now, unit, shown)} to the recipe's {show(move.to, unit, shown)}."


_STOP = {
    "oven": "Stop the oven: heat off, extraction on, and air the room.",
    "press": "Stop the press: open it, heat off, and air the room.",
}


def stop_sentences(advice: Advice, beyond: Sequence[str] = ()) -> tuple[str, ...]:
    """What comes before everything else: machines to stop, and settings in use that are not permitted."""
    said = [f"{_STOP[machine]} Do not go on until a gauge has shown how hot it really is." for machine in advice.stop]
    named = [KNOWN_FACTORS[name].label if name in KNOWN_FACTORS else name for name in beyond]
    said += [f"The {name} is set beyond the limits of the data sheets, or so hot that powder fumes." for name in named]
    return tuple(said)


def advice_sentences(found: Diagnosis, advice: Advice, shown: Shown = METRIC) -> tuple[str, ...]:
    """What to do after what `stop_sentences` say, the most urgent first."""
    said = []
    if advice.moves:
        said += [move_words(move, shown) for move in advice.moves]
    elif advice.remedy:
        said.append(advice.remedy)
    if advice.remedy:
        said.append(CLOSING)
    if advice.call == "licensed":
        said.append(
            "Adjusting or mending heating, thermostat, wiring or gas belongs to the machine's maker or a licensed "
            "person."
        )
    elif advice.call == "maker":
        said.append("Ask the maker of the material, with its lot number and a kept coupon.")
    if not found.settled and found.checks:
        said.append("Move no setting before a check has told the causes apart.")
    return tuple(said)


def remedies(evidence: Evidence) -> tuple[str, ...]:
    """What the catalogue says helps with what is seen, once a check has named the cause; each with its first look."""
    named = (symptom(key) for key in evidence.symptoms)
    return tuple(f"{s.label}: {s.first_check} Then: {s.remedy}" for s in named)


REMEDIES = "What helps once a check has named the cause, always inside the makers' limits (common practice, no source)"


def reasons(found: Diagnosis, labels: Mapping[str, str], shown: Shown = METRIC, *, most: int = 3) -> tuple[str, ...]:
    """Why the first causes stand where they stand: symptoms explained, and what raised or lowered their odds."""
    said = []
    for cause in found.causes[:most]:
        if cause.p < 0.05:
            break
        parts = []
        if cause.explains:
            parts.append(f"would show {listing([labels[s] for s in cause.explains])}")
        for move in cause.moved_by:
            parts.append(f"{'more' if move.factor > 1 else 'less'} likely by {because(move.because, shown)}")
        said.append(f"{cause.fault.label}: {'; '.join(parts) or 'common enough'}.")
    return tuple(said)


def because(fact: Finding, shown: Shown = METRIC) -> str:
    """What moved the odds of a cause, as a part of a sentence.

    >>> because(Finding("room dry", {"humidity_pct": 25.0}))
    'room at 25 % humidity: static spreads powder'
    >>> because(Finding("machine off", {"machine": "press", "off_delta_degc": -10.0}), Shown("degF"))
    'gauge: the press is 18 °F cooler than it should be as set'
    """
    return worded(fact, _BECAUSE, Reader(shown))


def _peeled(_: Reader, *, wait_s: float, film: str, least_s: float | None, most_s: float | None) -> str:
    bound = f": {least_s:g} s at least" if least_s else f": it is cold after {most_s:g} s" if most_s else ""
    return f"peeled {wait_s:g} s after the press, {film} film{bound}"


_HELD_TO = {
    "recipe": "the recipe's window",
    "limits": "the limits of the data sheets",
    "usual": "what is usual (common practice, no source)",
}
_BECAUSE: dict[str, Text] = {
    **packaged_table("said_of_causes"),
    "cloth": lambda _, cloth: "nylon: coatings often refuse the bond" if cloth == "nylon" else cloth,
    "peeled": _peeled,
    "film class": lambda _, film, recipe: (
        f"{film} film, and the recipe is for {'the same' if recipe == film else recipe} film"
    ),
    "shows where": lambda _, where: f"shows {'on the whole print' if where == 'whole' else f'at {where}'}",
    "set off": lambda _, stage, way, against: f"{stage} set {'below' if way == 'low' else 'above'} {_HELD_TO[against]}",
    "surfaces lean": lambda _, side: (
        f"fitted surfaces: here prints rather fail by too {'little' if side == 'under' else 'much'} heat"
    ),
}
"""`doe.symptoms.known.BecauseCode`."""


def chance(p: float) -> str:
    """Probability of a cause as a count.

    >>> chance(0.123)
    '12 in 100'
    """
    return f"{fixed(100 * p)} in 100"


def outcome_words(made: Look, outcome: str) -> str:
    """What a check found, in the words of the check."""
    return next((o.words for o in made.outcomes if o.key == outcome), made.usual)


def made_words(key: str, outcome: str) -> str:
    """A check that was made with what it found."""
    made = look(key)
    return f"{made.words} {sentence(outcome_words(made, outcome))}"


def odds_sentence(found: Diagnosis) -> str:
    """Where the odds come from."""
    if not found.cases:
        return "The odds are our guesses (common practice, no source); the shop's own cases will move them."
    return f"The odds start from our guesses and are moved by {count(found.cases, 'case')} of this shop."


def case_told(symptoms: Sequence[str], cause: str) -> str:
    """A case of the shop: what was seen and what it turned out to be."""
    seen = listing([WORDS.labels.get(key, key) for key in symptoms])
    return f"{seen}: it turned out to be {fault(cause).label if cause else 'something that is not on the list'}."


_CASES = packaged_table("cases")
BACK: Mapping[str, str] = _CASES["back"]
"""How the coupon back at the recipe came out, in words."""
CLOSED = "closed by a coupon back at the recipe"
"""Why the entry of a case gives way to the one that says how its coupon came out."""


def case_known(case: Mapping[str, Any], shown: Shown = METRIC) -> tuple[str, ...]:
    """What was known of a kept case, a part each: waits, humidity, settings, lots, readings, checks, the note.

    >>> case_known({"known": {"gap_s": 4.0}, "set": {"dwell": 12.0}, "lots": {"film": "77"}, "note": "new boy"})
    ('4 s between oven and press', 'press dwell 12 s', 'film lot 77', 'note: new boy')
    """
    known = dict(case.get("known", {}))
    dyed = known.pop("dyed_polyester", None)
    said = [_CASES["known"][name].format(value=value) for name, value in known.items()]
    said += [] if dyed is None else ["dyed polyester" if dyed else "no dyed polyester"]
    for name, value in case.get("set", {}).items():
        factor = KNOWN_FACTORS.get(name)
        said.append(f"{factor.label if factor else name} {show(value, factor.unit if factor else '', shown)}")
    said += [f"{part} lot {lot}" for part, lot in case.get("lots", {}).items()]
    for r in case.get("gauges", ()):
        ends = (show(r[end], "degC", shown) for end in ("set_degc", "measured_degc"))
        said.append(f"{r['machine']}, {r['place']}: {' set, '.join(ends)} by the gauge")
    said += [made_words(key, outcome) for key, outcome in case.get("found", {}).items()]
    return (*said, *([f"note: {case['note']}"] if case.get("note") else []))
