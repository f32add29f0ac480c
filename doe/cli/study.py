"""`doe study list`, `show`, `limits`, `archive` and `restore`: what needs no numerics."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from doe.acts.study.change import change_study
from doe.acts.study.limits import held_beyond, missing
from doe.acts.study.rounds import confirmation_counts, score_counts
from doe.acts.study.standing import standing_of, verdicts_of
from doe.cli import study_words
from doe.cli.ask import questions
from doe.cli.desk import Desk, Reply, Table, Warn, command
from doe.cli.study_questions import ask_limits
from doe.domain.errors import quoted
from doe.domain.jsonable import named
from doe.words import typed
from doe.words.study.standing import headline, meaning
from doe.words.study.state import counts_sentence
from doe.words.wording import count, day


@command("study list")
def list_studies(desk: Desk, archived: bool = False) -> Reply:
    """List the studies, newest first, with what is scored and what is known of them."""
    with desk.look() as book:
        found = book.studies(include_archived=archived)
        known = [headline(standing_of(book, s.id), desk.shown) for s in found]
    if not found:
        return Reply({"studies": []}, ("No study is in the book yet.",), ("doe study new --help",))
    rows = [
        (
            str(s.id),
            s.name + (" (put away)" if s.archived else ""),
            s.stack,
            s.line,
            f"{s.scored}/{s.coupons}",
            str(s.rounds),
            said,
        )
        for s, said in zip(found, known, strict=True)
    ]
    heads = ("no.", "study", "stack", "line", "scored", "rounds", "standing")
    table = Table(heads, rows, right=("no.", "scored", "rounds"), is_list=True)
    return Reply(
        {"studies": [{**vars(s), "standing": said} for s, said in zip(found, known, strict=True)]},
        (f"{count(len(found), 'study', 'studies')}.", table),
        (f"doe study show {quoted(found[0].name)}",),
    )


@command("study show")
def show(desk: Desk, study: str) -> Reply:
    """Show a study: factors, target, limits, rounds, scores so far."""
    with desk.look() as book:
        record = book.study(study)
        info = book.plan_info(record.id)
        counts = score_counts(book, record.id)
        apart = confirmation_counts(book, record.id)
        attempts = verdicts_of(book, record.id)
        known = standing_of(book, record.id)
    state = [f"Round {r.round}: {count(r.coupons, 'coupon')}, {r.kind}, made {day(r.made_at)}." for r in info.rounds]
    judging = [] if apart is None else [f"Confirmation: {counts_sentence(apart)}"]
    judging += [f"Confirmation {number}: {verdict}." for number, verdict in attempts]
    return Reply(
        {
            **named(record, "id", "study", "stack", "line", "archived"),
            "rounds": info.rounds,
            "counts": counts,
            "confirmation_counts": apart,
            "confirmations": [verdict for _, verdict in attempts],
            "missing_limits": missing(record.study),
            "standing": study_words.standing_data(known, desk.shown),
        },
        (
            f"Study {record.id}, {record.name}: {record.stack.name} on {record.line.name}.",
            f"{headline(known, desk.shown)}. {meaning(known, desk.shown)}",
            *state,
            *((counts_sentence(counts),) if counts.coupons or not judging else ()),
            *judging,
            *study_words.describe(record, desk.shown),
        ),
        (study_words.step_command(record.study, known.steps[0]),),
    )


@command("study limits")
def limits(desk: Desk, study: str, limit: Sequence[str] = (), why: str = "") -> Reply:
    """Show or set the limits from the makers' data sheets. No plan is made without them."""
    with desk.open(create=False) as book:
        record = book.study(study)
        found = record.study.limits
        if limit:
            found = typed.limits(limit, found, desk.shown)
        elif desk.can_ask and missing(record.study):
            found = typed.limits(questions(partial(ask_limits, record.study, desk.shown)), found, desk.shown)
        done = change_study(book, record.id, record.study.with_limits(found), why)
        changed = done.record.study
        following = study_words.step_command(changed, standing_of(book, record.id).steps[0])
    table = study_words.limits_table(changed, desk.shown)
    absent = missing(changed)
    said = f"{count(len(absent), 'limit')} still missing." if absent else "Every limit is known."
    held = () if (broken := held_beyond(changed)) is None else (Warn(str(broken)),)
    return Reply(
        {
            "study": record.name,
            "limits": changed.limits,
            "missing_limits": absent,
            "outside": done.said,
            "recipes_in_doubt": [k.recipe.name for k in done.in_doubt],
        },
        (said, *study_words.change_blocks(done, desk.shown), *held, table),
        (following,),
    )


@command("study archive")
def archive(desk: Desk, study: str, why: str) -> Reply:
    """Put a study away; nothing of it is deleted."""
    with desk.open(create=False) as book:
        name = book.study(study).name
        book.archive_study(study, why)
    return Reply(
        {"archived": name, "why": why},
        (f"{name} is put away. Nothing of it is deleted.",),
        (f'doe study restore {quoted(name)} --why "..."',),
    )


@command("study restore")
def restore(desk: Desk, study: str, why: str) -> Reply:
    """Take a study out again that was put away."""
    with desk.open(create=False) as book:
        name = book.study(study).name
        book.restore_study(study, why)
    return Reply({"restored": name, "why": why}, (f"{name} is back.",), (f"doe study show {quoted(name)}",))
