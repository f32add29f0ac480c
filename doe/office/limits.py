"""Limits of data sheets as forms ask for them: each with where it stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from doe.bench.web import Visit
from doe.domain.errors import InputError
from doe.domain.limits import LIMIT_NAMES, Limits
from doe.domain.units import Shown
from doe.office.steps import told
from doe.office.views import Field
from doe.words import typed
from doe.words.limits import LIMIT_LABELS


def limit_fields(name: str, shown: Shown, value: str, source: str) -> tuple[Field, Field]:
    """Fields for a limit, by its name at the command line, and for where it stands."""
    field = LIMIT_NAMES[name]
    label = LIMIT_LABELS[field]
    unit = shown.unit(limit_unit(field))
    hint = told("limit_unit", unit={"degC": "°C", "degF": "°F"}.get(unit, unit))
    return (
        Field(name, label[0].upper() + label[1:], value=value, hint=hint),
        Field(f"{name}_source", told("limit_source"), value=source, hint=told("limit_source_hint")),
    )


def limit_unit(field: str) -> str:
    """Unit that a limit is stored in, by its field."""
    return "degC" if field.endswith("_degc") else "s" if field.endswith("_s") else "bar"


def limits_sent(
    visit: Visit, names: Iterable[str], base: Limits | None
) -> tuple[Limits | None, list[str], Mapping[str, InputError]]:
    """Limits that were sent beside those of ``base``, the same as options, and what is wrong by field."""
    return limits_said({field: visit.text(field) for field in visit.form}, names, base, visit.bench.shop.shown)


def limits_said(
    said: Mapping[str, str], names: Iterable[str], base: Limits | None, shown: Shown
) -> tuple[Limits | None, list[str], Mapping[str, InputError]]:
    """The same of what was typed, by field."""
    found, texts, problems = base, [], {}
    for name in names:
        text, source = said.get(name, ""), said.get(f"{name}_source", "")
        if not text:
            continue
        if not source:
            problems[f"{name}_source"] = InputError(name, "no source", "where it stands", told("limit_needs_source"))
            continue
        try:
            found = typed.limits([f"{name}={text}@{source}"], found, shown)
            texts.append(f"{name}={text}@{source}")
        except InputError as error:
            problems[name] = InputError(name, repr(text), error.allowed, error.remedy)
    return found, texts, problems
