"""Studies: found by name or number, corrected by a later row, put away and never deleted."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import sqlalchemy as sa

from doe.book.definitions import Definitions, find_definition
from doe.book.records import StatedLimit, StudyChange, StudyRecord, StudySummary
from doe.book.store import Store, Writing, again, called, records, refuse_without_why, unknown
from doe.book.tables import (
    acts,
    analyses,
    as_text,
    coupons,
    entries,
    is_current,
    lines,
    rounds,
    stacks,
    studies,
    study_entries,
    to_text,
)
from doe.domain.errors import InputError
from doe.domain.limits import LIMIT_OPTIONS
from doe.domain.plan_kinds import CONFIRM, CONFIRMATION, CONFIRMATION_PLAN
from doe.domain.serial import line_from, stack_from, study_from
from doe.domain.study import Study

Key = str | int
_NO_ID = 2**31  # larger than any id; what a database cannot hold it cannot look for either


_CURRENT = sa.select(study_entries).where(is_current(study_entries))
_NUMBERED = _CURRENT.where(study_entries.c.study_id == sa.bindparam("number"))
_NAMED = (
    _CURRENT.where(study_entries.c.name == sa.bindparam("name"))
    .order_by(study_entries.c.archived, study_entries.c.study_id.desc())
    .limit(1)
)
_MADE = (
    sa.select(acts.c.at, acts.c.who, study_entries.c.name)
    .join(study_entries, study_entries.c.act_id == acts.c.id)
    .where(study_entries.c.study_id == sa.bindparam("number"))
    .order_by(study_entries.c.id)
)
_STACK, _LINE = (sa.select(table.c.data).where(table.c.id == sa.bindparam("number")) for table in (stacks, lines))


def find(connection: sa.Connection, key: Key) -> sa.Row[Any]:
    """Current row of a study by id or name: study_id, name, data, stack_id, line_id, archived, id.

    A name means the study in use; where there is none, the archived one of that name that was made last. Text that
    is no name may be a number, a name in another case, or a part that no other study in use has.

    Raises
    ------
    InputError
        If there is no such study, or several are meant; it lists close names.
    """
    found = _named(connection, key) if isinstance(key, str) else None
    number = int(key) if isinstance(key, int) or key.strip().isdecimal() else 0
    if found is None and 0 < number < _NO_ID:
        found = connection.execute(_NUMBERED, {"number": number}).one_or_none()
    if found is None:
        in_use = _CURRENT.where(sa.not_(study_entries.c.archived)).order_by(study_entries.c.study_id.desc())
        names = [row.name for row in connection.execute(in_use)]
        meant = called("study", key, names) if isinstance(key, str) else None
        if meant is None:
            raise unknown("study", key, names, "Check the name or number in the list of studies.")
        found = _named(connection, meant)
    assert found is not None
    return found


def _named(connection: sa.Connection, name: str) -> sa.Row[Any] | None:
    return connection.execute(_NAMED, {"name": name.strip()}).one_or_none()


def found(book: Store, key: Key) -> sa.Row[Any]:
    """`find`, remembered while no study, and nothing else that is no score, photo or step, was stored."""
    return book.kept(("row of study", key), ("rest",), lambda connection: find(connection, key))


def find_open(connection: sa.Connection, key: Key) -> sa.Row[Any]:
    """Current row of a study that is not archived."""
    row = find(connection, key)
    if row.archived:
        raise InputError(f"study {row.name}", "an archived study", "a study in use", "Restore it first.")
    return row


class Studies(Definitions):
    """The part of the book about studies."""

    def add_study(self, study: Study, *, stack: str, line: str) -> int:
        """Keep a new study on a stack and a line, as they stand now; returns its id. No other in use has its name."""
        with self.writing() as writing:
            row = {
                "name": study.name.strip(),
                "data": study,
                "stack_id": find_definition(writing.connection, stacks, stack).id,
                "line_id": find_definition(writing.connection, lines, line).id,
                "archived": False,
            }
            _check_name(writing.connection, study.name)
            study_id = writing.add(studies, {"made_at": writing.at})
            act = writing.act("add study", study.name, study_id=study_id)
            writing.add(study_entries, {"study_id": study_id, **row}, act)
            return study_id

    def studies(self, include_archived: bool = False) -> tuple[StudySummary, ...]:
        """Every study with its counts, newest first, counted by the database."""
        mine = study_entries.c.study_id
        searches = sa.case((rounds.c.kind != CONFIRM, 1), else_=0)

        def counted(what: sa.ColumnElement[Any]) -> sa.ColumnElement[Any]:
            # confirmation coupons judge an answer and are counted with it, but where nothing was searched for
            return sa.case((sa.func.max(searches) == 1, sa.func.sum(searches * what)), else_=sa.func.sum(what))

        counts = (
            sa.select(
                coupons.c.study_id,
                counted(sa.literal(1)).label("coupons"),
                counted(sa.case((sa.and_(_has_check(), ~_is_void()), 1), else_=0)).label("scored"),
                counted(sa.case((_is_void(), 1), else_=0)).label("void"),
            )
            .join(rounds, coupons.c.round_id == rounds.c.id)
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
                mine.label("id"),
                study_entries.c.name,
                stacks.c.name.label("stack"),
                lines.c.name.label("line"),
                acts.c.at.label("made_at"),
                acts.c.who.label("made_by"),
                made.label("rounds"),
                *(sa.func.coalesce(counts.c[name], 0).label(name) for name in ("coupons", "scored", "void")),
                sa.func.coalesce(verdict, "").label("verdict"),
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
        with self.reading() as connection:
            return records(StudySummary, connection.execute(query))

    def study(self, key: Key) -> StudyRecord:
        """A study as it stands."""
        return self.kept(("study", key), ("rest",), lambda connection: _study(connection, key))

    def study_changes(self, key: Key) -> tuple[StudyChange, ...]:
        """Every change of what a study asks, oldest first; that it was put away is none."""
        with self.reading() as connection:
            rows = connection.execute(
                sa.select(study_entries.c.data, acts.c.who, acts.c.at, acts.c.why)
                .join(acts, study_entries.c.act_id == acts.c.id)
                .where(study_entries.c.study_id == find(connection, key).study_id)
                .order_by(study_entries.c.id)
            ).all()
        return tuple(
            StudyChange(study_from(before.data), study_from(after.data), after.who, after.at, after.why)
            for before, after in pairwise(rows)
            if before.data != after.data
        )

    def limits_on_record(self) -> tuple[StatedLimit, ...]:
        """Every limit that a study states now, with its materials, its line, and since when it stands."""
        return self.kept("limits", ("rest",), _stated_limits)

    def amend_study(
        self, key: Key, study: Study, why: str, *, stack: str | None = None, line: str | None = None
    ) -> None:
        """Correct a study; stack and line stay as they were unless named, and then are taken as they stand now.

        Raises
        ------
        InputError
            If there is no why, the name is taken, or coupons exist and factors or scored checks would be lost.
        """
        with self.writing() as writing:
            connection = writing.connection
            row = find_open(connection, key)
            new = {"name": study.name.strip(), "data": study}
            for column, table, name in (("stack_id", stacks, stack), ("line_id", lines, line)):
                new[column] = row._mapping[column] if name is None else find_definition(connection, table, name).id
            if all(to_text(row._mapping[column]) == to_text(value) for column, value in new.items()):
                return
            _check_name(connection, study.name, but=row.study_id)
            _check_fits(connection, row.study_id, study_from(row.data), study)
            _follow(writing, row, "amend study", why, **new)

    def archive_study(self, key: Key, why: str) -> None:
        """Put a study away; nothing of it is deleted, and one that is archived stays so."""
        with self.writing() as writing:
            row = find(writing.connection, key)
            if not row.archived:
                _follow(writing, row, "archive study", why, archived=True)

    def withdraw_plan(self, key: Key, why: str) -> None:
        """Put a study away because its plan is a mistake; its name is free for the same question begun anew."""
        with self.writing() as writing:
            _follow(writing, find_open(writing.connection, key), "withdraw plan", why, archived=True)

    def restore_study(self, key: Key, why: str) -> None:
        """Take an archived study out again, unless its name has been taken."""
        with self.writing() as writing:
            row = find(writing.connection, key)
            if row.archived:
                _check_name(writing.connection, row.name, but=row.study_id)
                _follow(writing, row, "restore study", why, archived=False)


def _study(connection: sa.Connection, key: Key) -> StudyRecord:
    row = find(connection, key)
    made = connection.execute(_MADE, {"number": row.study_id}).all()
    stack, line = (
        connection.scalars(query, {"number": number}).one()
        for query, number in ((_STACK, row.stack_id), (_LINE, row.line_id))
    )
    return StudyRecord(
        id=row.study_id,
        study=study_from(row.data),
        stack=stack_from(stack),
        line=line_from(line),
        made_at=made[0].at,
        made_by=made[0].who,
        amended_at=None if row.supersedes is None else made[-1].at,
        archived=row.archived,
        names=tuple(dict.fromkeys(entry.name for entry in made)),
    )


def _stated_limits(connection: sa.Connection) -> tuple[StatedLimit, ...]:
    rows = connection.execute(
        sa.select(study_entries, acts.c.at, stacks.c.data.label("stack"), lines.c.name.label("line"))
        .join(acts, acts.c.id == study_entries.c.act_id)
        .join(stacks, stacks.c.id == study_entries.c.stack_id)
        .join(lines, lines.c.id == study_entries.c.line_id)
        .order_by(study_entries.c.id)
    ).all()
    stated: dict[tuple[int, str], StatedLimit] = {}
    for row in rows:
        told, stack = row.data["limits"] or {}, stack_from(row.stack)
        for limit in LIMIT_OPTIONS:
            value, before = told.get(limit), stated.pop((row.study_id, limit), None)
            if value is not None:
                is_same = before is not None and (before.value, before.stack, before.line) == (value, stack, row.line)
                at = before.at if before is not None and is_same else row.at
                stated[row.study_id, limit] = StatedLimit(
                    row.study_id, row.name, row.archived, stack, row.line, limit, float(value), at
                )
    return tuple(stated.values())


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


def _follow(writing: Writing, row: sa.Row[Any], verb: str, why: str, **changes: Any) -> None:
    refuse_without_why(f"study {row.name}", why, f"Say why, to {verb}.")
    act = writing.act(verb, changes.get("name", row.name), study_id=row.study_id, why=why)
    writing.add(study_entries, {**again(study_entries, row), **changes, "supersedes": row.id}, act)


def _is_check() -> sa.ColumnElement[bool]:
    return entries.c.field.startswith("check:")


def _has_check() -> sa.ColumnElement[bool]:
    return sa.exists().where(
        entries.c.coupon_id == coupons.c.id, _is_check(), as_text(entries.c.value) != "null", is_current(entries)
    )


def _is_void() -> sa.ColumnElement[bool]:
    return sa.exists().where(
        entries.c.coupon_id == coupons.c.id,
        entries.c.field == "void",
        as_text(entries.c.value).not_in(("null", '""')),
        is_current(entries),
    )
