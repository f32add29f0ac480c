"""Starting a study from what was typed, at a terminal or on a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from doe.acts.gauges.line import suggested_errors
from doe.acts.study.limits import refuse_held
from doe.assure.gauges.summary import SuggestedError
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError
from doe.domain.factors import DEFAULT_FACTORS
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words import typed
from doe.words.gauges.setting_errors import error_words


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


@dataclass(frozen=True)
class NewStudy:
    """A study that was stored, the setting errors ``measured`` on its line by factor, and what was ``said`` of each."""

    record: StudyRecord
    measured: Mapping[str, SuggestedError]
    said: Sequence[str]


def new_study(book: Book, wanted: StudyOptions, shown: Shown) -> NewStudy:
    """Store the study that was typed; setting errors that nobody stated come from the readings of its line.

    Raises
    ------
    InputError
        If something is missing or cannot be read, or a held setting breaks a limit.
    """
    study = study_of(wanted, shown)
    measured = suggested_errors(book, wanted.line)
    study, said = _with_measured_errors(study, wanted.factors, measured, shown)
    refuse_held(study)
    number = book.add_study(study, stack=wanted.stack, line=wanted.line)
    return NewStudy(book.study(number), measured, said)


def _with_measured_errors(
    study: Study, stated_factors: Sequence[str], found: Mapping[str, SuggestedError], shown: Shown
) -> tuple[Study, list[str]]:
    """The study with the setting errors that gauge readings tell where none was stated, and a sentence for each."""
    factors, said = [], []
    stated = [states_error(text) for text in stated_factors or DEFAULT_FACTORS]
    for f, is_stated in zip(study.factors, stated, strict=True):
        one = found.get(f.name)
        taken = replace(f, setting_sd=one.sd) if one is not None and one.is_measured and not is_stated else f
        factors.append(taken)
        if one is not None:
            said.append(error_words(one, taken, is_stated, shown))
    return replace(study, factors=tuple(factors)), said
