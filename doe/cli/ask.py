"""Asking at a terminal: a question is repeated until the answer can be used."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import typer

from doe.cli.terminal import error_lines, say
from doe.domain.errors import InputError

T = TypeVar("T")


def ask(question: str, read: Callable[[str], T], *, default: str | None = None) -> T:
    """Ask until ``read`` takes the answer; what it refuses is shown in one line.

    An empty default may be taken by pressing Enter.
    """
    while True:
        answer = str(typer.prompt(question, default=default, show_default=bool(default)))
        try:
            return read(answer.strip())
        except InputError as error:
            for line in error_lines(error):
                say(line, indent="  ", style="31")


def ask_text(question: str, *, default: str | None = None) -> str:
    """Ask for words."""
    return ask(question, str, default=default)


def ask_yes(question: str) -> bool:
    """Ask yes or no; Enter is yes."""
    return bool(typer.confirm(question, default=True))


def confirm_reading(question: str) -> bool:
    """Ask whether a value was meant as it is read here; on standard error, for the answer may go into a pipe."""
    return bool(typer.confirm(question, default=True, err=True))


def ask_choice(question: str, choices: Sequence[str], *, default: str | None = None) -> str:
    """Ask for one of several; its number or its first letters will do."""
    for number, choice in enumerate(choices, start=1):
        say(f"  {number}  {choice}")

    def read(answer: str) -> str:
        if answer.isdigit() and 1 <= int(answer) <= len(choices):
            return choices[int(answer) - 1]
        close = [c for c in choices if c.lower() == answer.lower()] or [
            c for c in choices if answer and c.lower().startswith(answer.lower())
        ]
        if len(close) == 1:
            return close[0]
        raise InputError(question, repr(answer), f"1 to {len(choices)}, or its name", "Choose one of the list.")

    return ask(question, read, default=default)
