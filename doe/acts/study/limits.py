"""Limits that must be known before anything is planned, and settings they do not permit."""

from __future__ import annotations

from typing import Any

from doe.book.book import Book
from doe.domain.errors import InputError, InputErrors, quoted
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.limits import CEILING_DEGC, LIMIT_OPTIONS, LIMITED, Limits, check_ranges, missing_limits
from doe.domain.recipe import is_same_make
from doe.domain.stack import Line, Stack
from doe.domain.study import Study
from doe.domain.units import show_both
from doe.words.study.state import limits_command


def missing(study: Study) -> list[str]:
    """Limits that are not known yet, by the names used at the command line."""
    return [LIMIT_OPTIONS[name] for name in missing_limits(study.factors, study.limits)]


def known_limits(book: Book, stack: Stack, line: Line) -> Limits:
    """What studies in use state of the same materials and line: of each limit the strictest, with its source."""
    found: dict[str, Any] = {}
    sources: dict[str, str] = {}
    for stated in book.limits_on_record():
        if (part := LIMITED[stated.limit]) == "line":
            is_same = stated.line == line.name
        else:
            is_same = is_same_make(getattr(stack, part), getattr(stated.stack, part))
        if stated.archived or not is_same:
            continue
        kept = found.get(stated.limit)
        stricter = max if stated.limit.startswith("min_") else min
        if kept is None or stricter(kept, stated.value) != kept:
            found[stated.limit] = stated.value
            limits = book.study(stated.study_id).study.limits
            sources[stated.limit] = "" if limits is None else limits.sources.get(stated.limit, "")
    return Limits(**found, sources={limit: source for limit, source in sources.items() if source})


def refuse_held(study: Study) -> None:
    """Refuse a setting held constant that the limits do not permit.

    Raises
    ------
    InputErrors
        Naming every such setting.
    """
    if (broken := held_beyond(study)) is not None:
        raise broken


def held_beyond(study: Study) -> InputErrors | None:
    """What is wrong with settings held constant that the limits do not permit; None where they do."""
    problems = []
    for name, value in study.held.items():
        known = KNOWN_FACTORS.get(name)
        if known is None or isinstance(value, str):
            continue
        low, high = study.limits.bounds(name) if study.limits else (None, None)
        if known.unit == "degC" and value >= CEILING_DEGC:
            allowed = f"below {show_both(CEILING_DEGC, 'degC')}"
        elif high is not None and value > high:
            allowed = f"at most {show_both(high, known.unit)} (limit)"
        elif low is not None and value < low:
            allowed = f"at least {show_both(low, known.unit)} (limit)"
        else:
            continue
        remedy = "Correct the held setting, or the limit from the data sheet."
        problems.append(InputError(f"held {known.label}", show_both(value, known.unit), allowed, remedy))
    return InputErrors(problems) if problems else None


def known_beyond(study: Study) -> InputErrors | None:
    """What is wrong with known settings that the limits do not permit; None where they do."""
    try:
        check_ranges(study.factors, study.limits)
    except InputErrors as error:
        return error
    return None


def refuse_without_limits(study: Study) -> None:
    """Refuse to plan before every limit and a belt's length are known, or a known setting that lies beyond a limit.

    Raises
    ------
    InputError
        Naming the missing ones and what to type, or the setting.
    """
    for f in study.numeric:
        if f.name == "belt_speed" and f.heated_mm is None:
            raise InputError(
                f"{f.label} of {study.name}",
                "no heated length",
                "the length of belt in the heat, which makes a time of its speed",
                f'Type: doe study amend {quoted(study.name)} --factor belt_speed,heated=1.2m --why "measured"',
            )
    if absent := missing(study):
        raise InputError(
            f"limits of {study.name}",
            f"{len(absent)} missing ({', '.join(absent)})",
            "every limit of the makers' data sheets before a plan is made",
            f"Type: {limits_command(study.name, absent)}",
        )
    if study.known is not None:  # a range is cut to its limits; a single setting cannot be
        check_ranges(study.factors, study.limits)
    refuse_held(study)


def refuse_known(study: Study, act: str) -> None:
    """Refuse to search where the settings are known.

    Raises
    ------
    InputError
        Saying what to do instead.
    """
    if study.known is not None:
        raise InputError(
            f"{act} of {study.name}",
            f"settings that are known ({study.known}): nothing is searched",
            "a study with ranges",
            f"Confirm them: doe confirm {quoted(study.name)}; or search: doe study new.",
        )
