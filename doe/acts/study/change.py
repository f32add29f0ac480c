"""Changing what a study asks: ranges, names, target and limits, with what that does to its coupons and to recipes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from doe.acts.base import Key
from doe.acts.recipe.recipes import recipes_to_list
from doe.acts.study.limits import refuse_held
from doe.acts.study.standing import stricter_limits
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.limits import LIMIT_OPTIONS, LIMITED, Limits, loosened
from doe.domain.recipe import KeptRecipe, is_same_make, parts_of
from doe.domain.stack import Stack
from doe.domain.study import Study
from doe.words.study.typed import LIMITS_WHY


@dataclass(frozen=True)
class Changed:
    """A study that was changed: what it ``was`` and is, what becomes of its coupons, and recipes now in doubt."""

    was: Study
    record: StudyRecord
    said: tuple[Finding, ...]
    in_doubt: tuple[KeptRecipe, ...]


def change_study(book: Book, key: Key, changed: Study, why: str = "") -> Changed:
    """Keep a study as it is wanted now. A stricter limit is taken whatever was planned, made or released before.

    Raises
    ------
    InputError
        If there is no why and it needs one (only limits that were never given, or become stricter, do not), a setting
        that is held now breaks a limit, or what coupons were made of would be lost.
    """
    record = book.study(key)
    was = record.study
    if changed == was:
        return Changed(was, record, (), ())
    looser = loosened(was.limits, changed.limits)
    only_limits = was.with_limits(changed.limits) == changed
    if not why.strip() and (looser or not only_limits):
        what = ", ".join(LIMIT_OPTIONS[name] for name in looser)
        raise InputError(
            f"study {was.name}, why",
            f"{what} looser than before, without a reason" if looser else "nothing",
            "a reason, since a limit is loosened" if looser else "a reason for the change",
            'Add --why "...": say what it rests on, such as the new edition of the data sheet.'
            if looser
            else 'Add --why "...".',
        )
    if changed.held != was.held:
        refuse_held(changed)
    _refuse_lost_levels(book, record, changed)
    book.amend_study(record.id, changed, why.strip() or LIMITS_WHY)
    said = _of_coupons(book, record, changed)
    return Changed(was, book.study(record.id), said, recipes_doubted(book, record.id))


def recipes_doubted(book: Book, study_id: int) -> tuple[KeptRecipe, ...]:
    """Recipes in force that lie beyond a limit which this study states."""
    in_force = recipes_to_list(book)
    return tuple(k for k in in_force if any(limit.study_id == study_id for limit in stricter_limits(book, k)))


def _refuse_lost_levels(book: Book, record: StudyRecord, changed: Study) -> None:
    columns = book.result_columns(record.id)
    for f in changed.categorical:
        lost = sorted({str(level) for level in columns.get(f.name, ())} - {*f.levels})
        if lost:
            raise InputError(
                f"study {record.name}, {f.name}",
                f"no level {', '.join(lost)}",
                "every level that coupons were planned on",
                "Keep the level, or copy the study and plan anew.",
            )


def _of_coupons(book: Book, record: StudyRecord, now: Study) -> tuple[Finding, ...]:
    """Coupons that the change leaves outside: those made stay and count, those still to be made are not to be made."""
    columns, said = book.result_columns(record.id), []
    for f in now.numeric:
        if f.name not in columns or f.name not in record.study.factor_names:
            continue
        before, after = record.study.permitted(f.name), now.permitted(f.name)
        low, high = (now.limits or Limits()).bounds(f.name, f.heated_mm)
        limit = -math.inf if low is None else low, math.inf if high is None else high
        groups: dict[str, list[str]] = {"made": [], "waiting": [], "beyond": []}
        for coupon, value, passed, void in zip(
            columns["coupon"], columns[f.name], columns["passed"], columns["void"], strict=True
        ):
            if void or not _inside(value, before) or _inside(value, after):
                continue
            kind = "made" if passed is not None else "waiting" if _inside(value, limit) else "beyond"
            groups[kind].append(str(coupon))
        said += [
            Finding(kind, {"factor": f.name, "many": len(names), "coupons": tuple(names)})
            for kind, names in groups.items()
            if names
        ]
    return tuple(said)


def _inside(value: float, ends: tuple[float, float]) -> bool:
    return ends[0] - 1e-9 <= value <= ends[1] + 1e-9


@dataclass(frozen=True)
class Copied:
    """A study that was copied, and the limits that were left behind, by field."""

    record: StudyRecord
    left: tuple[str, ...]


def copy_study(book: Book, key: Key, name: str, *, stack: str = "", line: str = "") -> Copied:
    """A new study that asks what another asks, on its stack and line or on others; no coupon or score goes over.

    Limits of a material or machine that is another one now are left behind: its own data sheet is to be read.

    Raises
    ------
    InputError
        If the name is taken, or there is no such study, stack or line.
    """
    record = book.study(key)
    there, where = book.stack(stack or record.stack.name), line or record.line.name
    study = replace(record.study, name=name, most_coupons=None)
    left, limits = limits_elsewhere(record, there, where)
    if limits is not None:
        study = study.with_limits(limits)
    number = book.add_study(study, stack=there.name, line=where)
    return Copied(book.study(number), left)


def limits_elsewhere(record: StudyRecord, stack: Stack, line: str) -> tuple[tuple[str, ...], Limits | None]:
    """Limits of a study that are left behind on another stack or line, by field, and those that go along."""
    left, limits = _of_others(record, stack, line), record.study.limits
    if limits is None:
        return left, None
    sources = {limit: source for limit, source in limits.sources.items() if limit not in left}
    return left, replace(limits, **dict.fromkeys(left), sources=sources)


def _of_others(record: StudyRecord, stack: Stack, line: str) -> tuple[str, ...]:
    """Limits that speak of a material or a machine which is another one now."""
    if record.study.limits is None:
        return ()
    ours, theirs = parts_of(record.stack), parts_of(stack)
    given = (name for name in LIMITED if getattr(record.study.limits, name) is not None)
    return tuple(
        name
        for name in given
        if (
            line != record.line.name
            if (part := LIMITED[name]) == "line"
            else not is_same_make(ours[part], theirs[part])
        )
    )
