"""What a new study needs, asked of a person at a terminal; answers are read like the options."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from doe.acts.study.limits import missing, refuse_held
from doe.book.book import Book
from doe.cli.ask import ask, ask_choice, ask_text, ask_yes, tell
from doe.domain.errors import NAME_LENGTH, InputError, check_line
from doe.domain.factors import DEFAULT_FACTORS, KNOWN_FACTORS, Factor
from doe.domain.limits import LIMIT_NAMES
from doe.domain.materials import FACTS, Band, material_bands
from doe.domain.spec import Spec
from doe.domain.stack import DEFAULT_OVEN, DEFAULT_PRESS, Stack
from doe.domain.study import MAX_FACTORS, MIN_FACTORS, Study
from doe.domain.units import SYMBOLS, Shown
from doe.words import typed
from doe.words.cautions import ON_SURFACE
from doe.words.limits import LIMIT_LABELS
from doe.words.materials import proposal_words
from doe.words.study.typed import StudyOptions, states_error, study_of


def ask_missing(book: Book, wanted: StudyOptions, shown: Shown) -> StudyOptions:
    """Ask for what was not said. Every answer is checked when it is given, so that none is lost at the end."""
    tell("? tells what may be answered, back goes to the question before.")
    wanted = ask_place(book, wanted, shown)
    stack = wanted.new_stack(shown) or book.stack(wanted.stack)
    wanted = replace(wanted, factors=wanted.factors or ask_factors(shown, stack))
    return ask_rest(wanted, shown)


def ask_place(book: Book, wanted: StudyOptions, shown: Shown, *, name: str | None = None) -> StudyOptions:
    """Ask what is tuned, on which materials and machines, of the book or new ones; ``name`` is proposed."""
    taken = {s.name.casefold() for s in book.studies()}

    def name_that_is_free(answer: str) -> str:
        if not answer:
            raise InputError("name", "nothing", "a few words", "Type something.")
        check_line(answer, "name", longest=NAME_LENGTH)
        if answer.casefold() in taken:
            raise InputError("name", repr(answer), "a name that no study in use has", "Choose another name.")
        return answer

    about = "A few words by which you find it again, such as: new powder on the heavy tee."
    name = wanted.name or ask("What is being tuned, in a few words", name_that_is_free, default=name, about=about)
    wanted = replace(wanted, name=name)
    if wanted.brings_stack:
        wanted = _ask_stack(wanted, shown)
    elif not wanted.stack:
        stacks = [s.name for s in book.stacks()]
        chosen = ask_choice("Which stack", [*stacks, _NEW], default="1") if stacks else _NEW
        wanted = replace(wanted, stack=chosen) if chosen != _NEW else _ask_stack(wanted, shown)
    if not (wanted.line or wanted.brings_line):
        lines = [x.name for x in book.lines()]
        chosen = ask_choice("Which line", [*lines, _NEW], default="1") if lines else _NEW
        wanted = replace(wanted, line=chosen) if chosen != _NEW else _ask_line(wanted)
    return wanted


_NEW = "another, not in the book yet"


def _ask_stack(wanted: StudyOptions, shown: Shown) -> StudyOptions:
    tell("\nWhat is pressed on what: a name, and if known ; supplier=... ; lot=...")
    made: dict[str, str] = {}
    about = 'Such as "blank tee; supplier=Halm; lot=A12". The lot helps when the next one behaves differently.'
    for part in ("fabric", "film", "powder"):
        read = _text_that(partial(typed.material, part=part, place=part, shown=shown))
        made[part] = getattr(wanted, part) or ask(part.capitalize(), read, about=about)
    _ask_facts(made, shown)
    return replace(wanted, fabric=made["fabric"], film=made["film"], powder=made["powder"])


_ASKED = (("fabric", "kind"), ("fabric", "dyed"), ("fabric", "stretch"), ("film", "peel"), ("powder", "melting"))
"""Facts of materials that are asked for at a terminal; the others are typed behind a name."""


def _ask_facts(made: dict[str, str], shown: Shown) -> None:
    """Add what moves ranges and warnings most; Enter leaves one out, a dot the rest."""
    tell("What is known of them? Enter leaves one out, a dot leaves out the rest.")
    for part, name in _ASKED:
        fact, known = FACTS[part][name], typed.material(made[part], part, shown, place=part).facts or {}
        if name in known or f"{name}_low" in known:
            continue

        def read(answer: str, part: str = part, name: str = name) -> str:
            if answer not in ("", "."):
                typed.material_fact(part, name, answer, shown, part)
            return answer

        choices = f" ({', '.join(fact.choices)})" if fact.choices else " (yes or no)" if fact.form == "yes" else ""
        answer = ask(f"{fact.asks}{choices}", read, default="", about="A dot leaves out this one and the rest.")
        if answer == ".":
            return
        made[part] += f"; {name}={answer}" if answer else ""


def _ask_line(wanted: StudyOptions) -> StudyOptions:
    about = "As you call it in the shop; its readings, settings and recipes are kept by the line."
    tell("\nThe machines")
    oven = ask_text("Oven or tunnel", default=DEFAULT_OVEN.name, about=about)
    return replace(wanted, oven=oven, press=ask_text("Press", default=DEFAULT_PRESS.name, about=about))


def ask_rest(wanted: StudyOptions, shown: Shown) -> StudyOptions:
    """Ask for the target, what must not be made, what is held, and limits."""
    if wanted.pass_rate is None and wanted.hand_min is None:
        wanted = ask_target(wanted)
    if not wanted.forbid:
        rule = "A combination never to make, like cure_temp >= 135 and cure_time >= 180 (Enter: none)"
        about = "Comparisons with >=, <=, >, < or =, joined by and; a reason may follow after a semicolon."
        wanted = replace(wanted, forbid=_ask_several(rule, wanted, "forbid", str, shown, about))
    if not wanted.hold:
        held = "A setting held constant, like pressure=40psi (Enter: none)"
        about = f"NAME=VALUE. Known: {', '.join(name for name in KNOWN_FACTORS)}; others are kept as words."
        wanted = replace(wanted, hold=_ask_several(held, wanted, "hold", partial(_held_option, shown), shown, about))
    if not wanted.limits and ask_yes("Are the data sheets at hand, to type in the limits now?"):
        wanted = replace(wanted, limits=ask_limits(_draft(wanted, shown), shown))
    return wanted


def _draft(wanted: StudyOptions, shown: Shown) -> Study:
    """The study as far as it was said, so that an answer that does not fit is refused where it is typed."""
    study = study_of(replace(wanted, stack=wanted.stack or "-", line=wanted.line or "-"), shown)
    refuse_held(study)
    return study


def _held_option(shown: Shown, text: str) -> str:
    """A held setting, put back in its stored unit."""
    ((name, value),) = typed.held([text], shown).items()
    return f"{name}={value}" if isinstance(value, str) else f"{name}={typed.exact(value, KNOWN_FACTORS[name].unit)}"


def ask_target(wanted: StudyOptions) -> StudyOptions:
    """Ask what counts as good enough, but for what was said."""
    usual = Spec()
    tell("\nWhat counts as good enough?")
    rate = wanted.pass_rate or ask(
        "Share of prints that must pass",
        _text_that(lambda text: typed.spec(text, None, None, ())),
        default=f"{usual.pass_rate:.0%}",
        about="50 to 99, as 95, 95% or 0.95. The closer to 100, the more coupons it takes to show it.",
    )
    hand = wanted.hand_min or ask(
        "Least mean hand-feel, 1 (stiff) to 5 (soft), or none",
        _text_that(lambda text: typed.spec(None, text, None, ())),
        default=f"{usual.hand_min:g}",
        about="1 to 5, where 5 is as soft as the sample you keep; none where hand-feel does not matter.",
    )
    return replace(wanted, pass_rate=rate, hand_min=hand)


def _text_that(read: Callable[[str], object]) -> Callable[[str], str]:
    """A text that can be read, as it was typed."""

    def checked(text: str) -> str:
        read(text)
        return text

    return checked


def _ask_several(
    question: str, wanted: StudyOptions, part: str, read: Callable[[str], str], shown: Shown, about: str
) -> list[str]:
    """Ask for texts of one kind that the study can have, until Enter."""
    found: list[str] = []

    def one(answer: str) -> str:
        if not answer:
            return ""
        text = read(answer)
        more: dict[str, Any] = {part: [*found, text]}
        _draft(replace(wanted, **more), shown)
        return text

    while text := ask(question, one, default="", about=about):
        found.append(text)
    return found


def ask_factors(shown: Shown, stack: Stack) -> list[str]:
    """Ask which settings vary, and over which range; gives the texts of ``--factor``."""
    tell(f"\nSettings to vary, {MIN_FACTORS} to {MAX_FACTORS}. Known: {', '.join(KNOWN_FACTORS)}.")

    def read(text: str) -> list[str]:
        parts = [part.strip() for part in text.split(",") if part.strip()]
        names = list(dict.fromkeys(typed.name_of(part, typed.USUAL_SETTINGS, "setting") for part in parts))
        if not MIN_FACTORS <= len(names) <= MAX_FACTORS:
            raise InputError("settings", len(names), f"{MIN_FACTORS} to {MAX_FACTORS}", "Name those that matter most.")
        if sum(not KNOWN_FACTORS[name].levels for name in names) < MIN_FACTORS:
            raise InputError("settings", text, "at least one with a range", "Add a temperature or a time.")
        return names

    about = f"Names with a comma between, as they stand above or as you call them: {_called()}."
    names = ask("Which", read, default=", ".join(DEFAULT_FACTORS), about=about)
    tell("For each its range, low..high; add ,sd=4 to say by how much the real value wanders from the set one.")
    bands = material_bands(stack)
    if words := proposal_words({name: bands[name] for name in names if name in bands}, shown):
        tell(words)
    return [_ask_factor(name, shown, bands.get(name)) for name in names]


def _called() -> str:
    return ", ".join(known.label for known in KNOWN_FACTORS.values())


def _ask_factor(name: str, shown: Shown, band: Band | None) -> str:
    known = KNOWN_FACTORS[name]
    if known.levels:
        question, default = f"{known.label}, levels", "/".join(known.levels)
        about = "The levels with a slash between, such as hot/cold; add ,every for one setting that holds on all."
    else:
        ends = (known.low, known.high) if band is None else (band.low, band.high)
        low, high = (f"{shown.value(v, known.unit):.4g}" for v in ends)
        where = f" {ON_SURFACE}" if known.unit == "degC" else ""
        question, default = f"{known.label}{where} in {SYMBOLS[shown.unit(known.unit)]}", f"{low}..{high}"
        about = f"As {low}..{high}, {low}-{high} or {low} to {high}, with or without a unit. Usual: {known.source}."
    # the stored values are put back, in their own unit: a person may have meant Fahrenheit and said so
    said: list[str] = []

    def read(text: str) -> Factor:
        said[:] = [text]
        return typed.factor(f"{name}={text}", shown, "")

    made = ask(question, read, default=default, about=about)
    length = made.heated_mm
    if name == "belt_speed" and length is None:
        about = "From where the film comes into the heat to where it leaves it, such as 1.2: it makes a time of it."
        length = ask("heated length of the belt in m", typed.heated_length, about=about)
    if made.is_categorical:
        return f"{name}={'/'.join(made.levels)}"
    low, high, sd, step = (typed.exact(v or 0, made.unit) for v in (made.low, made.high, made.setting_sd, made.step))
    stated = f",sd={sd}" if states_error(f"{name}={said[0]}") else ""
    trial = "" if made.trial_sd is None else f",trial={typed.exact(made.trial_sd, made.unit)}"
    heated = "" if length is None else f",heated={length!r}mm"
    return f"{name}={low}..{high}{stated}{trial},step={step}{heated}"


_ABOUT_LIMITS = "The number of the data sheet, such as 175 or 347F, then @ and the sheet: 175@film data sheet 2031."


def ask_limits(study: Study, shown: Shown) -> list[str]:
    """Ask for each missing limit with its source; gives the texts of ``--limit``. Enter leaves one for later."""
    tell("\nLimits from the makers' data sheets: a value, or value@source (Enter: later).")
    return _limits_of(missing(study), shown, lambda texts: study.with_limits(typed.limits(texts, study.limits, shown)))


def ask_all_limits(names: Sequence[str], shown: Shown, fits: Callable[[Sequence[str]], object]) -> list[str]:
    """Ask for limits without which nothing is stored; ``fits`` refuses what cannot be."""
    if names:
        tell("\nLimits from the makers' data sheets, asked once: a value, or value@source.")
    return _limits_of(names, shown, fits, default=None)


def _limits_of(
    names: Sequence[str], shown: Shown, fits: Callable[[Sequence[str]], object], *, default: str | None = ""
) -> list[str]:
    texts: list[str] = []

    def read(name: str, answer: str) -> str:
        """A limit in its stored unit; one that the ranges break is noticed at once."""
        if not answer:
            return ""
        field = LIMIT_NAMES[name]
        one = typed.limits([f"{name}={answer}"], None, shown)
        text = typed.limit_option(name, getattr(one, field), one.sources.get(field, ""))
        fits([*texts, text])
        return text

    for name in names:
        text = ask(LIMIT_LABELS[LIMIT_NAMES[name]], partial(read, name), default=default, about=_ABOUT_LIMITS)
        texts += [text] if text else []
    return texts
