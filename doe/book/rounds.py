"""Plans: coupons in rounds, appended and never changed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from doe.book.records import PlanInfo, RoundInfo
from doe.book.store import Writing, insert_all, new_id
from doe.book.studies import Key, find, find_open
from doe.book.tables import acts, coupons, rounds
from doe.book.text import from_text, moment_of, to_text
from doe.domain.errors import InputError, InputErrors
from doe.domain.finding import Finding, finding_of
from doe.domain.plan_kinds import Scale
from doe.domain.serial import study_from
from doe.domain.study import Study
from doe.domain.texts import NAME_LENGTH, check_line

if TYPE_CHECKING:
    import pandas as pd

PLACE_COLUMNS = ("cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke", "role")
"""Where and how a coupon is made, besides its settings and round."""


def save(
    writing: Writing,
    key: Key,
    frame: pd.DataFrame,
    *,
    kind: str,
    seed: int,
    notes: Sequence[Finding | str],
    scale: Scale,
) -> tuple[int, ...]:
    """Append the rounds of a plan that are not stored yet; returns their numbers.

    Raises
    ------
    InputErrors
        Naming every column, coupon and setting that cannot be used. Rounds stored already must be the same.
    """
    connection = writing.connection
    row = find_open(connection, key)
    study = study_from(from_text(row.data))
    stored = _stored(connection, row.study_id)
    numbers = sorted({made["round"] for made in stored.values()})
    rows = _rows(study, frame, next_round=numbers[-1] + 1 if numbers else 1)
    problems = _clashes(rows, stored, numbers)
    if problems:
        raise InputErrors(problems)
    fresh = [made for made in rows if made["name"] not in stored]
    new_rounds = tuple(dict.fromkeys(made["round"] for made in fresh))
    for number in sorted(new_rounds):
        mine = [made for made in fresh if made["round"] == number]
        act = writing.act(
            "add round", f"{row.name}, round {number}: {len(mine)} coupons", rows=1 + len(mine), study_id=row.study_id
        )
        made_round = rounds.insert().values(
            study_id=row.study_id,
            number=number,
            kind=kind,
            seed=int(seed),
            notes=to_text(list(notes)),
            scale=scale,
            act_id=act,
        )
        round_id = new_id(connection, made_round)
        insert_all(
            connection,
            coupons,
            [
                {
                    "study_id": row.study_id,
                    "round_id": round_id,
                    "name": made["name"],
                    "act_id": act,
                    "settings": to_text(made["settings"]),
                    "place": to_text(made["place"]),
                }
                for made in mine
            ],
        )
    return tuple(sorted(new_rounds))


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
        place = {other: _plain(record[other]) for other in others}
        rows.append(
            {
                "name": name,
                "round": int(number),
                "settings": settings,
                "place": {key: value for key, value in place.items() if value is not None},
            }
        )
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


def _stored(connection: sa.Connection, study_id: int) -> dict[str, dict[str, Any]]:
    query = (
        sa.select(coupons.c.name, coupons.c.settings, coupons.c.place, rounds.c.number)
        .join(rounds, coupons.c.round_id == rounds.c.id)
        .where(coupons.c.study_id == study_id)
        .order_by(coupons.c.id)
    )
    return {
        row.name: {
            "name": row.name,
            "round": row.number,
            "settings": from_text(row.settings),
            "place": from_text(row.place),
        }
        for row in connection.execute(query)
    }


def _clashes(
    rows: list[dict[str, Any]], stored: Mapping[str, Mapping[str, Any]], numbers: list[int]
) -> list[InputError]:
    problems = []
    for made in rows:
        where, old = f"plan, coupon {made['name']}", stored.get(made["name"])
        if old is not None:
            parts = [part for part in ("round", "settings", "place") if made[part] != old[part]]
            if parts:
                problems.append(
                    InputError(
                        where,
                        f"another {' and '.join(parts)} than is stored",
                        "what is stored, or a new name",
                        "A round is never changed; give new coupons names of their own.",
                    )
                )
        elif made["round"] in numbers:
            problems.append(
                InputError(
                    f"{where}, round",
                    made["round"],
                    f"{numbers[-1] + 1} for new coupons",
                    "A round is never changed; add a new one.",
                )
            )
        elif numbers and made["round"] < numbers[-1]:
            problems.append(
                InputError(f"{where}, round", made["round"], f"{numbers[-1] + 1}", "Number rounds upwards.")
            )
    return problems


def frame_of(connection: sa.Connection, key: Key) -> pd.DataFrame:
    """Every coupon of a study, as `doe.book.book.Book.plan_coupons` describes."""
    row = find(connection, key)
    return plan_frame(study_from(from_text(row.data)), list(_stored(connection, row.study_id).values()))


def plan_frame(study: Study, rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Frame of stored coupons: coupon, <factors>, round, where and how they are made."""
    import pandas as pd  # noqa: PLC0415 - listing studies must not pay for pandas

    columns: dict[str, Any] = {"coupon": pd.Series([row["name"] for row in rows], dtype=str)}
    for f in study.factors:
        columns[f.name] = pd.Series([row["settings"][f.name] for row in rows], dtype=str if f.levels else float)
    columns["round"] = pd.Series([row["round"] for row in rows], dtype=int)
    given = dict.fromkeys(name for row in rows for name in row["place"])
    for name in (*(n for n in PLACE_COLUMNS if n in given), *(n for n in given if n not in PLACE_COLUMNS)):
        columns[name] = pd.Series([row["place"].get(name) for row in rows])
    return pd.DataFrame(columns)


def info(connection: sa.Connection, key: Key) -> PlanInfo:
    """How each round was made."""
    row = find(connection, key)
    counted = sa.select(sa.func.count()).where(coupons.c.round_id == rounds.c.id).scalar_subquery()
    made = connection.execute(
        sa.select(
            rounds.c.number,
            rounds.c.kind,
            rounds.c.seed,
            rounds.c.notes,
            rounds.c.scale,
            acts.c.at,
            acts.c.who,
            counted.label("coupons"),
        )
        .join(acts, rounds.c.act_id == acts.c.id)
        .where(rounds.c.study_id == row.study_id)
        .order_by(rounds.c.number)
    )
    return PlanInfo(
        tuple(
            RoundInfo(
                m.number,
                m.kind,
                m.seed,
                tuple(map(finding_of, from_text(m.notes))),
                m.coupons,
                moment_of(m.at),
                m.who,
                m.scale,
            )
            for m in made
        )
    )
