"""`doe study new` and `amend`: a question with its factors, limits and target, and setting errors put right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from doe.acts.gauges.line import suggested_errors
from doe.acts.study.limits import missing
from doe.acts.study.new import new_study
from doe.acts.study.standing import standing_of
from doe.cli import study_words
from doe.cli.ask import questions
from doe.cli.desk import Block, Desk, Reply, Warn, command
from doe.cli.study_questions import ask_missing
from doe.domain.errors import InputError, quoted
from doe.domain.study import Study
from doe.domain.units import Shown, show_difference
from doe.words.gauges.setting_errors import readings_say
from doe.words.study.plans import plan_notes
from doe.words.study.state import counts_sentence
from doe.words.study.typed import SheetOptions, StudyOptions
from doe.words.typed import pairs, setting, spread


@command("study new")
def new(desk: Desk, wanted: StudyOptions, sheet: SheetOptions) -> Reply:
    """Start a study. What is not given is asked at a terminal, else the usual is taken and said."""
    with desk.open() as book:
        done = None
        if sheet.own_sheet is not None:
            from doe.cli import own_sheet  # noqa: PLC0415 - whoever asks for help, or types a study, needs no frames

            made, done = own_sheet.begin(desk, book, wanted, sheet)
        else:
            if desk.can_ask and not wanted.is_complete:
                wanted = questions(partial(ask_missing, book, wanted, desk.shown))
            made = new_study(book, wanted, desk.shown)
        record, study = made.record, made.record.study
        following = standing_of(book, record.id).steps[0]
    is_usual = not wanted.factors and done is None
    usual = ("No factor was named, so the four usual ones with their usual ranges are taken.",) if is_usual else ()
    brought: tuple[Block, ...] = ()
    if done is not None:
        notes = plan_notes(done.notes, study, desk.shown)
        brought = (counts_sentence(done.counts), *map(Warn, notes), *done.judgement)
    shown = study_words.describe(record, desk.shown)
    return Reply(
        {
            "id": record.id,
            "study": study,
            "stack": record.stack.name,
            "line": record.line.name,
            "missing_limits": missing(study),
            "setting_errors": list(made.measured.values()),
            **({} if done is None else {"brought": {**vars(done), "notes": notes, "note_facts": done.notes}}),
        },
        (f"Study {record.id}, {study.name}, is in the book.", *usual, *brought, *made.said, *shown),
        (study_words.step_command(study, following),),
    )


@command("study amend")
def amend(desk: Desk, study: str, error: Sequence[str] = (), trial: Sequence[str] = (), why: str = "") -> Reply:
    """Change setting errors of a study, or show what its gauge readings suggest."""
    with desk.open(create=False) as book:
        record = book.study(study)
        changed = _changed(record.study, error, trial, desk.shown)
        is_new = changed != record.study
        if is_new:
            book.amend_study(record.id, changed, why)
        suggested = suggested_errors(book, record.line.name)
    said: list[Block] = [f"{record.name} is changed." if is_new else f"Nothing of {record.name} is changed."]
    for one in suggested.values():
        if one.factor in changed.factor_names:
            alone = (
                ""
                if one.trial_sd is None
                else (f"; {show_difference(one.trial_sd, desk.shown)} for a trial with every coupon at one place")
            )
            said.append(f"{one.factor}: {readings_say(one, desk.shown)}{alone}.")
    said.append(study_words.factor_table(changed.factors, desk.shown))
    return Reply(
        {
            "study": record.name,
            "changed": is_new,
            "factors": changed.factors,
            "setting_errors": list(suggested.values()),
        },
        said,
        (f"doe recommend {quoted(record.name)}",) if is_new else (),
    )


def _changed(study: Study, errors: Sequence[str], trials: Sequence[str], shown: Shown) -> Study:
    """The study with other setting errors."""
    changes: dict[str, dict[str, Any]] = {}
    for option, field, texts in (("--error", "setting_sd", errors), ("--trial-error", "trial_sd", trials)):
        for text in texts:
            name, size = _read(study, text, option, shown)
            if field in changes.setdefault(name, {}):
                raise InputError(f"{option} {name}", "two values", "one", "Keep the right one.")
            changes[name][field] = size
    factors = tuple(replace(f, **changes[f.name]) if f.name in changes else f for f in study.factors)
    return replace(study, factors=factors)


def _read(study: Study, text: str, option: str, shown: Shown) -> tuple[str, float | None]:
    allowed = f"one of {', '.join(f.name for f in study.numeric)}, and a size"
    ((called, size),) = pairs([text], option, f"{option} press_temp=4", allowed=allowed).items()
    name = setting(called, study.numeric, option)
    if option == "--trial-error" and size.lower() == "none":
        return name, None
    return name, spread(size, study.factor(name).unit, f"{option} {name}", shown)
