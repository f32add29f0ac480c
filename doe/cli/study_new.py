"""`doe study new` and `amend`: a question with its factors, limits and target, and setting errors put right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from doe.acts.gauges.line import suggested_errors
from doe.acts.study.limits import missing
from doe.acts.study.new import new_study
from doe.acts.study.standing import standing_of
from doe.cli import study_words
from doe.cli.desk import Block, Desk, Reply, command
from doe.cli.study_questions import ask_missing
from doe.domain.errors import InputError, quoted
from doe.domain.study import Study
from doe.domain.units import Shown, show_difference
from doe.words.gauges.setting_errors import readings_say
from doe.words.study.typed import StudyOptions
from doe.words.typed import spread


@command("study new")
def new(desk: Desk, wanted: StudyOptions) -> Reply:
    """Start a study. What is not given is asked at a terminal, else the usual is taken and said."""
    with desk.open() as book:
        if desk.can_ask and not wanted.is_complete:
            wanted = ask_missing(book, wanted, desk.shown)
        made = new_study(book, wanted, desk.shown)
        record, study = made.record, made.record.study
        following = standing_of(book, record.id).steps[0]
    usual = (
        () if wanted.factors else ("No factor was named, so the four usual ones with their usual ranges are taken.",)
    )
    shown = study_words.describe(record, desk.shown)
    return Reply(
        {
            "id": record.id,
            "study": study,
            "stack": wanted.stack,
            "line": wanted.line,
            "missing_limits": missing(study),
            "setting_errors": list(made.measured.values()),
        },
        (f"Study {record.id}, {study.name}, is in the book.", *usual, *made.said, *shown),
        (study_words.step_command(study, following),),
        is_once=True,
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
    name, equals, size = (part.strip() for part in text.partition("="))
    numeric = [f.name for f in study.numeric]
    if not equals or name not in numeric:
        raise InputError(
            option, repr(text), f"one of {', '.join(numeric)}, and a size", f"Write {option} {numeric[0]}=4."
        )
    if option == "--trial-error" and size.lower() == "none":
        return name, None
    return name, spread(size, study.factor(name).unit, f"{option} {name}", shown)
