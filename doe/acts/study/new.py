"""Starting a study from what was typed, at a terminal or on a page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from doe.acts.gauges.line import suggested_errors
from doe.acts.study.limits import refuse_held
from doe.assure.gauges.summary import SuggestedError
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError
from doe.domain.factors import DEFAULT_FACTORS
from doe.domain.materials import material_bands
from doe.domain.stack import Stack
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.gauges.setting_errors import error_words
from doe.words.materials import check_notes, proposal_words
from doe.words.study.state import prior_told
from doe.words.study.typed import StudyOptions, names_range, states_error, study_of
from doe.words.wording import sentence


@dataclass(frozen=True)
class NewStudy:
    """A study that was stored, the setting errors ``measured`` on its line by factor, and what was ``said`` of each."""

    record: StudyRecord
    measured: Mapping[str, SuggestedError]
    said: Sequence[str]


def new_study(book: Book, wanted: StudyOptions, shown: Shown) -> NewStudy:
    """Store the study that was typed, with a stack and a line that are new with it.

    Setting errors that nobody stated come from the readings of its line.

    Raises
    ------
    InputError
        If something is missing or cannot be read, or a held setting breaks a limit.
    """
    stack, line = wanted.new_stack(shown), wanted.new_line()
    wanted = replace(wanted, stack=stack.name if stack else wanted.stack, line=line.name if line else wanted.line)
    with book.writing():
        if stack is not None:
            book.save_stack(stack)
        if line is not None:
            book.save_line(line)
        return _new(book, wanted, shown)


def _new(book: Book, wanted: StudyOptions, shown: Shown) -> NewStudy:
    stack = book.stack(wanted.stack) if wanted.stack else None
    study = study_of(wanted, shown, stack)
    measured = suggested_errors(book, wanted.line)
    study, said = _with_measured_errors(study, wanted.factors, measured, shown)
    refuse_held(study)
    number = book.add_study(study, stack=wanted.stack, line=wanted.line)
    record = book.study(number)
    if wanted.earlier:
        from doe.acts.study.earlier import lend_earlier  # noqa: PLC0415 - a study without one needs no frames

        said.append(sentence(prior_told(lend_earlier(book, record, wanted.earlier, wanted.discount).lent)))
    elif wanted.discount is not None:
        raise InputError("--discount", wanted.discount, "--earlier with it", "Say whose coupons count for so much.")
    return NewStudy(record, measured, [*_by_materials(study, stack, wanted, shown), *said])


def _by_materials(study: Study, stack: Stack | None, wanted: StudyOptions, shown: Shown) -> Iterator[str]:
    """What was taken for the materials: ranges and looks that nobody typed."""
    if stack is None:
        return
    bands, texts = material_bands(stack), wanted.factors or DEFAULT_FACTORS
    names = [f.name for f, text in zip(study.factors, texts, strict=True) if not names_range(text)]
    if words := proposal_words({name: bands[name] for name in names if name in bands}, shown):
        yield words
    if not wanted.checks:
        yield from check_notes(stack)


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
