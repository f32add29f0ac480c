"""Scores: one entry a field, the latest one counts, every one is kept."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from doe.book.memory import Kept
from doe.book.records import CouponState, HistoryEntry, TakenBack
from doe.book.rounds import Rounds, frame_of, plan_types
from doe.book.store import Writing, refuse_without_why
from doe.book.studies import Key, find_open, found
from doe.book.tables import acts, as_text, coupons, entries, is_current, to_text
from doe.domain.errors import InputError, InputErrors
from doe.domain.outcome import ACTUAL_PREFIX, HAND_PREFIX, HANDLED_COLUMN, grade_fits, washed
from doe.domain.score import AGAIN, ScoreEntry, SecondLook, again_field, entry_problems, look_problems
from doe.domain.serial import study_from

if TYPE_CHECKING:
    import pandas as pd

_NOTHING = ("null", '""')  # a cleared field, a void taken back
_TAKE_BACK = "take back"
_SAID = (
    sa.select(entries, coupons.c.name.label("coupon"), acts.c.who, acts.c.at, acts.c.why)
    .join(coupons, entries.c.coupon_id == coupons.c.id)
    .join(acts, entries.c.act_id == acts.c.id)
    .where(coupons.c.study_id == sa.bindparam("study"), entries.c.act_id > sa.bindparam("after"))
    .order_by(entries.c.id)
)
_FIELDS = (
    sa.select(coupons.c.name, entries.c.field)
    .join(coupons, entries.c.coupon_id == coupons.c.id)
    .where(coupons.c.study_id == sa.bindparam("study"))
    .distinct()
)
_IDS = sa.select(coupons.c.name, coupons.c.id).where(coupons.c.study_id == sa.bindparam("study")).order_by(coupons.c.id)
_NOW: sa.Select[Any] = (
    sa.select(entries.c.coupon_id, entries.c.field, entries.c.id, as_text(entries.c.value).label("value"), acts.c.who)
    .join(acts, entries.c.act_id == acts.c.id)
    .where(entries.c.coupon_id.in_(sa.bindparam("coupons", expanding=True)), is_current(entries))
)
_INSERT = entries.insert()


class Scores(Rounds):
    """The part of the book about scores."""

    def record(self, key: Key, given: Sequence[ScoreEntry], *, why: str = "") -> int:
        """Store scores, all of them or none; returns how many fields were new.

        Each field is an entry of its own. A value that differs from what is there is a correction: it supersedes
        and needs a ``why``; a first value needs none, and a value the same person gave already adds nothing.
        A void coupon takes no scores until ``void_reason=""`` takes the void back.

        Raises
        ------
        InputErrors
            Listing at once: unknown and repeated coupons, unknown checks, hand-feel off the scale, void coupons,
            corrections without a why ...
        """
        with self.writing() as writing:
            row = find_open(writing.connection, key)
            study, ids = study_from(row.data), _ids(writing.connection, row.study_id)
            problems = _name_problems(given, ids, row.name)
            problems += [problem for entry in given for problem in entry_problems(entry, study)]
            if problems:
                raise InputErrors(problems)
            current = _current(writing.connection, [ids[entry.coupon] for entry in given])
            new: list[dict[str, Any]] = []
            for entry in given:
                number = ids[entry.coupon]
                found, bad = _news(entry, current.get(number, {}), who=writing.who, why=why)
                problems += bad
                new += [{**field, "coupon_id": number, "scored_at": entry.scored_at} for field in found]
            if problems:
                raise InputErrors(problems)
            told = {field["coupon_id"] for field in new}
            touched = [entry.coupon for entry in given if ids[entry.coupon] in told]
            return _store(writing, row, "record", touched, new, why=why)

    def record_again(self, key: Key, looks: Sequence[SecondLook]) -> int:
        """Store further, blind looks at coupons, all of them or none; returns how many fields were new.

        They are kept as fields of their own (``again:1:ana:check:release``, ``again:1:ana:hand``), counted for each
        person, and never supersede a score: `results` is the same before and after.

        Raises
        ------
        InputErrors
            Listing at once what `record` would refuse, and coupons that are void.
        """
        with self.writing() as writing:
            row = find_open(writing.connection, key)
            study, ids = study_from(row.data), _ids(writing.connection, row.study_id)
            by_person: dict[str, list[SecondLook]] = {}
            for look in looks:
                by_person.setdefault(look.person, []).append(look)
            problems = [p for theirs in by_person.values() for p in _name_problems(theirs, ids, row.name)]
            problems += [problem for look in looks for problem in look_problems(look, study)]
            if problems:
                raise InputErrors(problems)
            current = _current(writing.connection, [ids[look.coupon] for look in looks])
            new: list[dict[str, Any]] = []
            for look in looks:
                number = ids[look.coupon]
                said = current.get(number, {})
                if _is_void(said):
                    where = f"coupon {look.coupon}"
                    problems.append(
                        InputError(where, "a void coupon", "one that is not void", "Correct the coupon's name.")
                    )
                before = [f.number for name in said if (f := again_field(name)) is not None and f.person == look.person]
                nothing = {"coupon_id": number, "supersedes": None, "scored_at": None}
                fields = look.fields(1 + max(before, default=0))
                new += [{**nothing, "field": name, "value": value} for name, value in fields]
            if problems:
                raise InputErrors(problems)
            names = list(dict.fromkeys(look.coupon for look in looks))
            return _store(writing, row, "record again", names, new, after=" looked at again")

    def take_back(self, key: Key, *, coupon: str | None = None, why: str) -> tuple[TakenBack, ...]:
        """Take back what the last recording said, of all its coupons or of one; what stood before stands again.

        Of a ``coupon`` that is void it is the recording that made it so. What was taken back stays in the history, and
        the next call takes back the recording before.

        Raises
        ------
        InputError
            If there is no why, no such coupon, or nothing is left to take back.
        """
        with self.writing() as writing:
            row = find_open(writing.connection, key)
            where = f"study {row.name}" if coupon is None else f"coupon {coupon}"
            refuse_without_why(where, why, "Say why it is taken back.")
            ids = _ids(writing.connection, row.study_id)
            if coupon is not None and (unknown := _name_problems([ScoreEntry(coupon)], ids, row.name)):
                raise InputErrors(unknown)
            said = _effective(writing.connection, row.study_id, None if coupon is None else ids[coupon])
            void = [mine for _, mine in said if mine.field == "void" and to_text(mine.value) not in _NOTHING]
            last = max((mine.act_id for mine in (coupon and void) or (mine for _, mine in said)), default=None)
            mine = [(stands, told) for stands, told in said if told.act_id == last]
            if not mine:
                raise InputError(where, "nothing recorded", "a recording to take back", "Look at what is scored.")
            names = {number: name for name, number in ids.items()}
            new, taken = [], []
            for stands, told in mine:
                value, moment = (None, None) if told.before is None else (told.before.value, told.before.scored_at)
                field = {"coupon_id": told.coupon_id, "field": told.field, "value": value}
                new.append({**field, "supersedes": stands, "scored_at": moment})
                taken.append(TakenBack(names[told.coupon_id], told.field, told.value, value))
            _store(writing, row, _TAKE_BACK, list(dict.fromkeys(t.coupon for t in taken)), new, why=why)
        return tuple(taken)

    def results(self, key: Key, *, include_void: bool = False) -> pd.DataFrame:
        """One row a coupon: the latest value of every field.

        Columns: coupon, <factors>, ``actual_<factor>`` (where measured), passed (True, False or None while no check
        is scored), side, grade (``""`` where none was given or a later check contradicts it), wash (see `washed`),
        ``hand_<person>``, round, cure_batch, press_batch, ... as the plan has them,
        ``check_<check>`` (True, False, None) for every check of the study, symptom (keys joined by ``"; "``),
        `HANDLED_COLUMN` (yes, no; where anybody said so), note, void (the reason, ``""``).
        """
        with self.reading():
            study, columns = self._planned(key)[0], self.result_columns(key)
        types = {
            **plan_types(study),
            "passed": object,
            **dict.fromkeys(("side", "grade", "wash", "symptom", "note", "void"), str),
        }
        types |= {f"check_{check.name}": object for check in study.spec.checks}
        types |= {HANDLED_COLUMN: str} if HANDLED_COLUMN in columns else {}
        types |= {name: float for name in columns if name.startswith((ACTUAL_PREFIX, HAND_PREFIX))}
        frame = frame_of(columns, types)
        return frame if include_void else frame[frame["void"] == ""].reset_index(drop=True)

    def result_columns(self, key: Key) -> dict[str, list[Any]]:
        """`results` of every coupon, void ones too, for those who need not wait for a frame: what is empty is None."""
        made = self.kept(("results", key), ("scores", "rest"), lambda _: self._columns(key))
        return {name: list(values) for name, values in made.items()}

    def _columns(self, key: Key) -> dict[str, list[Any]]:
        study, plan = self._planned(key)
        place = {name: i for i, name in enumerate(plan["coupon"])}
        said: dict[str, list[Any]] = {}
        for entry in sorted((e for e in self.history(key) if e.current), key=lambda e: e.field):
            said.setdefault(entry.field, [None] * len(place))[place[entry.coupon]] = entry.value
        nothing = [None] * len(place)
        checks = {f"check_{check.name}": said.get(f"check:{check.name}", nothing) for check in study.spec.checks}
        columns: dict[str, list[Any]] = {name: plan[name] for name in ("coupon", *study.factor_names)}
        columns |= _of_kind(said, "actual:", ACTUAL_PREFIX)
        columns |= {"passed": [], "side": [], "grade": [], "wash": []}
        late = [check.is_later for check in study.spec.checks]
        plain = (said.get(name, nothing) for name in ("side", "grade"))
        for side, grade, *values in zip(*plain, *checks.values(), strict=True):
            scored = [value for value in values if value is not None]
            columns["passed"].append(all(scored) if scored else None)
            columns["grade"].append(grade if grade and scored and grade_fits(grade, all(scored)) else "")
            columns["wash"].append(washed(values, late))
            # a coupon that passes everything has no side; one that failed for a reason nobody named is unknown
            columns["side"].append("" if all(scored) else side or "unknown")
        columns |= _of_kind(said, "hand:", HAND_PREFIX)
        columns |= {name: values for name, values in plan.items() if name not in columns}
        columns |= checks
        columns["symptom"] = ["; ".join(keys or ()) for keys in said.get("symptoms", nothing)]
        texts = {HANDLED_COLUMN: "handled"} if any(said.get("handled", ())) else {}
        texts |= {"note": "note", "void": "void"}
        return columns | {name: [text or "" for text in said.get(field, nothing)] for name, field in texts.items()}

    def grades_at_odds(self, key: Key) -> tuple[str, ...]:
        """Coupons with a grade that does not go with what they came to, so that it counts as not given, in plan order.

        A wash that fails a coupon graded *clean* at the press makes one; nobody said anything wrong.
        """
        with self.reading():
            columns = self.result_columns(key)
            given = {e.coupon: str(e.value or "") for e in self.history(key) if e.current and e.field == "grade"}
        told = (columns[name] for name in ("coupon", "passed", "void"))
        return tuple(
            c for c, passed, void in zip(*told, strict=True) if not void and not grade_fits(given.get(c) or "", passed)
        )

    def coupon_states(self, key: Key) -> tuple[CouponState, ...]:
        """How far the scoring of each coupon has come, in plan order; `results` without its frame."""
        return self.kept(("coupons", key), ("scores", "rest"), lambda _: self._states(key))

    def _states(self, key: Key) -> tuple[CouponState, ...]:
        study, columns = self._planned(key)[0], self.result_columns(key)
        kinds = {made.round: made.kind for made in self.plan_info(key).rounds}
        told = (columns[name] for name in ("coupon", "round", "passed", "void"))
        checks = (columns[f"check_{check.name}"] for check in study.spec.checks)
        return tuple(
            CouponState(coupon, number, kinds[number], passed, None in scored, bool(void))
            for coupon, number, passed, void, *scored in zip(*told, *checks, strict=True)
        )

    def fields_said(self, key: Key, of: Iterable[str]) -> set[str]:
        """Fields of which something stands in the book for any of these coupons, also where it is empty."""
        names = set(of)
        with self.reading() as connection:
            rows = connection.execute(_FIELDS, {"study": found(self, key).study_id})
            return {field for coupon, field in rows if coupon in names}

    def history(self, key: Key, coupon: str | None = None) -> tuple[HistoryEntry, ...]:
        """Everything ever said about the coupons of a study, or one of them, oldest first."""

        def read(connection: sa.Connection, before: Kept | None) -> tuple[HistoryEntry, ...]:
            known: tuple[HistoryEntry, ...] = () if before is None else before.value
            after = -1 if before is None else before.act
            rows = connection.execute(_SAID, {"study": number, "after": after}).all()
            over = {row.supersedes for row in rows}
            return (
                *(replace(entry, current=False) if entry.id in over else entry for entry in known),
                *(_entry(row, current=row.id not in over) for row in rows),
            )

        with self.reading():
            if coupon is not None and coupon not in self._planned(key)[1]["coupon"]:
                no_such = f"no such coupon in study {found(self, key).name}"
                raise InputError(f"coupon {coupon}", no_such, "a coupon of the plan", "Correct the name.")
            number = found(self, key).study_id  # a name may come to mean another study
            said = self.kept_further(("history", number), ("scores", "rest"), read)
        return said if coupon is None else tuple(entry for entry in said if entry.coupon == coupon)


@dataclass(frozen=True)
class _Told:
    """What was said of a field, and what had been said ``before`` it was."""

    coupon_id: int
    field: str
    value: Any
    act_id: int
    scored_at: datetime | None
    before: _Told | None


def _effective(connection: sa.Connection, study_id: int, coupon_id: int | None) -> list[tuple[int, _Told]]:
    """Every field that was recorded and stands: the row that holds it, and what was said.

    A row that took something back holds what was said before that, so that recordings are taken back one by one.
    Further, blind looks are none of them.
    """
    query = (
        sa.select(entries, acts.c.verb, is_current(entries).label("current"))
        .join(coupons, entries.c.coupon_id == coupons.c.id)
        .join(acts, entries.c.act_id == acts.c.id)
        .where(coupons.c.study_id == study_id, sa.not_(entries.c.field.startswith(AGAIN)))
        .order_by(entries.c.id)
    )
    told: dict[int, _Told | None] = {}
    standing = []
    for row in connection.execute(query if coupon_id is None else query.where(coupons.c.id == coupon_id)):
        before = told.get(row.supersedes)
        if row.verb == _TAKE_BACK:
            told[row.id] = None if before is None else before.before
        else:
            told[row.id] = _Told(row.coupon_id, row.field, row.value, row.act_id, row.scored_at, before)
        if row.current and (mine := told[row.id]) is not None:
            standing.append((row.id, mine))
    return standing


def _entry(row: sa.Row[Any], *, current: bool) -> HistoryEntry:
    # JSON has lists where a score has tuples
    value = tuple(row.value) if isinstance(row.value, list) else row.value
    return HistoryEntry(
        id=row.id,
        coupon=row.coupon,
        field=row.field,
        value=value,
        who=row.who,
        at=row.at,
        why=row.why,
        scored_at=row.scored_at,
        supersedes=row.supersedes,
        current=current,
    )


def _of_kind(said: Mapping[str, list[Any]], kind: str, prefix: str) -> dict[str, list[Any]]:
    return {prefix + field.removeprefix(kind): values for field, values in said.items() if field.startswith(kind)}


def _ids(connection: sa.Connection, study_id: int) -> dict[str, int]:
    """Row of every coupon of a study by its name, in plan order."""
    return {name: number for name, number in connection.execute(_IDS, {"study": study_id})}  # noqa: C416 - dict() would ask it for keys


def _store(
    writing: Writing,
    row: sa.Row[Any],
    verb: str,
    names: Sequence[str],
    new: list[dict[str, Any]],
    *,
    why: str = "",
    after: str = "",
) -> int:
    if new:
        subject = f"{row.name}: {names[0] if len(names) == 1 else f'{len(names)} coupons'}{after}"
        act = writing.act(verb, subject, rows=len(new), study_id=row.study_id, why=why)
        writing.connection.execute(_INSERT, [{**entry, "act_id": act} for entry in new])
    return len(new)


def _name_problems(given: Sequence[ScoreEntry | SecondLook], ids: Mapping[str, int], study: str) -> list[InputError]:
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


def _current(connection: sa.Connection, coupon_ids: Sequence[int]) -> dict[int, dict[str, sa.Row[Any]]]:
    """Current entry of every field, by coupon id: id, value as text, who."""
    found: dict[int, dict[str, sa.Row[Any]]] = {}
    for row in connection.execute(_NOW, {"coupons": list(coupon_ids)}):
        found.setdefault(row.coupon_id, {})[row.field] = row
    return found


def _is_void(current: Mapping[str, sa.Row[Any]]) -> bool:
    return "void" in current and current["void"].value not in _NOTHING


def _news(
    entry: ScoreEntry, current: Mapping[str, sa.Row[Any]], *, who: str, why: str
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
        # a reason for voiding is a why already, and a check that fails is one for grading anew; every other change of
        # something said needs one
        regraded = name == "grade" and text not in _NOTHING and False in entry.checks.values()
        explained = why.strip() or (name == "void" and text not in _NOTHING)
        explained = explained or (regraded and not grade_fits(json.loads(before) or "", False))
        if before not in _NOTHING and text != before and not explained:
            problems.append(
                InputError(
                    f"{where}, {name.replace(':', ' ')}",
                    f"{_words(value)}, but {_words(json.loads(before))} is stored",
                    "the same value, or a reason for the correction",
                    "Say why it is corrected.",
                )
            )
        news.append({"field": name, "value": value, "supersedes": None if old is None else old.id})
    scores = [new["field"] for new in news if new["field"] not in ("void", "note")]
    if _is_void(current) and scores and entry.void_reason != "":
        reason = json.loads(current["void"].value)
        problems.append(
            InputError(
                where,
                f"scores for a void coupon ({reason})",
                "a coupon that is not void",
                f'Take the void back first: doe record STUDY --coupon {entry.coupon} --take-back --why "..."; or '
                "correct the coupon's name.",
            )
        )
    return news, problems


def _words(value: Any) -> str:
    if isinstance(value, bool):
        return "pass" if value else "fail"
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return "nothing" if value in (None, "") else str(value)
