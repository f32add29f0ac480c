"""Names that people gave: of a line, a stack, a lot, a recipe, a person. No word in them is a word of ours."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass

import pandas as pd

from doe.domain.factors import Factor
from doe.domain.gauge import Gauge
from doe.domain.outcome import HAND_PREFIX
from doe.domain.recipe import Recipe
from doe.domain.spec import Check
from doe.domain.stack import Line, Machine, Material, Stack
from doe.domain.study import Study

_NAMED = (Stack, Material, Line, Machine, Gauge, Study, Recipe)
"""What people call by a ``name``; that of anything else is ours."""
_GIVEN = {
    *("stack", "supplier", "lot", "detail", "line", "platen", "gauge", "tool", "issuer"),
    *("study", "names", "comparison", "who", "person", "people", "made_by", "approved_by", "retired_by"),
}
"""Whatever holds these, they are what somebody typed."""


def given_names(*things: object) -> tuple[str, ...]:
    """Every name that somebody typed within some things, a text among them being one itself; each once.

    Parameters
    ----------
    things : objects
        What a page is made from: records, reports, stacks, lines, names; frames give the people who felt coupons.

    Examples
    --------
    >>> given_names(Line("back room"), "Ana")
    ('back room', 'oven', 'press', 'Ana')
    """
    return tuple(dict.fromkeys(name for thing in things for name in _within(thing, is_given=True) if name))


def _within(thing: object, *, is_given: bool = False) -> Iterator[str]:
    if isinstance(thing, str):
        if is_given:
            yield thing
    elif isinstance(thing, Factor | Check):
        return
    elif is_dataclass(thing) and not isinstance(thing, type):
        for field in fields(thing):
            given = field.name in _GIVEN or (field.name == "name" and isinstance(thing, _NAMED))
            yield from _within(getattr(thing, field.name), is_given=given)
    elif isinstance(thing, Mapping):
        for key, value in thing.items():
            yield from _within(value, is_given=key in _GIVEN)
    elif isinstance(thing, tuple | list | frozenset):
        for one in thing:
            yield from _within(one, is_given=is_given)
    elif isinstance(thing, pd.DataFrame):
        yield from (str(c).removeprefix(HAND_PREFIX) for c in thing.columns if str(c).startswith(HAND_PREFIX))
