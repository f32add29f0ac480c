"""A study as it is typed, in options, in answers at a terminal or on a page: read the same way everywhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from doe.domain.errors import InputError
from doe.domain.factors import DEFAULT_FACTORS
from doe.domain.stack import DEFAULT_OVEN, DEFAULT_PRESS, Line, Stack
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words import typed


@dataclass(frozen=True)
class StudyOptions:
    """A study as it is typed: the texts of the options of ``doe study new``, empty where nothing was said."""

    name: str = ""
    stack: str = ""
    line: str = ""
    factors: Sequence[str] = ()
    limits: Sequence[str] = ()
    forbid: Sequence[str] = ()
    hold: Sequence[str] = ()
    pass_rate: str | None = None
    hand_min: str | None = None
    assurance: str | None = None
    checks: Sequence[str] = ()
    fabric: str = ""
    film: str = ""
    powder: str = ""
    oven: str = ""
    press: str = ""

    @property
    def is_complete(self) -> bool:
        """Whether a study can be made of it without a question."""
        stack = self.fabric and self.film and self.powder if self.brings_stack else self.stack
        return bool(self.name and stack and (self.line or self.brings_line) and self.factors)

    @property
    def brings_stack(self) -> bool:
        """Whether the stack is new with this study."""
        return bool(self.fabric or self.film or self.powder)

    @property
    def brings_line(self) -> bool:
        """Whether the line is new with this study."""
        return bool(self.oven or self.press)

    def new_stack(self) -> Stack | None:
        """The stack that is new with this study; None where one of the book is meant."""
        if not self.brings_stack:
            return None
        fabric, film, powder = (
            typed.material(getattr(self, part), f"--{part}") for part in ("fabric", "film", "powder")
        )
        return Stack(self.stack or f"{fabric.name}, {powder.name}", fabric, film, powder)

    def new_line(self) -> Line | None:
        """The line that is new with this study, likewise."""
        if not self.brings_line:
            return None
        oven, press = self.oven or DEFAULT_OVEN.name, self.press or DEFAULT_PRESS.name
        machines = replace(DEFAULT_OVEN, name=oven), replace(DEFAULT_PRESS, name=press)
        return Line(self.line or f"{oven}, {press}", *machines)


@dataclass(frozen=True)
class SheetOptions:
    """A sheet of one's own as it is named at the command line, and how its columns, words and rows are read."""

    own_sheet: Path | None = None
    columns: Sequence[str] = ()
    word: Sequence[str] = ()
    leave_out: Sequence[str] = ()
    person: Sequence[str] = ()


def states_error(text: str) -> bool:
    """Whether the text of a factor states its setting error.

    >>> states_error("press_temp=140..170,sd=5"), states_error("press_temp=140..170,step=5")
    (True, False)
    """
    return any(part.partition("=")[0].strip().casefold() == "sd" for part in text.split(",")[1:])


def study_of(wanted: StudyOptions, shown: Shown) -> Study:
    """The study that was typed; the usual factors when none was named.

    Raises
    ------
    InputError
        If name, stack or line is missing, or a part cannot be read.
    """
    for option, text in (("NAME", wanted.name), ("--stack", wanted.stack), ("--line", wanted.line)):
        if not text:
            raise InputError(option, "nothing", "a value", 'Write: doe study new "a name" --stack STACK --line LINE.')
    factors = tuple(typed.factor(text, shown) for text in wanted.factors or DEFAULT_FACTORS)
    return Study(
        name=wanted.name,
        factors=factors,
        spec=typed.spec(wanted.pass_rate, wanted.hand_min, wanted.assurance, wanted.checks),
        limits=typed.limits(wanted.limits, None, shown) if wanted.limits else None,
        forbidden=typed.forbidden(wanted.forbid, factors, shown),
        held=typed.held(wanted.hold, shown),
    )
