"""What a new study needs, asked of a person at a terminal; answers are read like the options."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from doe.acts.study.limits import missing
from doe.book.book import Book
from doe.cli.ask import ask, ask_choice, ask_yes
from doe.cli.terminal import say
from doe.domain.errors import InputError
from doe.domain.factors import DEFAULT_FACTORS, KNOWN_FACTORS, Factor, usual_factor
from doe.domain.limits import LIMIT_NAMES
from doe.domain.spec import Spec
from doe.domain.study import MAX_FACTORS, Study
from doe.domain.units import SYMBOLS, Shown
from doe.words import typed
from doe.words.limits import LIMIT_LABELS
from doe.words.study.typed import StudyOptions, states_error, study_of


def ask_missing(book: Book, wanted: StudyOptions, shown: Shown) -> StudyOptions:
    """Ask for what was not said. Every answer is checked when it is given, so that none is lost at the end."""
    stacks, lines = [s.name for s in book.stacks()], [x.name for x in book.lines()]
    for what, found in (("stack", stacks), ("line", lines)):
        if not found:
            raise InputError(what, "none in the book", f"at least one {what}", f"Add it first: doe {what} add --help.")
    wanted = replace(
        wanted,
        name=wanted.name or ask("What is being tuned, in a few words", _something),
        stack=wanted.stack or ask_choice("Which stack", stacks, default="1"),
        line=wanted.line or ask_choice("Which line", lines, default="1"),
        factors=wanted.factors or ask_factors(shown),
    )
    if wanted.pass_rate is None and wanted.hand_min is None:
        wanted = _ask_target(wanted)
    factors = study_of(replace(wanted, limits=(), forbid=(), hold=()), shown).factors
    if not wanted.forbid:
        rule = "A combination never to make, like cure_temp >= 135 and cure_time >= 180 (Enter: none)"
        wanted = replace(wanted, forbid=_ask_several(rule, _text_that(lambda text: typed.forbidden([text], factors))))
    if not wanted.hold:
        held = "A setting held constant, like pressure=40psi (Enter: none)"
        wanted = replace(wanted, hold=_ask_several(held, lambda text: _held_option(text, shown)))
    if not wanted.limits and ask_yes("Are the data sheets at hand, to type in the limits now?"):
        wanted = replace(wanted, limits=ask_limits(study_of(wanted, shown), shown))
    return wanted


def _held_option(text: str, shown: Shown) -> str:
    """A held setting, put back in its stored unit."""
    ((name, value),) = typed.held([text], shown).items()
    return f"{name}={value}" if isinstance(value, str) else f"{name}={typed.exact(value, KNOWN_FACTORS[name].unit)}"


def _something(answer: str) -> str:
    if not answer:
        raise InputError("answer", "nothing", "a few words", "Type something.")
    return answer


def _ask_target(wanted: StudyOptions) -> StudyOptions:
    usual = Spec()
    say("\nWhat counts as good enough?")
    rate = ask(
        "Share of prints that must pass",
        _text_that(lambda text: typed.spec(text, None, None, ())),
        default=f"{usual.pass_rate:.0%}",
    )
    hand = ask(
        "Least mean hand-feel, 1 (stiff) to 5 (soft), or none",
        _text_that(lambda text: typed.spec(None, text, None, ())),
        default=f"{usual.hand_min:g}",
    )
    return replace(wanted, pass_rate=rate, hand_min=hand)


def _text_that(read: Callable[[str], object]) -> Callable[[str], str]:
    """A text that can be read, as it was typed."""

    def checked(text: str) -> str:
        read(text)
        return text

    return checked


def _ask_several(question: str, read: Callable[[str], str]) -> list[str]:
    """Ask for texts that can be read, until Enter."""
    found: list[str] = []
    while text := ask(question, lambda answer: read(answer) if answer else "", default=""):
        found.append(text)
    return found


def ask_factors(shown: Shown) -> list[str]:
    """Ask which settings vary, and over which range; gives the texts of ``--factor``."""
    say(f"\nSettings to vary, 2 to {MAX_FACTORS}. Known: {', '.join(KNOWN_FACTORS)}.")

    def read(text: str) -> list[str]:
        names = [part.strip() for part in text.split(",") if part.strip()]
        for one in names:
            usual_factor(one)
        if not 2 <= len(set(names)) <= MAX_FACTORS:
            raise InputError("settings", len(set(names)), f"2 to {MAX_FACTORS}", "Name those that matter most.")
        return list(dict.fromkeys(names))

    names = ask("Which", read, default=", ".join(DEFAULT_FACTORS))
    say("For each its range, low..high; add ,sd=4 to say by how much the real value wanders from the set one.")
    return [_ask_factor(name, shown) for name in names]


def _ask_factor(name: str, shown: Shown) -> str:
    known = KNOWN_FACTORS[name]
    if known.levels:
        question, default = f"{known.label}, levels", "/".join(known.levels)
    else:
        low, high = (f"{shown.value(v, known.unit):.4g}" for v in (known.low, known.high))
        question, default = f"{known.label} in {SYMBOLS[shown.unit(known.unit)]}", f"{low}..{high}"
    # the stored values are put back, in their own unit: a person may have meant Fahrenheit and said so
    said: list[str] = []

    def read(text: str) -> Factor:
        said[:] = [text]
        return typed.factor(f"{name}={text}", shown)

    made = ask(question, read, default=default)
    if made.is_categorical:
        return f"{name}={'/'.join(made.levels)}"
    low, high, sd, step = (typed.exact(v or 0, made.unit) for v in (made.low, made.high, made.setting_sd, made.step))
    stated = f",sd={sd}" if states_error(f"{name}={said[0]}") else ""
    trial = "" if made.trial_sd is None else f",trial={typed.exact(made.trial_sd, made.unit)}"
    return f"{name}={low}..{high}{stated}{trial},step={step}"


def ask_limits(study: Study, shown: Shown) -> list[str]:
    """Ask for each missing limit with its source; gives the texts of ``--limit``. Enter leaves one for later."""
    say("\nLimits from the makers' data sheets: a value, or value@source (Enter: later).")
    texts: list[str] = []
    for name in missing(study):
        text = ask(LIMIT_LABELS[LIMIT_NAMES[name]], _limit_reader(name, study, tuple(texts), shown), default="")
        texts += [text] if text else []
    return texts


def _limit_reader(name: str, study: Study, before: Sequence[str], shown: Shown) -> Callable[[str], str]:
    """Reads one limit and puts it back in its stored unit; one that the ranges break is noticed at once."""

    def read(answer: str) -> str:
        if not answer:
            return ""
        field = LIMIT_NAMES[name]
        one = typed.limits([f"{name}={answer}"], None, shown)
        text = typed.limit_option(name, getattr(one, field), one.sources.get(field, ""))
        replace(study, limits=typed.limits([*before, text], study.limits, shown))
        return text

    return read
