"""What may be said of materials, as fields of a page, and read from one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from doe.domain.errors import InputError
from doe.domain.materials import FACTS
from doe.domain.units import Shown
from doe.office.steps import told
from doe.office.views import Field, Option
from doe.words import typed

PARTS = tuple(FACTS)


def read_facts(
    part: str, said: Mapping[str, str], shown: Shown, problems: dict[str, InputError] | None = None
) -> dict[str, float | str | bool]:
    """What was typed of a material; what cannot be read is among the problems by its field."""
    found: dict[str, float | str | bool] = {}
    for name in FACTS[part]:
        if text := said.get(f"{part}_{name}", ""):
            try:
                found |= typed.material_fact(part, name, text, shown, told(f"part_{part}"))
            except InputError as error:
                if problems is None:
                    raise
                problems[f"{part}_{name}"] = error
    return found


def fact_fields(said: Mapping[str, str]) -> Iterator[Field]:
    """What may be said of the materials, all of it optional."""
    for part in PARTS:
        yield Field("", told(f"part_{part}"), is_heading=True)
        for name, fact in FACTS[part].items():
            value = said.get(f"{part}_{name}", "")
            choices = fact.choices or (("yes", "no") if fact.form == "yes" else ())
            unsaid = Option("", told("fact_unsaid"), is_on=not value)
            options = (*(Option(one, one, is_on=one == value) for one in choices), unsaid) if choices else ()
            yield Field(f"{part}_{name}", fact.asks, value=value, options=options)
