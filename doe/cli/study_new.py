"""`doe study new`, `amend` and `copy`: a question with its factors, limits and target, put right or asked again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial

from doe.acts.gauges.line import suggested_errors
from doe.acts.study.change import change_study, copy_study
from doe.acts.study.limits import missing
from doe.acts.study.new import new_study
from doe.acts.study.standing import standing_of
from doe.assure.gauges.summary import SuggestedError
from doe.cli import study_words
from doe.cli.ask import questions
from doe.cli.desk import Block, Desk, Reply, Warn, command
from doe.cli.study_questions import ask_missing
from doe.domain.limits import LIMIT_OPTIONS
from doe.domain.study import Study
from doe.domain.units import Shown, show_difference
from doe.words.gauges.setting_errors import readings_say
from doe.words.study.changes import study_changes
from doe.words.study.plans import plan_notes
from doe.words.study.state import counts_sentence
from doe.words.study.typed import SheetOptions, StudyChanges, StudyOptions, changed_study
from doe.words.wording import listing, verb


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
        is_once=True,
    )


@command("study amend")
def amend(desk: Desk, study: str, wanted: StudyChanges, why: str = "") -> Reply:
    """Change the name, ranges, errors, target or limits of a study, or show what its gauge readings suggest."""
    with desk.open(create=False) as book:
        record = book.study(study)
        done = change_study(book, record.id, changed_study(record.study, wanted, desk.shown), why)
        changed = done.record.study
        suggested = suggested_errors(book, record.line.name)
        following = standing_of(book, record.id).steps[0]
    is_new = changed != done.was
    said: list[Block] = [f"{changed.name} is changed." if is_new else f"Nothing of {record.name} is changed."]
    said += [*study_words.change_blocks(done, desk.shown)]
    if wanted.error or wanted.trial or not is_new:
        said += [*_suggestions(suggested, changed, desk.shown), study_words.factor_table(changed.factors, desk.shown)]
    return Reply(
        {
            "study": changed.name,
            "changed": is_new,
            "changes": study_changes(done.was, changed, desk.shown),
            "factors": changed.factors,
            "setting_errors": list(suggested.values()),
            "outside": done.said,
            "recipes_in_doubt": [k.recipe.name for k in done.in_doubt],
        },
        said,
        (study_words.step_command(changed, following),) if is_new else (),
    )


def _suggestions(suggested: Mapping[str, SuggestedError], study: Study, shown: Shown) -> Iterator[str]:
    for one in suggested.values():
        if one.factor in study.factor_names:
            alone = (
                ""
                if one.trial_sd is None
                else (f"; {show_difference(one.trial_sd, shown)} for a trial with every coupon at one place")
            )
            yield f"{one.factor}: {readings_say(one, shown)}{alone}."


@command("study copy")
def copy(desk: Desk, study: str, name: str, stack: str = "", line: str = "") -> Reply:
    """Start a study with the question of another, for the next material; no coupon or score goes over."""
    with desk.open(create=False) as book:
        done = copy_study(book, study, name, stack=stack, line=line)
        following = standing_of(book, done.record.id).steps[0]
    record, left = done.record, [LIMIT_OPTIONS[limit] for limit in done.left]
    said = (
        f"{listing(left)} {verb(len(left), 'is', 'are')} not taken over: read the data sheet of the other material."
        if left
        else "Every limit is taken over: see whether the data sheets are still the same."
    )
    return Reply(
        {"id": record.id, "study": record.study, "stack": record.stack.name, "line": record.line.name, "left": left},
        (
            f"Study {record.id}, {record.name}, asks the same on {record.stack.name}, {record.line.name}.",
            said,
            *study_words.describe(record, desk.shown),
        ),
        (study_words.step_command(record.study, following),),
    )
