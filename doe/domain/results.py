"""Scored coupons, checked once at the edge and ready for fitting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.errors import InputError, InputErrors, plain
from doe.domain.factors import Factor, check_value, value_bounds
from doe.domain.limits import CEILING_DEGC
from doe.domain.outcome import (
    ACTUAL_PREFIX,
    BATCH_COLUMNS,
    CHECK_PREFIX,
    GRADES,
    HAND_PREFIX,
    HELD,
    LATE,
    PASSED_GRADES,
    POINTED,
    POINTS_PREFIX,
    SIDES,
    WAITING,
    check_hand,
    grade_at_odds,
    is_open_at_press,
    is_unfinished,
    washed,
)
from doe.domain.study import Study
from doe.domain.units import check_celsius, degc


@dataclass(frozen=True)
class Results:
    """Coupons with a pass/fail result, n of them, in the order given.

    Attributes
    ----------
    coupon : array of str, shape (n,)
    settings : DataFrame, n rows, one column a factor
        The settings used for fitting: measured actual values where they were taken, else the set values.
    measured : DataFrame of bool, same shape
        Where a measured actual value replaced the set value.
    passed : bool array, shape (n,)
    side : array of str, shape (n,)
        ``""`` for passed coupons, else ``under``, ``over``, ``other`` or ``unknown``.
    grade : array of str, shape (n,)
        ``clean`` or ``just`` for passed coupons, ``slight`` or ``bad`` for failed ones; ``""`` where not given.
    points : float array, shape (n, 3)
        How much a failed coupon's symptom points to too little heat, to too much and to other reasons, adding up to 1;
        0 where nobody could tell, and for passes.
    wash : array of str, shape (n,)
        ``waiting``: passes so far, a check after washing is still to come; ``held``: passed those too; ``failed``: only
        a wash showed the failure; ``""``: failed before, or no such check is asked for.
    unfinished : bool array, shape (n,)
        Passes so far, and some check that the study asks for is still to come.
    open_at_press : bool array, shape (n,)
        Of these, those of which a check before the wash is still to come; the wash may be, too.
    hand : float array, shape (n, people)
        Hand-feel 1 to 5, NaN where not scored.
    people : tuple of str
    batches : DataFrame, n rows; columns round, cure_batch, press_batch, garment
        Labels as text; ``""`` where not known.
    order : float array, shape (n,), or None
        When each coupon was pressed, counted over all rounds; None where it is not known for every coupon.
    waiting : int
        Coupons left out because no pass/fail result is there yet.
    """

    coupon: NDArray[np.str_]
    settings: pd.DataFrame
    measured: pd.DataFrame
    passed: NDArray[np.bool_]
    side: NDArray[np.str_]
    grade: NDArray[np.str_]
    points: NDArray[np.float64]
    wash: NDArray[np.str_]
    unfinished: NDArray[np.bool_]
    open_at_press: NDArray[np.bool_]
    hand: NDArray[np.float64]
    people: tuple[str, ...]
    batches: pd.DataFrame
    order: NDArray[np.float64] | None = None
    waiting: int = 0

    @property
    def coupons(self) -> int:
        """Number of coupons."""
        return len(self.passed)


def read_results(study: Study, frame: pd.DataFrame) -> Results:
    """Check a results frame against its study and return it ready for fitting.

    Parameters
    ----------
    study : Study
    frame : DataFrame
        One row a coupon: every factor, ``passed`` (bool; empty while waiting), ``side``, ``hand_<person>``, optional
        ``check_<check>`` (bool, empty while it is to come; with one of them, a check without a column is to come),
        ``grade``, ``wash`` (what the checks say where it is left out), ``points_under``, ``points_over``,
        ``points_other`` (by default all to the side), ``actual_<factor>``, ``coupon``, ``round``, ``cure_batch``,
        ``press_batch``, ``garment``, ``press_order``.

    Raises
    ------
    InputErrors
        Naming every row and column that cannot be used.
    """

    absent = [n for n in (*study.factor_names, "passed") if n not in frame.columns]
    if absent:
        raise InputError(
            "results",
            ", ".join(map(str, frame.columns)),
            f"columns {', '.join(absent)}",
            "Add the missing columns.",
        )
    frame = frame.reset_index(drop=True)
    coupon = _coupon_names(frame)
    scored = frame["passed"].notna().to_numpy()
    problems: list[InputError] = []
    rows = [f"results, row {i + 1}" for i in range(len(frame))]

    settings, measured = {}, {}
    for f in study.factors:
        column = frame[f.name]
        took = np.zeros(len(frame), dtype=bool)
        if f.is_categorical:
            values = column.astype(str).to_numpy()
            problems += [
                InputError(f"{rows[i]}, {f.name}", repr(values[i]), ", ".join(f.levels), "Correct the level.")
                for i in np.flatnonzero(~np.isin(values, f.levels))
            ]
        else:
            values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
            actual = frame.get(ACTUAL_PREFIX + f.name)
            if actual is not None:
                taken = pd.to_numeric(actual, errors="coerce").to_numpy(dtype=float)
                took = actual.notna().to_numpy()
                values = np.where(took, taken, values)
            bad = ~np.isfinite(values) | ((values <= 0) if f.scale == "log" else False)
            for i in np.flatnonzero(bad):
                name, said = (ACTUAL_PREFIX + f.name, actual) if took[i] and actual is not None else (f.name, column)
                problems.append(
                    InputError(f"{rows[i]}, {name}", said.iloc[i], f"a number in {f.unit}", "Enter the setting used.")
                )
            problems += _impossible(f, np.where(bad, f.low, values), rows)
        settings[f.name], measured[f.name] = values, took

    passed, found = _passed(frame["passed"], [f"{row}, passed" for row in rows])
    problems += found
    side, found = _sides(frame, passed, scored, rows)
    problems += found
    grade, found = _grades(frame, passed, scored, rows)
    problems += found
    wash, unfinished, open_at_press, found = _still_to_come(study, frame, passed, scored, rows)
    problems += found
    hand_columns = [c for c in frame.columns if str(c).startswith(HAND_PREFIX)]
    hand = np.full((len(frame), len(hand_columns)), np.nan)
    for j, name in enumerate(hand_columns):
        column = frame[name]
        hand[:, j] = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
        for i in np.flatnonzero(column.notna().to_numpy()):
            try:
                check_hand(float(hand[i, j]), f"{rows[i]}, {name}")
            except InputError as error:
                problems.append(error)
    points, found = _points(frame, side, rows)
    problems += found
    if problems:
        raise InputErrors(problems)
    batches = pd.DataFrame({c: _labels(frame.get(c), len(frame)) for c in BATCH_COLUMNS})
    return Results(
        coupon=coupon[scored],
        settings=pd.DataFrame(settings)[scored].reset_index(drop=True),
        measured=pd.DataFrame(measured)[scored].reset_index(drop=True),
        passed=passed[scored],
        side=side[scored],
        grade=grade[scored],
        points=points[scored],
        wash=wash[scored],
        unfinished=unfinished[scored],
        open_at_press=open_at_press[scored],
        hand=hand[scored],
        people=tuple(str(c)[len(HAND_PREFIX) :] for c in hand_columns),
        batches=batches[scored].reset_index(drop=True),
        order=_order(frame[scored]),
        waiting=int((~scored).sum()),
    )


def _impossible(factor: Factor, values: NDArray[np.float64], rows: list[str]) -> list[InputError]:
    """Settings that no machine has, and temperatures that lie in the tested range when read as Fahrenheit.

    A coupon somebody did make at 210 degC is taken: its failure tells something.
    """

    problems = []
    least, most = value_bounds(factor.unit)
    swapped = np.array([degc(value) for value in values]) if factor.is_temperature else values
    fahrenheit = (values >= CEILING_DEGC) & (swapped >= factor.low) & (swapped <= factor.high) & factor.is_temperature
    for i in ((values < least) | (values > most) | fahrenheit).nonzero()[0]:
        where = f"{rows[i]}, {factor.name}"
        try:
            if fahrenheit[i]:
                check_celsius(float(values[i]), where)
            check_value(float(values[i]), factor.unit, where)
        except InputError as error:
            problems.append(error)
    return problems


def _order(frame: pd.DataFrame) -> NDArray[np.float64] | None:

    if "press_order" not in frame.columns:
        return None
    place = pd.to_numeric(frame["press_order"], errors="coerce").to_numpy(dtype=float)
    turn = pd.to_numeric(frame.get("round", pd.Series(1, index=frame.index)), errors="coerce").to_numpy(dtype=float)
    if not (np.isfinite(place) & np.isfinite(turn)).all():
        return None
    order = np.empty(len(frame))
    order[np.lexsort((place, turn))] = np.arange(len(frame), dtype=float)
    return order


def _coupon_names(frame: pd.DataFrame) -> NDArray[np.str_]:

    if "coupon" not in frame.columns:
        return np.array([f"row {i + 1}" for i in range(len(frame))], dtype=str)
    names = frame["coupon"].astype(str)
    twice = names[names.duplicated()].unique()
    if len(twice):
        raise InputError("results, coupon", ", ".join(twice[:5]), "each coupon once", "Keep one row a coupon.")
    return names.to_numpy(dtype=str)


def _labels(column: pd.Series | None, rows: int) -> NDArray[np.str_]:

    if column is None:
        return np.full(rows, "", dtype=object).astype(str)
    return column.map(lambda v: "" if pd.isna(v) else plain(v) if isinstance(v, float) else str(v)).to_numpy(dtype=str)


def _passed(column: pd.Series, rows: list[str]) -> tuple[NDArray[np.bool_], list[InputError]]:

    values = np.zeros(len(column), dtype=bool)
    problems = []
    for i, value in enumerate(column):
        if pd.isna(value):
            continue
        if value in (True, False, 0, 1):
            values[i] = bool(value)
        else:
            problems.append(InputError(rows[i], repr(value), "true or false", "Leave it empty while waiting."))
    return values, problems


def _still_to_come(
    study: Study, frame: pd.DataFrame, passed: NDArray[np.bool_], scored: NDArray[np.bool_], rows: list[str]
) -> tuple[NDArray[np.str_], NDArray[np.bool_], NDArray[np.bool_], list[InputError]]:
    """`Results.wash`, `unfinished` and `open_at_press`, from the checks where the frame has any; what is wrong."""
    names = [CHECK_PREFIX + check.name for check in study.spec.checks]
    there = [name for name in names if name in frame.columns]
    said: dict[str, list[bool | None]] = {name: [None] * len(frame) for name in names}
    problems = []
    for name in there:
        values, found = _passed(frame[name], [f"{row}, {name}" for row in rows])
        problems += found
        said[name] = [None if pd.isna(v) else bool(p) for v, p in zip(frame[name], values, strict=True)]
    checks = list(zip(*said.values(), strict=True)) if there else []
    late = [check.is_later for check in study.spec.checks]
    if checks and "wash" not in frame.columns:
        frame = frame.assign(wash=[washed(values, late) for values in checks])
    wash, found = _washes(frame, passed, scored, rows)
    if not checks:
        nobody = np.zeros(len(frame), bool)
        return wash, passed & (wash == WAITING), nobody, problems + found
    waits = np.array([is_unfinished(values) for values in checks], dtype=bool)
    at_press = np.array([is_open_at_press(values, late) for values in checks], dtype=bool)
    return wash, passed & ((wash == WAITING) | waits), passed & at_press, problems + found


def _sides(
    frame: pd.DataFrame, passed: NDArray[np.bool_], scored: NDArray[np.bool_], rows: list[str]
) -> tuple[NDArray[np.str_], list[InputError]]:

    given = _labels(frame.get("side"), len(frame))
    problems = [
        InputError(
            f"{rows[i]}, side",
            repr(str(given[i])),
            "under, over, other, unknown, or empty",
            "Correct the side.",
        )
        for i in np.flatnonzero(~np.isin(given, SIDES))
    ]
    # a failed coupon without a side has failed for a reason nobody named; a passed one has no side
    side = np.where(passed, "", np.where(given == "", "unknown", given))
    return np.where(scored, side, "").astype(str), problems


def _grades(
    frame: pd.DataFrame, passed: NDArray[np.bool_], scored: NDArray[np.bool_], rows: list[str]
) -> tuple[NDArray[np.str_], list[InputError]]:

    given = _labels(frame.get("grade"), len(frame))
    known = np.isin(given, GRADES)
    at_odds = known & scored & (given != "") & (np.isin(given, PASSED_GRADES) != passed)
    problems = [
        InputError(f"{rows[i]}, grade", repr(str(given[i])), ", ".join(GRADES[1:]) + ", or empty", "Correct the grade.")
        for i in np.flatnonzero(~known)
    ]
    problems += [
        grade_at_odds(given[i], passed=bool(passed[i]), where=f"{rows[i]}, grade") for i in np.flatnonzero(at_odds)
    ]
    return np.where(scored, given, "").astype(str), problems


def _washes(
    frame: pd.DataFrame, passed: NDArray[np.bool_], scored: NDArray[np.bool_], rows: list[str]
) -> tuple[NDArray[np.str_], list[InputError]]:

    given = _labels(frame.get("wash"), len(frame))
    fits = np.where(passed, np.isin(given, ("", WAITING, HELD)), np.isin(given, ("", LATE)))
    problems = [
        InputError(
            f"{rows[i]}, wash",
            repr(str(given[i])),
            f"{WAITING} or {HELD} of a pass, {LATE} of a failure, or empty",
            "Correct it, or leave it empty.",
        )
        for i in np.flatnonzero(~fits & scored)
    ]
    return np.where(scored, given, "").astype(str), problems


def points_of(side: NDArray[np.str_]) -> NDArray[np.float64]:
    """`Results.points` of symptoms that point to one side each, shape (n, 3)."""
    return np.asarray((side[:, None] == np.array(POINTED)).astype(float))


def _points(
    frame: pd.DataFrame, side: NDArray[np.str_], rows: list[str]
) -> tuple[NDArray[np.float64], list[InputError]]:
    """What the frame says where it says it, else all to the side; nothing for an unknown one."""
    points, names = points_of(side), [POINTS_PREFIX + name for name in POINTED]
    if not set(names) <= set(frame.columns):
        return points, []
    told = frame[names].apply(pd.to_numeric, errors="coerce").to_numpy(dtype=float)
    empty = frame[names].isna().to_numpy()
    bad = ~empty & ~((told >= 0) & np.isfinite(told))
    problems = [
        InputError(f"{rows[i]}, {names[j]}", repr(frame[names[j]].iloc[i]), "0 or more", "Leave it empty if not known.")
        for i, j in np.argwhere(bad)
    ]
    told = np.where(bad | empty, 0.0, told)
    said = told.any(axis=1) & (side != "")
    points[said] = told[said] / told[said].sum(axis=1, keepdims=True)
    return points, problems
