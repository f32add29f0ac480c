"""A study as it is typed, in options, in answers at a terminal or on a page: read the same way everywhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from doe.domain.errors import InputError
from doe.domain.factors import DEFAULT_FACTORS
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

    @property
    def is_complete(self) -> bool:
        """Whether a study can be made of it without a question."""
        return bool(self.name and self.stack and self.line and self.factors)


def states_error(text: str) -> bool:
    """Whether the text of a factor states its setting error.

    >>> states_error("press_temp=140..170,sd=5"), states_error("press_temp=140..170,step=5")
    (True, False)
    """
    return any(part.partition("=")[0].strip() == "sd" for part in text.split(",")[1:])


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
        forbidden=typed.forbidden(wanted.forbid, factors),
        held=typed.held(wanted.hold, shown),
    )
