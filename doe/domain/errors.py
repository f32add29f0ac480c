"""The one family of errors a person may see, with the facts kept on the object, and what a typed text may hold."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Iterable, Sequence
from typing import SupportsIndex

LONGEST_PART = 300
"""Characters of what was found, or where, in a message; the whole of it stays on the error."""


class DoeError(Exception):
    """Base of every error this tool raises on purpose."""


class InputError(DoeError, ValueError):
    """Something a person can correct.

    The four facts stay on the object, so that the terminal, a page and ``--json`` show the same.

    Parameters
    ----------
    where : str
        File, row and column, or the option, in the user's words.
    found : object
        What was there.
    allowed : str
        What would have been taken.
    remedy : str
        What to do about it, a full sentence.

    Examples
    --------
    >>> print(InputError("hand_ana", 6, "1 to 5 in half steps", "Correct the score."))
    hand_ana: found 6; allowed: 1 to 5 in half steps. Correct the score.
    """

    def __init__(self, where: str, found: object, allowed: str, remedy: str) -> None:
        self.where = where
        self.found = found
        self.allowed = allowed
        self.remedy = remedy
        super().__init__(f"{_one_line(where)}: found {_one_line(found)}; allowed: {allowed}. {remedy}")

    def __reduce__(self) -> tuple[object, ...]:
        """How it is sent to another process: as it is, of whatever kind, without being made anew from its facts."""
        return type(self).__new__, (type(self), *self.args), self.__dict__


class InputErrors(InputError):
    """Every bad entry of one file or form at once.

    ``problems`` holds them all; the message shows the first ten and counts the rest. ``said`` is said for them instead,
    a line each, where several are alike.
    """

    SHOWN = 10

    def __init__(self, problems: Sequence[InputError], said: Sequence[str] = ()) -> None:
        if not problems:
            raise AssertionError("InputErrors needs at least one problem")
        self.problems, self.said = tuple(problems), tuple(said)
        first = self.problems[0]
        super().__init__(first.where, first.found, first.allowed, first.remedy)

    def __str__(self) -> str:
        every = self.said or tuple(map(str, self.problems))
        lines = list(every[: self.SHOWN])
        rest = len(every) - len(lines)
        if rest:
            lines.append(f"... and {rest} more like these.")
        return "\n".join(lines)


def _one_line(said: object) -> str:
    """What was there may be anything: in a message it is one line, not too long, and no terminal obeys it."""
    words = " ".join("".join(c if c.isprintable() or c.isspace() else "?" for c in str(said)).split())
    return words if len(words) <= LONGEST_PART else f"{words[: LONGEST_PART // 2]} ... {words[-20:]}"


def plain(value: float) -> str:
    """Number as a person writes it: ``12``, ``0.95``, ``1.5``."""
    return f"{value:.6g}"


NAME_LENGTH, LINE_LENGTH, NOTE_LENGTH = 120, 400, 4000
"""Longest name, longest line of words and longest note, in characters."""

# Signs a terminal obeys, signs that turn the order of the letters after them round, and halves of letters. They do
# not show, so a text with one does not say what it seems to say.
_HIDDEN = "\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff\ud800-\udfff"
_FORMULA = ("=", "+", "-", "@")
_IN_LINE = re.compile(f"[{_HIDDEN}\t\n]")
_IN_NOTE = re.compile(f"[{_HIDDEN}]")


def check_line(text: object, where: str, *, longest: int = LINE_LENGTH, in_cells: bool = False) -> None:
    """Refuse what is not words on one line.

    Parameters
    ----------
    text : object
        What was given; an empty text is fine.
    where : str
        The field, in the user's words.
    longest : int
        Characters.
    in_cells : bool
        Whether it will stand in a cell of its own in a file that spreadsheets open: then it must not start like a
        formula.

    Raises
    ------
    InputError
        If it is no text, too long, of several lines, or holds signs that do not show.
    """
    _check(text, where, longest, _IN_LINE, "words on one line, without control characters")
    if in_cells and str(text).lstrip()[:1] in _FORMULA:
        raise InputError(
            where, repr(text), "words that do not start with =, +, - or @", "A spreadsheet takes those for a formula."
        )


def check_lines(texts: Iterable[tuple[str, object]], *, longest: int = LINE_LENGTH) -> None:
    """`check_line` for several fields, each with its place."""
    for where, text in texts:
        check_line(text, where, longest=longest)


def check_note(text: object, where: str) -> None:
    """Refuse what is not words; several lines are fine.

    Raises
    ------
    InputError
        If it is no text, longer than `NOTE_LENGTH`, or holds signs that do not show.
    """
    # a workbook ends a line with both signs, older systems with the first
    plain = re.sub("\r\n?", "\n", text) if isinstance(text, str) else text
    _check(plain, where, NOTE_LENGTH, _IN_NOTE, "words without control characters")


def _check(text: object, where: str, longest: int, refused: re.Pattern[str], allowed: str) -> None:
    if not isinstance(text, str):
        raise InputError(where, repr(text), "words", "Write it as text.")
    if len(text) > longest:
        raise InputError(where, f"{len(text)} characters", f"at most {longest}", "Shorten it.")
    odd = refused.search(text)
    if odd is not None:
        sign = f"U+{ord(odd[0]):04X}"
        raise InputError(where, f"{text[:40]!r} with the sign {sign}", allowed, "Type it again without that sign.")


def quoted(name: str) -> str:
    """Name or path as it is typed at a command line: in quotes when it needs them.

    These lines are there to be copied, so a name from another shop's book must not make a shell do anything.
    """
    if re.sub(r"[-_./:]", "", name).isalnum():
        return name
    if os.name != "nt" and re.search(r'["$`\\!]', name):
        return shlex.quote(name)
    return '"' + name.replace('"', "'") + '"'


MOST_SEED = 2**63 - 1  # what every database can keep


def check_seed(seed: object) -> None:
    """Refuse what cannot be a seed.

    Raises
    ------
    InputError
        Unless it is a whole number from 0 to 2^63 - 1.
    """
    if not isinstance(seed, SupportsIndex) or not 0 <= seed.__index__() <= MOST_SEED:
        raise InputError("seed", repr(seed), "a whole number from 0 to 2^63 - 1", "Choose another number.")
