"""Asking at a terminal until an answer can be used; ``?`` tells what may be answered, ``back`` goes a question back.

Questions that belong together are asked within `questions`. To go back, they are asked anew from the first one, and
those before the one to be put right get the answers that were typed, without being shown again.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import typer

from doe.cli.terminal import error_lines, say
from doe.domain.errors import InputError
from doe.words.typed import yes_no

T = TypeVar("T")

_HELP, _BACK = "?", "back"
_FIRST = "There is no question before this one."


class Back(Exception):
    """A person wants the question before."""


@dataclass
class _Run:
    """What was typed so far: ``kept`` is still to be given again, ``typed`` is this time round, in order."""

    kept: list[str] = field(default_factory=list)
    typed: list[str] = field(default_factory=list)
    questions: list[int] = field(default_factory=list)  # where the answers to each begin in `typed`

    def forget_last(self) -> bool:
        """Make ready to ask anew up to the last question that was answered; False where none was."""
        if not self.questions:
            return False
        self.kept = self.typed[: self.questions[-1]]
        self.typed, self.questions = [], []
        return True


_runs: list[_Run] = []


def questions(flow: Callable[[], T], *, may_leave: bool = False) -> T:
    """Ask the questions of ``flow``, which must change nothing but what it returns.

    Raises
    ------
    Back
        If a person wants to go back from the first question, and may.
    """
    run = _Run()
    _runs.append(run)
    try:
        while True:
            try:
                return flow()
            except Back:
                if run.forget_last():
                    continue
                if may_leave:
                    raise
                run.typed = []
                say(_FIRST)
    finally:
        _runs.remove(run)


def tell(text: str, *, indent: str = "") -> None:
    """Say something between questions, once."""
    once(lambda: say(text, indent=indent))


def once(act: Callable[[], None]) -> None:
    """Show something between questions, once."""
    if not (_runs and _runs[-1].kept):
        act()


def _answer(question: str, default: str | None, *, shows: bool, err: bool = False) -> str:
    run = _runs[-1] if _runs else _Run()
    given = run.kept.pop(0) if run.kept else str(typer.prompt(question, default=default, show_default=shows, err=err))
    run.typed.append(given)
    return given.strip()


def ask(question: str, read: Callable[[str], T], *, default: str | None = None, about: str = "") -> T:
    """Ask until ``read`` takes the answer; what it refuses is said, and asked again.

    An empty default may be taken by pressing Enter. ``about`` is what ``?`` shows.
    """
    run = _runs[-1] if _runs else _Run()
    while True:
        begun = len(run.typed)
        answer = _answer(question, default, shows=bool(default))
        try:
            if answer.casefold() == _BACK:
                if _runs:
                    raise Back
                say(_FIRST, indent="  ")
            elif answer == _HELP:
                _explain(about, default)
            else:
                value = read(answer)
                run.questions.append(begun)
                return value
        except InputError as error:
            for line in refusals(error):
                say(line, indent="  ", style="31")
        del run.typed[begun:]


def refusals(error: InputError) -> list[str]:
    """What was wrong, a line each, to somebody who just typed it: no option is named that nobody typed."""
    return [re.sub(r"^--[a-z-]+(?:,? |: )", "", line) for line in error_lines(error)]


def _explain(about: str, default: str | None) -> None:
    enter = {None: "", "": " Enter leaves it out."}.get(default, f" Enter takes {default}.")
    say(f"  {about or 'A few words.'}{enter}", indent="  ")
    say("  back goes to the question before; Ctrl-C stops.", indent="  ")


def ask_text(question: str, *, default: str | None = None, about: str = "") -> str:
    """Ask for words."""
    return ask(question, str, default=default, about=about)


def ask_yes(question: str) -> bool:
    """Ask yes or no; Enter is yes."""
    return ask(f"{question} [Y/n]", lambda answer: not answer or yes_no(answer, question), default="", about="y or n.")


def confirm_reading(question: str) -> bool:
    """Ask whether a value was meant as it is read here; on standard error, for the answer may go into a pipe."""
    while True:
        answer = _answer(f"{question} [Y/n]", "", shows=False, err=True)
        try:
            return not answer or yes_no(answer, "answer")
        except InputError as error:
            say(str(error), indent="  ", style="31")


def ask_choice(question: str, choices: Sequence[str], *, default: str | None = None) -> str:
    """Ask for one of several; its number or its first letters will do."""
    for number, choice in enumerate(choices, start=1):
        tell(f"  {number}  {choice}")

    def read(answer: str) -> str:
        if answer.isdigit() and 1 <= int(answer) <= len(choices):
            return choices[int(answer) - 1]
        close = [c for c in choices if c.lower() == answer.lower()] or [
            c for c in choices if answer and c.lower().startswith(answer.lower())
        ]
        if len(close) == 1:
            return close[0]
        raise InputError(question, repr(answer), f"1 to {len(choices)}, or its name", "Choose one of the list.")

    about = f"The number or the first letters of one of: {', '.join(choices)}."
    return ask(question, read, default=default, about=about)
