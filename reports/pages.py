"""Turning view-models into pages: one template environment for every page we make."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import fields
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined

from doe.words.cautions import CAUTIONS, FIXED_WORDING, FOOTER, SPECIAL_GOODS
from doe.words.glossary import words_in
from doe.words.typography import printed
from reports.codes import with_whole_codes
from reports.taps import place_of, with_taps, without_names

STANDING = {
    "cautions": CAUTIONS,
    "fixed_wording": FIXED_WORDING,
    "special_goods": SPECIAL_GOODS,
    "footer": FOOTER,
}
"""Wording of every printed page: variables that a template has without being given them."""


def template_source(name: str) -> str | None:
    """Text of a packaged template, style sheet or script; None if there is none of that name."""
    place = files("doe.templates").joinpath(name)
    return place.read_text(encoding="utf-8") if place.is_file() else None


@cache
def environment(*, set_well: bool = True) -> Environment:
    """Jinja2 environment of our pages: everything escaped, a missing variable is an error.

    ``set_well``: text is set as print is; without it no text is changed on its way.
    """
    made = Environment(
        loader=FunctionLoader(template_source),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=printed if set_well else None,
    )
    made.globals |= STANDING
    return made


def render(template: str, view: Any, *, names: Collection[str], set_well: bool = True) -> str:
    """Page of a view-model.

    Parameters
    ----------
    template : str
        File name in ``templates/``.
    view : dataclass
        Each of its fields becomes a variable of the template, by the same name.
    names : collection of str
        Names on it that people gave, see `reports.names.given_names`: no word in them is explained as one of ours.
    set_well : bool
        See `environment`.

    Returns
    -------
    str
        A whole HTML document.
    """
    values = {field.name: getattr(view, field.name) for field in fields(view)}
    page = environment(set_well=set_well).get_template(template).render(values)
    return with_whole_codes(_explained(page, names))


_UNSEEN = re.compile(r"<(style|script|head)\b.*?</\1>|<[^>]*>", re.DOTALL)
_HERE = "<!-- words -->"


def _explained(page: str, names: Collection[str]) -> str:
    """A page whose words of ours open their explanation on a tap: in the running text, and all of them in a fold.

    They do where its template says where the fold stands.
    """
    if _HERE not in page:
        return page
    words = [(word, place_of(word)) for word in words_in(without_names(_UNSEEN.sub(" ", page), names))]
    fold = environment().get_template("words.html").render(words=words)
    return with_taps(page, names).replace(_HERE, fold)
