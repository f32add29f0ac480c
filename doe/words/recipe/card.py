"""A recipe in words: settings, handling, what would void it, what its user must know, and what a revision changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.recipe import (
    OUTSIDE_WINDOW,
    SETTINGS_FROM,
    USUAL_VOIDS,
    AlsoFor,
    ConfirmationRecord,
    KeptRecipe,
    Recipe,
    RecipeSetting,
    StackDifference,
    parts_of,
)
from doe.domain.stack import Material
from doe.domain.standing import StudyStanding
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, show
from doe.setpoint.answer import Answer
from doe.words.cautions import HOVERING
from doe.words.facts import Reader, all_worded, texts_of
from doe.words.materials import fact_label
from doe.words.study.answer import look_again, misses_hand, scores_first, washes_first
from doe.words.study.standing import headline
from doe.words.wording import (
    at_least_of_hundred,
    at_most_of_hundred,
    beyond,
    claim_shown,
    count,
    day,
    difference_both,
    held,
    listing,
    move,
    percent,
    seconds_words,
    sentence,
    stated,
)

COVERED = ("cooling_gap", "peel_mode", "peel_wait", "second_press_time", "film_type")
"""Settings that are steps of handling: where one is varied or held, nobody has to type it."""

ANY_OTHER = "any other setting than these, or a constant that was not held"
"""What voids a recipe whose settings were not searched for: it has no window."""

SIMILAR = (
    "Similar in words is not similar in the press: whatever differs below is compared by coupons before the recipe "
    "is used."
)


# ---------------------------------------------------------------- numbers of a recipe, in the reader's units


def setting_amount(setting: RecipeSetting, value: float | str, shown: Shown = METRIC) -> str:
    """A value of a setting in the reader's unit, or its level.

    Whole numbers where it is whole in either unit: what was set in whole degF reads well in degC too.

    >>> setting_amount(RecipeSetting("press_temp", "press temperature", "degC", 152.0), 152.0, Shown("degF"))
    '306 °F'
    >>> setting_amount(RecipeSetting("dwell", "press dwell", "s", 12.5), 12.5)
    '12.5 s'
    """
    if isinstance(value, str):
        return value
    number = shown.value(value, setting.unit)
    unit = shown.unit(setting.unit)
    whole = any(_is_whole(units.value(value, setting.unit)) for units in (shown, shown.other))
    digits = 2 if unit == "m/min" else 0 if unit == "psi" or (whole and unit != "bar") else 1
    return f"{fixed(number, digits)} {SYMBOLS[unit]}".rstrip()


def _is_whole(number: float) -> bool:
    return abs(number - round(number)) < 1e-6


def both(setting: RecipeSetting, value: float | str, shown: Shown = METRIC) -> str:
    """The same with the other temperature unit, and the other pressure unit.

    >>> both(RecipeSetting("press_temp", "press temperature", "degC", 152.0), 152.0)
    '152 °C (306 °F)'
    >>> both(RecipeSetting("pressure", "press pressure", "bar", 3.0), 3.0)
    '3.0 bar (44 psi)'
    """
    text, other = setting_amount(setting, value, shown), other_amount(setting, value, shown)
    return f"{text} ({other})" if other else text


def span(setting: RecipeSetting, low: float, high: float, shown: Shown = METRIC) -> str:
    """Both ends of a window, temperatures in both units, a belt's speeds with their times.

    >>> span(RecipeSetting("press_temp", "press temperature", "degC", 152.0), 148, 156)
    '148 to 156 °C (298 to 313 °F)'
    """
    here, there = (span_here(setting, low, high, units) for units in (shown, shown.other))
    if setting.heated_mm is not None:
        there = seconds_words(setting.heated_mm, low, high)
    return here if here == there else f"{here} ({there})"


def span_here(setting: RecipeSetting, low: float, high: float, shown: Shown = METRIC) -> str:
    """Both ends of a window in the reader's unit alone."""
    first, last = (setting_amount(setting, end, shown) for end in (low, high))
    unit = SYMBOLS[shown.unit(setting.unit)]
    return f"{last} only" if first == last else f"{first.removesuffix(unit).strip()} to {last}"


SaySpan = Callable[[RecipeSetting, float, float, Shown], str]
"""`span` or `span_here`."""


def other_amount(setting: RecipeSetting, value: float | str, shown: Shown = METRIC) -> str:
    """The value in the other unit, a belt's speed as time in the heat; empty where there is only one."""
    if setting.heated_mm is not None:
        return seconds_words(setting.heated_mm, float(value))
    other = setting_amount(setting, value, shown.other)
    return "" if other == setting_amount(setting, value, shown) else other


def set_window(setting: RecipeSetting, shown: Shown = METRIC, say: SaySpan = span) -> str:
    """The window of what is set: on the dial where that is known, else of the surface, and then it says so."""
    if setting.dial is None or setting.window_low is None or setting.window_high is None:
        return window_words(setting, shown, say)
    if setting.dial_low is None or setting.dial_high is None:
        return f"{window_words(setting, shown, say)} on the surface"
    return say(setting, setting.dial_low, setting.dial_high, shown)


def window_words(setting: RecipeSetting, shown: Shown = METRIC, say: SaySpan = span) -> str:
    """The window of a setting, or that there is none."""
    if isinstance(setting.surface, str):
        return "this one only"
    if setting.window_low is None or setting.window_high is None:
        return "not known: keep exactly this"
    return say(setting, setting.window_low, setting.window_high, shown)


# ---------------------------------------------------------------- what release writes down


def handling_sentences(
    study: Study, setpoint: Mapping[str, float | str], typed: Mapping[str, str], more: tuple[str, ...] = ()
) -> tuple[str, ...]:
    """Waits, peel and second press in the order of the work; what the study knows, then what was typed.

    ``typed`` by gap, peel and second_press. An empty part is left out; `handling_gaps` says which have to be typed.
    """
    known = {name: _known_step(study, setpoint, name) for name in COVERED}
    return tuple(
        sentence(f"{head}: {', '.join(text.strip().rstrip('.') for text in parts if text.strip())}")
        for head, parts in (
            ("between cure and press", [known["cooling_gap"], typed.get("gap", "")]),
            ("peel", [known["film_type"], known["peel_mode"], known["peel_wait"], typed.get("peel", "")]),
            ("second press", [known["second_press_time"], typed.get("second_press", "")]),
        )
        if any(text.strip() for text in parts)
    ) + tuple(sentence(text) for text in more if text.strip())


def handling_gaps(study: Study, typed: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """Steps that neither the study knows nor anybody typed: what it is, and the option for it."""
    known = {*study.factor_names, *study.held}
    return tuple(
        (what, f"--{step.replace('_', '-')}")
        for what, step, name in (
            ("wait between cure and press", "gap", "cooling_gap"),
            ("peel: hot, warm or cold, and the wait before it", "peel", "peel_wait"),
            ("second press: how long, under what, or none", "second_press", "second_press_time"),
        )
        if not typed.get(step, "").strip() and name not in known
    )


def _known_step(study: Study, setpoint: Mapping[str, float | str], name: str) -> str:
    if name not in study.factor_names and name not in study.held:
        return ""
    value = setpoint[name] if name in study.factor_names else study.held[name]
    text = value if isinstance(value, str) else show(value, KNOWN_FACTORS[name].unit)
    return {"film_type": f"{text} film", "peel_wait": f"wait {text}"}.get(name, text)


def void_sentences(study: Study, answer: Answer | None, more: tuple[str, ...] = ()) -> tuple[str, ...]:
    """What makes a recipe void: the usual, then what the surfaces know of this one, if any, then what was typed."""
    found = [ANY_OTHER if answer is None and text == OUTSIDE_WINDOW else text for text in USUAL_VOIDS]
    for cliff in answer.cliffs[:2] if answer else ():
        f = study.factor(cliff.factor)
        found.append(
            f"a cliff: {f.label} {difference_both(f, cliff.distance)} {move(f, cliff.direction)} than here, where "
            f"{beyond(cliff.side)}"
        )
    for f in study.numeric:
        if answer is None or answer.window is None:
            break
        low, high = (float(answer.window.bounds[end][f.name]) for end in ("low", "high"))
        cut = [end for end, near in (("lower", low - f.low), ("upper", f.high - high)) if near < (f.step or 1e-9)]
        if cut:
            ends = "both ends" if len(cut) == 2 else f"the {cut[0]} end"
            found.append(f"{f.label} beyond {ends} of its window: nothing was tested there")
    return (*found, *(text.strip() for text in more if text.strip()))


def caution_sentences(
    study: Study, answer: Answer, *, exception: str = "", run: str = "", window_held: bool | None = None
) -> tuple[str, ...]:
    """What the user of a recipe must know: no confirmation, no window or an unproven one, a verdict short of ready."""
    found = []
    if exception.strip():
        found.append(f"Released without an accepted confirmation. {run} Reason: {exception.strip()}".replace("  ", " "))
    if misses_hand(study, answer):
        found.append("Hand-feel was wanted and never scored in the study: its pass rate is that of the checks alone.")
    if names := look_again(answer):
        found.append(
            f"The answer behind it was not trusted: the results contradict the map or each other at {listing(names)}."
        )
    elif answer.verdict == "more coupons" and not (scores_first(answer) or washes_first(answer)):
        found.append(
            'The coupons behind it did not settle whether the target is reached: the answer was "more coupons".'
        )
    if answer.window is None and answer.pass_rate >= study.spec.pass_rate:
        why = "there is no room to move in" if answer.room else "the study did not vary every setting"
        found.append(f"No window: {why}. Keep exactly these settings.")
    elif answer.window is None:
        found.append(
            f"No window: the expected pass rate holds {stated(study.spec.pass_rate)} in no box around the setpoint. "
            "Keep exactly these settings."
        )
    elif window_held is False:
        found.append("The window was not confirmed: a corner of it did not hold. Keep exactly these settings.")
    elif window_held is None and not exception.strip():
        found.append("The window is what the study expects: no corner of it was confirmed.")
    return tuple(sentence(text) for text in found)


# ---------------------------------------------------------------- reading a recipe


def confirmation_sentence(found: ConfirmationRecord | None, exception: str = "") -> str:
    """What was confirmed: counts, and the claim in the words of the standing.

    >>> from datetime import datetime, UTC
    >>> made = ConfirmationRecord(0.9, 0.9, 0, 22, "coupon", 22, 0, 0.9006, 1.0, datetime(2030, 1, 1, 12, tzinfo=UTC))
    >>> print(confirmation_sentence(made).replace(". ", ".\\n"))
    Accepted on 1 January 2030: 22 of 22 coupons passed (allowed: no failure).
    With 90 % assurance, 90 % of prints or more pass every check.
    """
    if found is None:
        return sentence(f"Released without an accepted confirmation: {exception.strip()}")
    done = found.passed + found.failed
    allowed = count(found.failures_allowed, "failure") if found.failures_allowed else "no failure"
    per_level = f"planned: {found.units // found.levels} on each level, {found.units} in all; "
    each = per_level if found.levels > 1 else ""
    again = "" if found.attempts == 1 else f" It was attempt {found.attempts}; the earlier ones count as tried."
    return (
        f"Accepted on {day(found.judged_at)}: {found.passed} of {count(done, found.unit)} passed "
        f"({each}allowed: {allowed}). {claim_shown(found.claim, found.assurance)}{again}"
    )


def expected_sentence(recipe: Recipe) -> str:
    """What the study expects of the setpoint, and whether the corners of the window were confirmed."""
    if not recipe.is_searched:
        return f"Confirmed, not searched. The settings come from {recipe.record.get(SETTINGS_FROM, recipe.study)}."
    low = at_least_of_hundred(recipe.pass_rate_low)
    window = f" Window: {recipe.record['window']}." if "window" in recipe.record else ""
    return f"Expected pass rate {percent(recipe.pass_rate)}, at least {low} %, by the surfaces of the study.{window}"


def state_words(kept: KeptRecipe, on: date, newest: StudyStanding | None = None) -> str:
    """In force, in doubt, due for review, superseded or retired; ``newest`` is where the newest revision stands."""
    recipe = kept.recipe
    if kept.in_force and newest is not None and newest.state == "doubtful":
        said = headline(newest)
        return said[0].lower() + said[1:]
    if kept.retired_why:
        on_day = f" on {day(recipe.retired_at)}" if recipe.retired_at else ""
        return f"retired{on_day}: {kept.retired_why}"
    if kept.superseded:
        return "superseded by a newer revision"
    return f"in force, review {'was due on' if recipe.is_due(on) else 'by'} {day(recipe.review_on)}"


@dataclass(frozen=True)
class Change:
    """One thing that differs between two revisions: ``what``, ``before`` and ``after``, in words."""

    what: str
    before: str
    after: str


def changes_between(before: Recipe, after: Recipe, shown: Shown = METRIC) -> tuple[Change, ...]:
    """What differs between two revisions, in the order of a card."""
    old, new = _told(before, shown), _told(after, shown)
    return tuple(
        Change(key[0], old.get(key) or "nothing", new.get(key) or "nothing")
        for key in {**old, **new}
        if old.get(key, "") != new.get(key, "")
    )


def _told(recipe: Recipe, shown: Shown) -> dict[tuple[str, str], str]:
    """Everything on a card: what it is, for a sentence of several the sentence too, to how it reads."""
    lists = {
        "also for": also_sentences(recipe),
        "handling": recipe.handling,
        "what would void it": recipe.voids,
        "cautions": recipe_cautions(recipe),
    }
    single: dict[str, str] = {
        **{str(part): material_words(material) for part, material in parts_of(recipe.stack).items()},
        "line": recipe.line.name,
        **{s.label + _on_surface(s, ","): both(s, s.surface, shown) for s in recipe.settings},
        **{f"{s.label}, dial": both(s, s.dial, shown) for s in recipe.settings if s.dial is not None},
        **{f"{s.label}, window{_on_surface(s)}": window_words(s, shown) for s in recipe.settings},
        **{f"{label} (held)": text for label, text in (held(n, v, shown) for n, v in recipe.held.items())},
    }
    proof = {
        **({"expected pass rate": percent(recipe.pass_rate)} if recipe.is_searched else {}),
        "confirmation": confirmation_sentence(recipe.confirmation, recipe.exception),
        "study": recipe.study,
        "approved by": recipe.approved_by,
        "review": day(recipe.review_on),
        **recipe.record,
    }
    return {
        **{(what, ""): text for what, text in single.items()},
        **{(what, text): text for what, texts in lists.items() for text in texts},
        **{(what, ""): text for what, text in proof.items()},
    }


def _on_surface(setting: RecipeSetting, before: str = "") -> str:
    """Which of the two a temperature is."""
    return f"{before} on the surface" if setting.unit == "degC" else ""


def also_words(recipe: Recipe, also: AlsoFor) -> str:
    """The materials of another stack, as far as they are not those of the recipe's own."""
    own = parts_of(recipe.stack)
    told = [f"{part} {material_words(m)}" for part, m in parts_of(also.stack).items() if m != own.get(part)]
    return ", ".join(told) or also.stack.name


def also_why(recipe: Recipe, also: AlsoFor) -> str:
    """Why a revision is made that adds the material of a comparison, where nobody says why."""
    told = also_words(recipe, also)
    if also.hides is not None:
        return f"the staged comparison {also.comparison} lets {told} go on, carefully"
    return f"the comparison {also.comparison} showed that it holds for {told} too"


def also_sentences(recipe: Recipe) -> tuple[str, ...]:
    """Every other material that it is for, with the comparison that showed it."""
    return tuple(
        f"{also_words(recipe, also)} instead: {_shown_by(also)}, since {day(also.since)}" for also in recipe.also or ()
    )


def _shown_by(also: AlsoFor) -> str:
    if also.hides is None:
        return f"same recipe holds, by the comparison {also.comparison}"
    hidden = at_most_of_hundred(also.hides)
    sure = "" if also.assurance is None else f" (with {stated(also.assurance)} assurance)"
    told = f"which could hide up to {hidden} more failing of 100{sure}"
    return f"go on carefully, by the staged comparison {also.comparison}, {told}"


def material_words(material: Material | None) -> str:
    """A material with its lot and detail; empty without one."""
    return "" if material is None else f"{material}{', ' + material.detail if material.detail else ''}"


# ---------------------------------------------------------------- a recipe on another line


def unknown_words(facts: Iterable[Finding], recipe: Recipe, shown: Shown = METRIC) -> tuple[str, ...]:
    """What is not known of a recipe on a line, as sentences."""
    return all_worded(facts, texts_of("recipe"), Reader(shown, labels={s.factor: s.label for s in recipe.settings}))


# ---------------------------------------------------------------- stacks that differ

DIFFERS = texts_of("catalogues", "differs")
"""How a part differs, in words."""


def difference_words(differences: tuple[StackDifference, ...]) -> str:
    """What differs between two stacks, part by part; or that nothing does.

    >>> difference_words((StackDifference("film", "lot", "x (lot 1)", "x (lot 2)"),))
    'film: another lot (here x (lot 1), recipe x (lot 2))'
    """
    found = [
        f"{d.part}: {DIFFERS[d.kind]} (here {d.ours}, recipe {d.theirs}{_facts_apart(d)})"
        for d in differences
        if d.kind != "same"
    ]
    return "; ".join(found) or "the same fabric, film and powder, to the lot"


def _facts_apart(difference: StackDifference) -> str:
    told = (("not the same", difference.facts), ("not said there:", difference.unsaid))
    labels = ((said, dict.fromkeys(fact_label(difference.part, name) for name in names)) for said, names in told)
    return "".join(f"; {said} {listing(list(each))}" for said, each in labels if each)


def recipe_cautions(recipe: Recipe) -> tuple[str, ...]:
    """What the user of a recipe must know beside the usual cautions, in sentences."""
    dialled = (
        "The coupons were made at dial settings; the surface temperatures are what the gauge readings give for these.",
    )
    hovering = (HOVERING,) if any(s.factor == "hover_gap" for s in recipe.settings) else ()
    return (*hovering, *recipe.cautions, *(dialled if recipe.as_dialled else ()))
