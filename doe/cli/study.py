"""`doe study`: one tuning question for one stack on one line."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from doe.acts.confirmation.verdict import confirmation_of
from doe.acts.gauges.line import suggested_errors
from doe.acts.study.counts import confirmation_counts, score_counts
from doe.acts.study.limits import missing, refuse_held
from doe.acts.study.next_step import next_step
from doe.cli import study_amend, study_words
from doe.cli.desk import Desk, command, group
from doe.cli.output import Reply, Table, Warn
from doe.cli.study_questions import StudyOptions, ask_limits, ask_missing, study_of, with_measured_errors
from doe.domain.plan_kinds import CONFIRMATION, CONFIRMATION_PLAN
from doe.domain.texts import quoted
from doe.words import typed
from doe.words.wording import count, day_of

app = group("study", "Studies: one tuning question for one stack on one line.")

KEY = Annotated[str, typer.Argument(metavar="STUDY", help="Name or number of the study.")]
LIMIT_HELP = 'Repeat: NAME=VALUE@SOURCE, such as "film_max=175@film data sheet".'


@command(
    app,
    "new",
    example="""
    doe study new "new powder" --stack tee-fine --line back-room \\
      --factor cure_temp=110..140,sd=4 --factor cure_time=90..210 \\
      --factor press_temp=140..170,sd=5 --factor dwell=8..20 --hold pressure=3bar \\
      --forbid "cure_temp >= 138 and cure_time >= 200; film curls"
""",
)
def new(
    desk: Desk,
    name: Annotated[str | None, typer.Argument(help="The question in a few words.")] = None,
    stack: Annotated[str | None, typer.Option(help="The stack, from doe stack list.")] = None,
    line: Annotated[str | None, typer.Option(help="The line, from doe line list.")] = None,
    factors: Annotated[
        list[str] | None,
        typer.Option(
            "--factor",
            help="Repeat: NAME=LOW..HIGH,sd=SETTING ERROR,trial=THE SAME WHILE TESTING, or film_type=hot/cold.",
        ),
    ] = None,
    limits: Annotated[list[str] | None, typer.Option("--limit", help=LIMIT_HELP)] = None,
    forbid: Annotated[
        list[str] | None, typer.Option("--forbid", help='Repeat: "cure_temp >= 135 and cure_time >= 180; reason".')
    ] = None,
    hold: Annotated[
        list[str] | None, typer.Option("--hold", help="Repeat: a constant setting, such as pressure=40psi.")
    ] = None,
    pass_rate: Annotated[str | None, typer.Option(help="Share of prints that must pass, 0.95 or 95%.")] = None,
    hand_min: Annotated[str | None, typer.Option(help="Least mean hand-feel, 1 to 5, or none.")] = None,
    assurance: Annotated[str | None, typer.Option(help="How sure statements are meant to be, 0.90 or 90%.")] = None,
    checks: Annotated[
        list[str] | None, typer.Option("--check", help='Repeat: release, or "wash_3@3=sound after 3 washes".')
    ] = None,
) -> Reply:
    """Start a study. What is not given is asked at a terminal, else the usual is taken and said."""
    wanted = StudyOptions(
        name or "",
        stack or "",
        line or "",
        factors or (),
        limits or (),
        forbid or (),
        hold or (),
        pass_rate,
        hand_min,
        assurance,
        checks or (),
    )
    with desk.open() as book:
        if desk.can_ask and not wanted.is_complete:
            wanted = ask_missing(book, wanted, desk.shown)
        study = study_of(wanted, desk.shown, can_ask=desk.can_ask)
        suggested = suggested_errors(book, wanted.line)
        study, errors = with_measured_errors(study, wanted, suggested, desk.shown)
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


@command(app, "list", example="doe study list")
def list_studies(
    desk: Desk, archived: Annotated[bool, typer.Option("--archived", help="Show those put away as well.")] = False
) -> Reply:
    """List the studies, newest first, with what is scored and the last verdict."""
    with desk.look() as book:
        found = book.studies(include_archived=archived)
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
            s.verdict or "none yet",
        )
        for s in found
    ]
    table = Table(
        ("no.", "study", "stack", "line", "scored", "rounds", "verdict"), rows, right=("no.", "scored", "rounds")
    )
    return Reply(
        {"studies": found},
        (f"{count(len(found), 'study', 'studies')}.", table),
        (f"doe study show {quoted(found[0].name)}",),
    )


@command(app, "show", example='doe study show "new powder"')
def show(desk: Desk, study: KEY) -> Reply:
    """Show a study: factors, target, limits, rounds, scores so far."""
    with desk.look() as book:
        record = book.study(study)
        info = book.plan_info(record.id)
        counts = score_counts(book, record.id)
        apart = confirmation_counts(book, record.id)
        told = (CONFIRMATION, CONFIRMATION_PLAN)  # by the confirmations themselves, one by one
        verdicts = [a for a in book.analyses(record.id) if a.verdict and a.kind not in told]
        judged = None
        if apart is not None:  # only then the numerics are needed
            judged = confirmation_of(book, record.id)
        following = next_step(book, record.id)
    state = [f"Round {r.round}: {count(r.coupons, 'coupon')}, {r.kind}, made {day_of(r.made_at)}." for r in info.rounds]
    judging = [] if apart is None else [f"Confirmation: {apart.sentence}"]
    if judged is not None:
        judging += [f"Confirmation {a.plan.attempt}: {a.verdict}." for a in judged.attempts]
    last = [f"Last verdict: {verdicts[-1].verdict} ({day_of(verdicts[-1].made_at)})."] if verdicts else []
    return Reply(
        {
            "id": record.id,
            "study": record.study,
            "stack": record.stack,
            "line": record.line,
            "rounds": info.rounds,
            "counts": counts,
            "confirmation_counts": apart,
            "confirmations": [a.verdict for a in judged.attempts] if judged else [],
            "archived": record.archived,
            "missing_limits": missing(record.study),
        },
        (
            f"Study {record.id}, {record.name}: {record.stack.name} on {record.line.name}.",
            *state,
            counts.sentence,
            *judging,
            *last,
            *study_words.describe(record, desk.shown),
        ),
        (study_words.step_command(record.study, following),),
    )


@command(
    app,
    "limits",
    example="""
    doe study limits "new powder" --limit "film_max=175@film data sheet" \\
      --limit "powder_max=180@powder data sheet" --limit fabric_max=180 \\
      --limit oven_max=190 --limit press_max=190 --limit min_cure_time=60 \\
      --limit "min_dwell=5@film data sheet"
""",
)
def limits(
    desk: Desk,
    study: KEY,
    limit: Annotated[list[str] | None, typer.Option("--limit", help=LIMIT_HELP)] = None,
    why: Annotated[str, typer.Option(help="Why, for the record.")] = "limits from the data sheets",
) -> Reply:
    """Show or set the limits from the makers' data sheets. No plan is made without them."""
    with desk.open(create=False) as book:
        record = book.study(study)
        found = record.study.limits
        if limit:
            found = typed.limits(limit, found, desk.shown, can_ask=desk.can_ask)
        elif desk.can_ask and missing(record.study):
            found = typed.limits(ask_limits(record.study, desk.shown), found, desk.shown)
        changed = replace(record.study, limits=found)
        if changed != record.study:
            refuse_held(changed)
            book.amend_study(record.id, changed, why)
        following = next_step(book, record.id)
    table = study_words.limits_table(changed, desk.shown)
    absent = missing(changed)
    said: tuple[str | Warn, ...] = (
        (f"{count(len(absent), 'limit')} still missing.",) if absent else ("Every limit is known.",)
    )
    return Reply(
        {"study": record.name, "limits": changed.limits, "missing_limits": absent},
        (*said, table),
        (study_words.step_command(changed, following),),
    )


@command(app, "archive", example='doe study archive "new powder" --why "made twice by mistake"')
def archive(desk: Desk, study: KEY, why: Annotated[str, typer.Option(help="Why it is put away.")]) -> Reply:
    """Put a study away; nothing of it is deleted."""
    with desk.open(create=False) as book:
        name = book.study(study).name
        book.archive_study(study, why)
    return Reply(
        {"archived": name, "why": why},
        (f"{name} is put away. Nothing of it is deleted.",),
        (f'doe study restore {quoted(name)} --why "..."',),
    )


@command(app, "restore", example='doe study restore "new powder" --why "needed after all"')
def restore(desk: Desk, study: KEY, why: Annotated[str, typer.Option(help="Why it is taken out again.")]) -> Reply:
    """Take a study out again that was put away."""
    with desk.open(create=False) as book:
        name = book.study(study).name
        book.restore_study(study, why)
    return Reply({"restored": name, "why": why}, (f"{name} is back.",), (f"doe study show {quoted(name)}",))


def register(root: typer.Typer) -> None:
    """Add the group to the command tree."""
    study_amend.register(app)
    root.add_typer(app)
