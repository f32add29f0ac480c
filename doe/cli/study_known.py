"""`doe study known`: settings that are known, kept to be confirmed without a search."""

from __future__ import annotations

from doe.acts.study.known import keep_known
from doe.acts.study.limits import missing
from doe.acts.study.standing import standing_of
from doe.cli import study_words
from doe.cli.desk import Desk, Reply, command
from doe.words.study.typed import KnownOptions


@command("study known")
def known(desk: Desk, wanted: KnownOptions) -> Reply:
    """Keep settings that are known (a maker's sheet, another line's recipe), to be confirmed without a search."""
    with desk.open() as book:
        record = keep_known(book, wanted, desk.shown)
        following = standing_of(book, record.id).steps[0]
    study = record.study
    return Reply(
        {
            "id": record.id,
            "study": study,
            "stack": record.stack.name,
            "line": record.line.name,
            "settings": study.settings,
            "source": study.known,
            "missing_limits": missing(study),
        },
        (f"Study {record.id}, {study.name}, is in the book.", *study_words.describe(record, desk.shown)),
        (study_words.step_command(study, following),),
        is_once=True,
    )
