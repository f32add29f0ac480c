"""Plans: coupons in rounds, appended and never changed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from doe.book.records import PlanInfo, RoundInfo
from doe.book.store import records
from doe.book.studies import Key, Studies, find_open, found
from doe.book.tables import acts, coupons, rounds
from doe.domain.errors import NAME_LENGTH, InputError, InputErrors, check_line
from doe.domain.finding import Finding, finding_of
from doe.domain.plan_kinds import Scale
from doe.domain.serial import study_from
from doe.domain.study import Study

if TYPE_CHECKING:
    import pandas as pd

PLACE_COLUMNS = ("cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke", "role")
"""Where and how a coupon is made, besides its settings and round."""

_COUPONS = (
    sa.select(coupons.c.name, rounds.c.number.label("round"), coupons.c.settings, coupons.c.place)
    .join(rounds, coupons.c.round_id == rounds.c.id)
    .where(coupons.c.study_id == sa.bindparam("study"))
    .order_by(coupons.c.id)
)
_ROUNDS = (
    sa.select(
        rounds,
        rounds.c.number.label("round"),
        sa.select(sa.func.count()).where(coupons.c.round_id == rounds.c.id).scalar_subquery().label("coupons"),
        acts.c.at.label("made_at"),
        acts.c.who.label("made_by"),
    )
    .join(acts, rounds.c.act_id == acts.c.id)
    .where(rounds.c.study_id == sa.bindparam("study"))
    .order_by(rounds.c.number)
)


class Rounds(Studies):
    """The part of the book about plans."""

    def save_round(
        self,
        key: Key,
        plan: pd.DataFrame,
        *,
        kind: str,
        seed: int,
        notes: Sequence[Finding | str] = (),
        scale: Scale = "dial",
    ) -> tuple[int, ...]:
        """Append the coupons of a new round; returns the numbers of the rounds that were new.

        ``plan`` has the columns of a plan; it may be the whole plan, then the rounds stored already must be the
        same and only the new ones are appended. Without a ``round`` column it is the next round. ``scale`` says whether
        its temperatures are those of the surface or what was dialled in.

        Raises
        ------
        InputErrors
            Naming every column, coupon and setting that cannot be used.
        """
        with self.writing() as writing:
            row = find_open(writing.connection, key)
            stored = {made["name"]: made for made in coupons_of(writing.connection, row.study_id)}
            numbers = sorted({made["round"] for made in stored.values()})
            rows = _rows(study_from(row.data), plan, next_round=numbers[-1] + 1 if numbers else 1)
            if problems := list(_clashes(rows, stored, numbers)):
                raise InputErrors(problems)
            fresh = [made for made in rows if made["name"] not in stored]
            new_rounds = sorted({made["round"] for made in fresh})
            for number in new_rounds:
                mine = [made for made in fresh if made["round"] == number]
                subject = f"{row.name}, round {number}: {len(mine)} coupons"
                act = writing.act("add round", subject, rows=1 + len(mine), study_id=row.study_id)
                made_round = {"number": number, "kind": kind, "seed": int(seed), "notes": list(notes), "scale": scale}
                round_id = writing.add(rounds, {"study_id": row.study_id, **made_round}, act)
                ours = {"study_id": row.study_id, "round_id": round_id, "act_id": act}
                kept = [{**ours, **{part: made[part] for part in ("name", "settings", "place")}} for made in mine]
                writing.connection.execute(coupons.insert(), kept)
            return tuple(new_rounds)

    def plan_coupons(self, key: Key) -> pd.DataFrame:
        """Every coupon of a study in the order they were saved.

        Columns: coupon, <factors>, round, then what was saved of cure_batch, press_batch, cure_order, press_order,
        garment, stroke, role, and any others.
        """
        with self.reading():
            study, columns = self._planned(key)
        return frame_of(columns, plan_types(study))

    def _planned(self, key: Key) -> tuple[Study, dict[str, list[Any]]]:
        """A study as it stands with the columns of its plan."""

        def read(connection: sa.Connection) -> tuple[Study, dict[str, list[Any]]]:
            row = found(self, key)
            study = study_from(row.data)
            return study, plan_columns(study, coupons_of(connection, row.study_id))

        return self.kept(("plan", key), ("rest",), read)

    def plan_info(self, key: Key) -> PlanInfo:
        """How each round was made."""

        def read(connection: sa.Connection) -> PlanInfo:
            rows = connection.execute(_ROUNDS, {"study": found(self, key).study_id})
            return PlanInfo(records(RoundInfo, rows, notes=lambda notes: tuple(map(finding_of, notes))))

        return self.kept(("rounds", key), ("rest",), read)


def _rows(study: Study, frame: pd.DataFrame, *, next_round: int) -> list[dict[str, Any]]:
    absent = [name for name in ("coupon", *study.factor_names) if name not in frame.columns]
    if absent:
        raise InputError("plan", ", ".join(map(str, frame.columns)), f"columns {', '.join(absent)}", "Add them.")
    if frame.empty:
        raise InputError("plan", "no coupons", "at least one", "Make a plan first.")
    known = {"coupon", "round", *study.factor_names}
    others = [name for name in map(str, frame.columns) if name not in known]
    rows: list[dict[str, Any]] = []
    problems: list[InputError] = []
    seen: set[str] = set()
    for record in frame.to_dict("records"):
        name = str(record["coupon"]).strip()
        where = f"plan, coupon {name}"
        if not name or name in seen:
            problems.append(InputError(where, repr(name), "each coupon once, with a name", "Correct the name."))
        try:
            check_line(name, where, longest=NAME_LENGTH, in_cells=True)
        except InputError as error:
            problems.append(error)
        seen.add(name)
        settings: dict[str, Any] = {}
        for f in study.factors:
            value = record[f.name]
            good = value in f.levels if f.is_categorical else _is_number(value)
            if not good:
                allowed = ", ".join(f.levels) if f.is_categorical else f"a number in {f.unit}"
                problems.append(InputError(f"{where}, {f.name}", value, allowed, "Correct the setting."))
                continue
            settings[f.name] = str(value) if f.is_categorical else float(value)
        number = record.get("round", next_round)
        if not _is_number(number) or number != int(number) or number < 1:
            problems.append(InputError(f"{where}, round", number, "a whole number from 1", "Number the rounds."))
            continue
        place = {other: value for other in others if (value := _plain(record[other])) is not None}
        rows.append({"name": name, "round": int(number), "settings": settings, "place": place})
    if problems:
        raise InputErrors(problems)
    return rows


def _is_number(value: Any) -> bool:
    try:
        return math.isfinite(float(value))
    except (TypeError, ValueError):
        return False


def _plain(value: Any) -> Any:
    """Plain value of a cell, None when it is empty."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    return None if value is None or value != value or str(value) == "<NA>" else value  # noqa: PLR0124 - NaN


def coupons_of(connection: sa.Connection, study_id: int) -> list[dict[str, Any]]:
    """Coupons of a study in the order they were saved: name, round, settings, place."""
    return [dict(row._mapping) for row in connection.execute(_COUPONS, {"study": study_id})]


def plan_columns(study: Study, rows: Sequence[Mapping[str, Any]]) -> dict[str, list[Any]]:
    """Columns of coupons as `coupons_of` gives them: coupon, <factors>, round, where and how they are made."""
    columns = {"coupon": [row["name"] for row in rows]}
    columns |= {name: [row["settings"][name] for row in rows] for name in study.factor_names}
    columns["round"] = [row["round"] for row in rows]
    given = dict.fromkeys(name for row in rows for name in row["place"])
    for name in (*(n for n in PLACE_COLUMNS if n in given), *(n for n in given if n not in PLACE_COLUMNS)):
        columns[name] = [row["place"].get(name) for row in rows]
    return columns


def plan_types(study: Study) -> dict[str, type]:
    """What columns of a plan hold; of the others it is seen."""
    return {"coupon": str, **{f.name: str if f.levels else float for f in study.factors}, "round": int}


def frame_of(columns: Mapping[str, list[Any]], types: Mapping[str, type]) -> pd.DataFrame:
    """Frame of columns."""
    import pandas as pd  # noqa: PLC0415 - listing studies must not pay for pandas

    return pd.DataFrame({name: pd.Series(values, dtype=types.get(name)) for name, values in columns.items()})


def _clashes(
    rows: list[dict[str, Any]], stored: Mapping[str, Mapping[str, Any]], numbers: list[int]
) -> Iterator[InputError]:
    for made in rows:
        where, old, number = f"plan, coupon {made['name']}", stored.get(made["name"]), made["round"]
        parts = [] if old is None else [part for part in ("round", "settings", "place") if made[part] != old[part]]
        if parts:
            yield InputError(
                where,
                f"another {' and '.join(parts)} than is stored",
                "what is stored, or a new name",
                "A round is never changed; give new coupons names of their own.",
            )
        elif old is None and number in numbers:
            allowed = f"{numbers[-1] + 1} for new coupons"
            yield InputError(f"{where}, round", number, allowed, "A round is never changed; add a new one.")
        elif old is None and numbers and number < numbers[-1]:
            yield InputError(f"{where}, round", number, f"{numbers[-1] + 1}", "Number rounds upwards.")
