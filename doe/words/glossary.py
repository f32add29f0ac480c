"""The words of reports and practice, each explained in one paragraph in shop language.

They stand in `templates/tables/glossary.toml`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches

from doe.domain.errors import InputError
from doe.domain.jsonable import packaged_table, rows


@dataclass(frozen=True)
class Word:
    """One word with its explanation.

    Parameters
    ----------
    name : str
        As reports write it.
    text : str
        One paragraph.
    also : tuple of str
        Other names for the same thing.
    see : tuple of str
        Names of words that belong to it.
    everyday : bool
        Its name is a word of everyday talk too (a *side*, *over* the round): in a text it is meant only in its longer
        names.
    """

    name: str
    text: str
    also: tuple[str, ...] = ()
    see: tuple[str, ...] = ()
    everyday: bool = False


GLOSSARY: tuple[Word, ...] = rows(Word, packaged_table("glossary")["word"])
"""Every word, by name."""

_BY_NAME = {name.lower(): word for word in GLOSSARY for name in (word.name, *word.also)}

_ALONE = {word.name.lower() for word in GLOSSARY if not word.everyday}
_FORMS = sorted((name for name in _BY_NAME if " " in name or name in _ALONE), key=len)
_ANY = re.compile(rf"(?<![\w-])({'|'.join(map(re.escape, reversed(_FORMS)))})s?(?![\w-])")
"""A word of the list in a text of small letters, the longest there; other names for it only where they are of several
words: a *hand* or a *half* by itself may mean what it always does."""


def words_in(text: str) -> tuple[Word, ...]:
    """Words of the list that a text uses, by name.

    >>> [word.name for word in words_in("Two setpoints, side by side, and the lower bounds of each")]
    ['lower bound', 'setpoint']
    """
    found = {word.name for _, _, word in found_in(text)}
    return tuple(word for word in GLOSSARY if word.name in found)


def found_in(text: str) -> Iterator[tuple[int, int, Word]]:
    """Every use of a word of the list in a text: where it begins and ends, and which it is.

    >>> [(start, end, word.name) for start, end, word in found_in("Two Setpoints")]
    [(4, 13, 'setpoint')]
    """
    # small letters first: without regard to case, every word of the list would be tried at every letter of a page
    small = text.lower()
    if len(small) == len(text):  # a few letters of other languages are two when they are small
        for match in _ANY.finditer(small):
            yield match.start(), match.end(), _BY_NAME[match[1]]


def explain(name: str) -> Word:
    """Word by its name or another name for it; case, a plural s, and - or _ for blanks do not matter.

    >>> explain("Lower-bounds").name
    'lower bound'

    Raises
    ------
    InputError
        If it is not in the list; close ones are offered.
    """
    plain = " ".join(name.lower().replace("_", " ").split())
    for form in (plain, plain.replace("-", " ")):
        for candidate in (form, form.removesuffix("s")):
            if candidate in _BY_NAME:
                return _BY_NAME[candidate]
    close = get_close_matches(plain, _BY_NAME, n=5, cutoff=0.5)
    remedy = "See doe explain for the whole list."
    raise InputError("word", repr(name), ", ".join(close) if close else "a word of the list", remedy)
