"""Studies: found by name or number, corrected by a later row, put away and never deleted."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from doe.book.definitions import find_line, find_stack
from doe.book.history import is_current, unknown
from doe.book.records import StudyRecord, StudySummary
from doe.book.store import Writing, new_id
from doe.book.tables import acts, analyses, coupons, entries, lines, rounds, stacks, studies, study_entries
from doe.book.text import from_text, moment_of, to_text
from doe.domain.errors import InputError
from doe.domain.plan_kinds import CONFIRM, CONFIRMATION, CONFIRMATION_PLAN
from doe.domain.serial import line_from, stack_from, study_from
from doe.domain.study import Study

Key = str | int
_NO_ID = 2**31  # larger than any id; what a database cannot hold it cannot look for either


def find(connection: sa.Connection, key: Key) -> sa.Row[Any]:
    """Current row of a study by id or name: study_id, name, data, stack_id, line_id, archived, id.

    A name means the study in use; where there is none, the archived one of that name that was made last. Text that
    is no name may be a number.

    Raises
    ------
    InputError
        If there is no such study; it lists close names.
    """
    current = sa.select(study_entries).where(is_current(study_entries))
    found = None
    if isinstance(key, str):
        found = connection.execute(
            current.where(study_entries.c.name == key.strip())
            .order_by(study_entries.c.archived, study_entries.c.study_id.desc())
            .limit(1)
        ).one_or_none()
    number = int(key) if isinstance(key, int) or key.strip().isdecimal() else 0
    if found is None and 0 < number < _NO_ID:
        found = connection.execute(current.where(study_entries.c.study_id == number)).one_or_none()
    if found is None:
        names = connection.scalars(
            sa.select(study_entries.c.name)
            .where(is_current(study_entries), sa.not_(study_entries.c.archived))
            .order_by(study_entries.c.study_id.desc())
        )
        raise unknown("study", key, names, "Check the name or number in the list of studies.")
    return found


def find_open(connection: sa.Connection, key: Key) -> sa.Row[Any]:
    """Current row of a study that is not archived."""
    row = find(connection, key)
    if row.archived:
        raise InputError(f"study {row.name}", "an archived study", "a study in use", "Restore it first.")
    return row


def add(writing: Writing, study: Study, *, stack: str, line: str) -> int:
    """Keep a new study; returns its id."""
    connection = writing.connection
    stack_id, _ = find_stack(connection, stack)
    line_id, _ = find_line(connection, line)
    _check_name(connection, study.name)
    study_id = new_id(connection, studies.insert().values(made_at=writing.at))
    act = writing.act("add study", study.name, rows=1, study_id=study_id)
    connection.execute(
        study_entries.insert().values(
            study_id=study_id,
            name=study.name.strip(),
            data=to_text(study),
            stack_id=stack_id,
            line_id=line_id,
            archived=False,
            act_id=act,
        )
    )
    return study_id


def _check_name(connection: sa.Connection, name: str, but: int = -1) -> None:
    taken = connection.scalar(
        sa.select(study_entries.c.study_id).where(
            study_entries.c.name == name.strip(),
            sa.not_(study_entries.c.archived),
            is_current(study_entries),
            study_entries.c.study_id != but,
        )
    )
    if taken is not None:
        raise InputError(
            "study name",
            repr(name),
            "a name that no study in use has",
            f"Choose another name, or archive study {taken} first.",
        )


def amend(writing: Writing, key: Key, study: Study, why: str, *, stack: str | None, line: str | None) -> None:
    """Correct a study; what was scored must still fit.

    Raises
    ------
    InputError
        If there is no why, the name is taken, or coupons exist and factors or scored checks would be lost.
    """
    connection = writing.connection
    row = find_open(connection, key)
    stack_id = find_stack(connection, stack)[0] if stack is not None else row.stack_id
    line_id = find_line(connection, line)[0] if line is not None else row.line_id
    data = to_text(study)
    if (data, stack_id, line_id) == (row.data, row.stack_id, row.line_id):
        return
    _check_name(connection, study.name, but=row.study_id)
    _check_fits(connection, row.study_id, study_from(from_text(row.data)), study)
    _follow(writing, row, "amend study", why, name=study.name.strip(), data=data, stack_id=stack_id, line_id=line_id)


def _check_fits(connection: sa.Connection, study_id: int, old: Study, new: Study) -> None:
    kept = {(f.name, f.unit, f.is_categorical) for f in old.factors}
    if kept != {(f.name, f.unit, f.is_categorical) for f in new.factors} and connection.scalar(
        sa.select(sa.exists().where(coupons.c.study_id == study_id))
    ):
        raise InputError(
            f"study {old.name}, factors",
            ", ".join(new.factor_names),
            f"{', '.join(old.factor_names)} in the same units, as the coupons have them",
            "Make a new study for other factors.",
        )
    scored = set(
        connection.scalars(
            sa.select(entries.c.field)
            .distinct()
            .join(coupons, entries.c.coupon_id == coupons.c.id)
            .where(coupons.c.study_id == study_id, _is_check())
        )
    )
    lost = sorted(scored - {f"check:{check.name}" for check in new.spec.checks})
    if lost:
        raise InputError(
            f"study {old.name}, checks",
            f"none called {', '.join(name.partition(':')[2] for name in lost)}",
            "every check that was scored",
            "Keep the check, or make a new study.",
        )


def put_away(writing: Writing, key: Key, why: str) -> None:
    """Archive a study; one that is archived stays so."""
    row = find(writing.connection, key)
    if not row.archived:
        _follow(writing, row, "archive study", why, archived=True)


def restore(writing: Writing, key: Key, why: str) -> None:
    """Take an archived study out again, unless its name has been taken."""
    row = find(writing.connection, key)
    if row.archived:
        _check_name(writing.connection, row.name, but=row.study_id)
        _follow(writing, row, "restore study", why, archived=False)


def _follow(writing: Writing, row: sa.Row[Any], verb: str, why: str, **changes: Any) -> None:
    if not why.strip():
        raise InputError(f"study {row.name}", "no reason", "a reason", f"Say why, to {verb}.")
    act = writing.act(verb, changes.get("name", row.name), rows=1, study_id=row.study_id, why=why)
    old = {name: row._mapping[name] for name in ("study_id", "name", "data", "stack_id", "line_id", "archived")}
    writing.connection.execute(study_entries.insert().values(**{**old, **changes}, supersedes=row.id, act_id=act))


def record_of(connection: sa.Connection, key: Key) -> StudyRecord:
    """A study as it stands, with its stack and line."""
    row = find(connection, key)
    stack = connection.execute(sa.select(stacks.c.data).where(stacks.c.id == row.stack_id)).scalar_one()
    line = connection.execute(sa.select(lines.c.data).where(lines.c.id == row.line_id)).scalar_one()
    first, last = _first_and_last(connection, row)
    return StudyRecord(
        id=row.study_id,
        study=study_from(from_text(row.data)),
        stack=stack_from(from_text(stack)),
        line=line_from(from_text(line)),
        made_at=moment_of(first.at),
        made_by=first.who,
        amended_at=None if row.supersedes is None else moment_of(last.at),
        archived=row.archived,
    )


def _first_and_last(connection: sa.Connection, row: sa.Row[Any]) -> tuple[sa.Row[str, str], sa.Row[str, str]]:
    made = connection.execute(
        sa.select(acts.c.at, acts.c.who)
        .join(study_entries, study_entries.c.act_id == acts.c.id)
        .where(study_entries.c.study_id == row.study_id)
        .order_by(study_entries.c.id)
    ).all()
    return made[0], made[-1]


def summaries(connection: sa.Connection, *, include_archived: bool) -> tuple[StudySummary, ...]:
    """Every study with its counts, newest first, counted by the database."""
    mine = study_entries.c.study_id
    counts = (
        sa.select(
            coupons.c.study_id,
            sa.func.count().label("coupons"),
            sa.func.sum(sa.case((sa.and_(_has_check(), ~_is_void()), 1), else_=0)).label("scored"),
            sa.func.sum(sa.case((_is_void(), 1), else_=0)).label("void"),
        )
        .join(rounds, coupons.c.round_id == rounds.c.id)
        .where(rounds.c.kind != CONFIRM)  # they judge the answer, and are counted with it
        .group_by(coupons.c.study_id)
        .subquery()
    )
    made = sa.select(sa.func.count()).where(rounds.c.study_id == mine).scalar_subquery()
    said = sa.case(
        (analyses.c.kind.in_((CONFIRMATION, CONFIRMATION_PLAN)), "confirmation " + analyses.c.verdict),
        else_=analyses.c.verdict,
    )
    verdict = (
        sa.select(said)
        .where(analyses.c.study_id == mine, analyses.c.verdict != "")
        .order_by(analyses.c.id.desc())
        .limit(1)
        .scalar_subquery()
    )
    first = study_entries.alias("first_entry")
    query = (
        sa.select(
            mine,
            study_entries.c.name,
            stacks.c.name.label("stack"),
            lines.c.name.label("line"),
            acts.c.at,
            acts.c.who,
            made.label("rounds"),
            counts.c.coupons,
            counts.c.scored,
            counts.c.void,
            verdict.label("verdict"),
            study_entries.c.archived,
        )
        .join(stacks, stacks.c.id == study_entries.c.stack_id)
        .join(lines, lines.c.id == study_entries.c.line_id)
        .join(first, sa.and_(first.c.study_id == mine, first.c.supersedes.is_(None)))
        .join(acts, acts.c.id == first.c.act_id)
        .outerjoin(counts, counts.c.study_id == mine)
        .where(is_current(study_entries))
        .order_by(mine.desc())
    )
    if not include_archived:
        query = query.where(sa.not_(study_entries.c.archived))
    return tuple(
        StudySummary(
            id=row.study_id,
            name=row.name,
            stack=row.stack,
            line=row.line,
            made_at=moment_of(row.at),
            made_by=row.who,
            rounds=row.rounds,
            coupons=row.coupons or 0,
            scored=row.scored or 0,
            void=row.void or 0,
            verdict=row.verdict or "",
            archived=row.archived,
        )
        for row in connection.execute(query)
    )


def _is_check() -> sa.ColumnElement[bool]:
    return entries.c.field.startswith("check:")


def _has_check() -> sa.ColumnElement[bool]:
    return sa.exists().where(
        entries.c.coupon_id == coupons.c.id, _is_check(), entries.c.value != "null", is_current(entries)
    )


def _is_void() -> sa.ColumnElement[bool]:
    return sa.exists().where(
        entries.c.coupon_id == coupons.c.id,
        entries.c.field == "void",
        entries.c.value.not_in(("null", '""')),
        is_current(entries),
    )
