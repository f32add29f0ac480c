"""An answer written down, and read back as it was."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

import pandas as pd

from doe.domain.finding import Finding
from doe.domain.jsonable import jsonable
from doe.setpoint.answer import Answer, Cliff, Window
from doe.surfaces.facts import Fact, Said

SAYING = ("limits_on_certainty", "changes", "warnings")
"""Parts of an answer that hold facts."""


def facts_data(facts: Sequence[Said]) -> list[Any]:
    """Facts as what JSON takes, without what is left at its default; a sentence stays one."""

    def known(fact: Fact | Finding) -> dict[str, Any]:
        values = {f.name: getattr(fact, f.name) for f in fields(fact) if getattr(fact, f.name) != f.default}
        return {name: jsonable(value) for name, value in values.items()}

    return [fact if isinstance(fact, str) else known(fact) for fact in facts]


def facts_from(data: Sequence[Any]) -> tuple[Said, ...]:
    """What `facts_data` wrote down, or the sentences that an older version kept."""

    def fact(found: Mapping[str, Any]) -> Fact:
        values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in found.items()}
        return Fact(**values)

    return tuple(found if isinstance(found, str) else fact(found) for found in data)


def answer_data(answer: Answer) -> dict[str, Any]:
    """An answer as what JSON takes; `answer_from` reads it back."""
    data: dict[str, Any] = jsonable(answer)
    data |= {name: facts_data(getattr(answer, name)) for name in SAYING}
    # an empty frame keeps its columns too
    data["next_coupons"] = {"columns": list(answer.next_coupons.columns), "rows": data["next_coupons"]}
    return data


def answer_from(data: Mapping[str, Any]) -> Answer:
    """The answer that `answer_data` wrote down."""

    def window(found: Mapping[str, Any] | None) -> Window | None:
        if found is None:
            return None
        rows = pd.DataFrame(found["bounds"])
        return Window(**{**found, "bounds": rows.set_index(rows.columns[0]).rename_axis(None)})

    values = dict(data)
    following = values["next_coupons"]
    values["next_coupons"] = pd.DataFrame(following["rows"], columns=following["columns"])
    values["window"], values["assured_window"] = window(values["window"]), window(values["assured_window"])
    values["cliffs"] = tuple(
        Cliff(**{**c, "setting_errors": math.nan if c["setting_errors"] is None else c["setting_errors"]})
        for c in values["cliffs"]
    )
    values |= {name: facts_from(values[name]) for name in SAYING}
    return Answer(**values)
