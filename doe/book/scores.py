"""Scores: one entry a field, the latest one counts, every one is kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from doe.book.history import is_current
from doe.book.records import CouponState, HistoryEntry
from doe.book.store import Writing, insert_all
from doe.book.studies import Key, find, find_open
from doe.book.tables import acts, coupons, entries, rounds
from doe.book.text import from_text, moment_of, stamp, to_text
from doe.domain.errors import InputError, InputErrors
from doe.domain.score import FieldValue, ScoreEntry, SecondLook, again_field, entry_problems, look_problems
from doe.domain.serial import study_from

_NOTHING = ("null", '""')  # a cleared field, a void taken back


class CurrentEntry(NamedTuple):
    """The current entry of a field; ``value`` is JSON."""

    id: int
    value: str
    who: str


def record(writing: Writing, key: Key, given: Sequence[ScoreEntry], *, why: str) -> int:
    """Store scores, all or none; returns how many entries were new. See `doe.book.book.Book.record`."""
    connection = writing.connection
    row = find_open(connection, key)
    study = study_from(from_text(row.data))
    made = sa.select(coupons.c.name, coupons.c.id).where(coupons.c.study_id == row.study_id).order_by(coupons.c.id)
    ids = {name: coupon_id for name, coupon_id in connection.execute(made)}  # noqa: C416 - dict() would ask it for keys
    problems = _name_problems(given, ids, row.name)
    for entry in given:
        problems += entry_problems(entry, study)
    if problems:
        raise InputErrors(problems)
    current = _current(connection, [ids[entry.coupon] for entry in given])
    new: list[dict[str, Any]] = []
    for entry in given:
        found, bad = _news(entry, current.get(ids[entry.coupon], {}), who=writing.who, why=why)
        problems += bad
        scored_at = None if entry.scored_at is None else stamp(entry.scored_at)
        new += [{**field, "coupon_id": ids[entry.coupon], "scored_at": scored_at} for field in found]
    if problems:
        raise InputErrors(problems)
    if new:
        touched = [entry.coupon for entry in given if ids[entry.coupon] in {field["coupon_id"] for field in new}]
        subject = f"{row.name}: {touched[0] if len(touched) == 1 else f'{len(touched)} coupons'}"
        act = writing.act("record", subject, rows=len(new), study_id=row.study_id, why=why)
        insert_all(connection, entries, [{**field, "act_id": act} for field in new])
    return len(new)


def record_again(writing: Writing, key: Key, given: Sequence[SecondLook]) -> int:
    """Store further looks, all or none; returns how many fields were new. See `doe.book.book.Book.record_again`."""
    connection = writing.connection
    row = find_open(connection, key)
    study = study_from(from_text(row.data))
    made = sa.select(coupons.c.name, coupons.c.id).where(coupons.c.study_id == row.study_id).order_by(coupons.c.id)
    ids = {name: coupon_id for name, coupon_id in connection.execute(made)}  # noqa: C416 - dict() would ask it for keys
    by_person: dict[str, list[ScoreEntry]] = {}
    for look in given:
        by_person.setdefault(look.person, []).append(ScoreEntry(look.coupon))
    problems = [p for looks in by_person.values() for p in _name_problems(looks, ids, row.name)]
    problems += [p for look in given for p in look_problems(look, study)]
    if problems:
        raise InputErrors(problems)
    current = _current(connection, [ids[look.coupon] for look in given])
    new: list[dict[str, Any]] = []
    for look in given:
        said = current.get(ids[look.coupon], {})
        if "void" in said and said["void"].value not in _NOTHING:
            problems.append(
                InputError(
                    f"coupon {look.coupon}", "a void coupon", "one that is not void", "Correct the coupon's name."
                )
            )
        before = [f.number for name in said if (f := again_field(name)) is not None and f.person == look.person]
        new += [
            {
                "coupon_id": ids[look.coupon],
                "field": name,
                "value": to_text(value),
                "supersedes": None,
                "scored_at": None,
            }
            for name, value in look.fields(1 + max(before, default=0))
        ]
    if problems:
        raise InputErrors(problems)
    names = {look.coupon for look in given}
    if new:
        subject = f"{row.name}: {next(iter(names)) if len(names) == 1 else f'{len(names)} coupons'} looked at again"
        act = writing.act("record again", subject, rows=len(new), study_id=row.study_id)
        insert_all(connection, entries, [{**entry, "act_id": act} for entry in new])
    return len(new)


def _name_problems(given: Sequence[ScoreEntry], ids: Mapping[str, int], study: str) -> list[InputError]:
    problems, seen = [], set()
    for entry in given:
        where = f"coupon {entry.coupon}"
        if entry.coupon not in ids:
            allowed = f"{next(iter(ids))} to {list(ids)[-1]}" if ids else "a plan first: the study has no coupons"
            problems.append(
                InputError(where, f"no such coupon in study {study}", allowed, "Correct the name, or the study.")
            )
        elif entry.coupon in seen:
            problems.append(InputError(where, "the coupon twice", "each coupon once", "Keep one row a coupon."))
        seen.add(entry.coupon)
    return problems


def _current(connection: sa.Connection, coupon_ids: Sequence[int]) -> dict[int, dict[str, CurrentEntry]]:
    """Current entry of every field, by coupon id."""
    query = (
        sa.select(entries.c.coupon_id, entries.c.field, entries.c.id, entries.c.value, acts.c.who)
        .join(acts, entries.c.act_id == acts.c.id)
        .where(entries.c.coupon_id.in_(coupon_ids), is_current(entries))
    )
    found: dict[int, dict[str, CurrentEntry]] = {}
    for row in connection.execute(query):
        found.setdefault(row.coupon_id, {})[row.field] = CurrentEntry(row.id, row.value, row.who)
    return found


def _news(
    entry: ScoreEntry, current: Mapping[str, CurrentEntry], *, who: str, why: str
) -> tuple[list[dict[str, Any]], list[InputError]]:
    """Entries of one coupon that say something new, and why they cannot be taken."""
    where = f"coupon {entry.coupon}"
    news: list[dict[str, Any]] = []
    problems: list[InputError] = []
    for name, value in entry.fields():
        text, old = to_text(value), current.get(name)
        before = "null" if old is None else old.value
        if text == before and (old is None or old.who == who or text in _NOTHING):
            continue
        if text in _NOTHING and before in _NOTHING:
            continue  # clearing what is empty says nothing
        # a reason for voiding is a why already; every other change of something said needs one
        explained = why.strip() or (name == "void" and text not in _NOTHING)
        if before not in _NOTHING and text != before and not explained:
            problems.append(
                InputError(
                    f"{where}, {name.replace(':', ' ')}",
                    f"{_words(from_text(text))}, but {_words(from_text(before))} is stored",
                    "the same value, or a reason for the correction",
                    "Say why it is corrected.",
                )
            )
        news.append({"field": name, "value": text, "supersedes": None if old is None else old.id})
    is_void = "void" in current and current["void"].value not in _NOTHING
    scores = [new["field"] for new in news if new["field"] not in ("void", "note")]
    if is_void and scores and entry.void_reason != "":
        reason = from_text(current["void"].value)
        problems.append(
            InputError(
                where,
                f"scores for a void coupon ({reason})",
                "a coupon that is not void",
                "Take the void back first, or correct the coupon's name.",
            )
        )
    return news, problems


def _words(value: Any) -> str:
    if isinstance(value, bool):
        return "pass" if value else "fail"
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "nothing" if value in (None, "") else str(value)


def states(connection: sa.Connection, key: Key) -> tuple[CouponState, ...]:
    """How far the scoring of each coupon has come, in plan order."""
    row = find(connection, key)
    made = connection.execute(
        sa.select(coupons.c.id, coupons.c.name, rounds.c.number, rounds.c.kind)
        .join(rounds, coupons.c.round_id == rounds.c.id)
        .where(coupons.c.study_id == row.study_id)
        .order_by(coupons.c.id)
    ).all()
    fields = [f"check:{check.name}" for check in study_from(from_text(row.data)).spec.checks]
    said = connection.execute(
        sa.select(entries.c.coupon_id, entries.c.field, entries.c.value)
        .join(coupons, entries.c.coupon_id == coupons.c.id)
        .where(coupons.c.study_id == row.study_id, entries.c.field.in_([*fields, "void"]), is_current(entries))
    )
    values = {(coupon, field): from_text(value) for coupon, field, value in said}
    found = []
    for coupon in made:
        checks = [values.get((coupon.id, field)) for field in fields]
        scored = [value for value in checks if value is not None]
        void = bool(values.get((coupon.id, "void")))
        passed = all(scored) if scored else None
        found.append(CouponState(coupon.name, coupon.number, coupon.kind, passed, len(scored) < len(fields), void))
    return tuple(found)


def history(connection: sa.Connection, key: Key, coupon: str | None) -> tuple[HistoryEntry, ...]:
    """Everything ever said about the coupons of a study, or one of them, oldest first."""
    row = find(connection, key)
    mine = coupons.c.study_id == row.study_id
    if coupon is not None:
        mine = sa.and_(mine, coupons.c.name == coupon)
        if connection.scalar(sa.select(coupons.c.id).where(mine)) is None:
            raise InputError(
                f"coupon {coupon}", f"no such coupon in study {row.name}", "a coupon of the plan", "Correct the name."
            )
    query = (
        sa.select(
            entries,
            coupons.c.name.label("coupon"),
            acts.c.who,
            acts.c.at,
            acts.c.why,
            is_current(entries).label("current"),
        )
        .join(coupons, entries.c.coupon_id == coupons.c.id)
        .join(acts, entries.c.act_id == acts.c.id)
        .where(mine)
        .order_by(entries.c.id)
    )
    return tuple(
        HistoryEntry(
            id=said.id,
            coupon=said.coupon,
            field=said.field,
            value=field_value(from_text(said.value)),
            who=said.who,
            at=moment_of(said.at),
            why=said.why,
            scored_at=said.scored_at and moment_of(said.scored_at),
            supersedes=said.supersedes,
            current=bool(said.current),
        )
        for said in connection.execute(query)
    )


def field_value(value: Any) -> FieldValue:
    """Value of a field as it was given: JSON has lists where a score has tuples."""
    return tuple(value) if isinstance(value, list) else value
