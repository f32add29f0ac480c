"""The one family of errors a person may see, with the facts kept on the object."""

from __future__ import annotations

from collections.abc import Sequence

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


class InputErrors(InputError):
    """Every bad entry of one file or form at once.

    ``problems`` holds them all; the message shows the first ten and counts the rest.
    """

    SHOWN = 10

    def __init__(self, problems: Sequence[InputError]) -> None:
        if not problems:
            raise AssertionError("InputErrors needs at least one problem")
        self.problems = tuple(problems)
        first = self.problems[0]
        super().__init__(first.where, first.found, first.allowed, first.remedy)

    def __str__(self) -> str:
        lines = [str(problem) for problem in self.problems[: self.SHOWN]]
        rest = len(self.problems) - len(lines)
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
