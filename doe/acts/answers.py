"""An answer written down, and read back as it was."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from doe.domain.finding import finding_of
from doe.domain.jsonable import jsonable
from doe.setpoint.answer import Answer, Cliff, SettingRoom, Window

SAYING = ("limits_on_certainty", "changes", "warnings")
"""Parts of an answer that hold facts."""


def answer_data(answer: Answer) -> dict[str, Any]:
    """An answer as what JSON takes; `answer_from` reads it back."""
    data: dict[str, Any] = jsonable(answer)
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
    values["cliffs"] = tuple(Cliff(**_numbers(c, "setting_errors")) for c in values["cliffs"])
    values["room"] = tuple(SettingRoom(**_numbers(r, "lower", "higher")) for r in values.get("room", ()))
    values |= {name: tuple(map(finding_of, values[name])) for name in SAYING}
    return Answer(**values)


def _numbers(found: Mapping[str, Any], *names: str) -> dict[str, Any]:
    """Distances as they were: one that is not a number, as without a setting error, is written as null."""
    return {**found, **{name: math.nan if found[name] is None else found[name] for name in names}}
