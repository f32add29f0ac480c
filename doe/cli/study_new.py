"""`doe study new`: a question, its stack and line, factors, limits, and what counts as a pass."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from doe.acts.gauges.line import suggested_errors
from doe.acts.study.limits import missing, refuse_held
from doe.acts.study.next_step import next_step
from doe.assure.gauges.summary import SuggestedError
from doe.cli import study_words
from doe.cli.desk import Desk, command
from doe.cli.output import Reply
from doe.cli.study_questions import StudyOptions, ask_missing, states_error, study_of
from doe.domain.factors import DEFAULT_FACTORS
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.gauges.setting_errors import error_words


@command("study new")
def new(desk: Desk, wanted: StudyOptions) -> Reply:
    """Start a study. What is not given is asked at a terminal, else the usual is taken and said."""
    with desk.open() as book:
        if desk.can_ask and not wanted.is_complete:
            wanted = ask_missing(book, wanted, desk.shown)
        study = study_of(wanted, desk.shown, confirm=desk.confirm)
        suggested = suggested_errors(book, wanted.line)
        study, errors = _with_measured_errors(study, wanted.factors, suggested, desk.shown)
        refuse_held(study)
        number = book.add_study(study, stack=wanted.stack, line=wanted.line)
        record, following = book.study(number), next_step(book, number)
    usual = (
        () if wanted.factors else ("No factor was named, so the four usual ones with their usual ranges are taken.",)
    )
    shown = study_words.describe(record, desk.shown)
    return Reply(
        {
            "id": number,
            "study": study,
            "stack": wanted.stack,
            "line": wanted.line,
            "missing_limits": missing(study),
            "setting_errors": list(suggested.values()),
        },
        (f"Study {number}, {study.name}, is in the book.", *usual, *errors, *shown),
        (study_words.step_command(study, following),),
    )


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
