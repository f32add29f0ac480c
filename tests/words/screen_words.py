"""Words that a screen or a page says, and those among them that nobody but us would know."""

from __future__ import annotations

import calendar
import re
import string
from collections.abc import Iterable
from functools import cache
from html import unescape
from importlib.resources import files
from pathlib import Path

from doe.domain.jsonable import packaged_table
from doe.words.glossary import GLOSSARY

LISTS = Path(__file__).parent
MONTHS = frozenset(name.lower() for name in calendar.month_name if name)
_HIDDEN = re.compile(r"(?s)<(style|script|head)\b.*?</\1>|<!--.*?-->|<[^>]+>")
_TEMPLATE = re.compile(r"(?s)\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}")
_MARKS = str.maketrans("²³µ", "   ")
_NO_WORD = re.compile(
    r"(?<!\w)'[^'\n]*'(?!\w)|\"[^\"\n]*\"|\S*[/\\@=<>]\S*|(?<!\w)--?[a-z][\w-]*|\b\w*[\d_]\w*\b|\b\w+\.\w+\b|"
    r"\bdoe [a-z]+( [a-z]+)?|%\w+"
)
"""What is typed or named by somebody: quoted names, paths, addresses, options, codes, file names, commands."""
_WORD = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)?")


def words_of(text: str) -> set[str]:
    """Words of a text that is read, in small letters.

    >>> sorted(words_of("A setpoint (R1-03), doe study new --line 'back room' in a.html"))
    ['in', 'setpoint']
    """
    found = _WORD.findall(_NO_WORD.sub(" ", text.translate(_MARKS)))
    return {word.lower().replace("’", "'") for word in found if len(word) > 1}


def words_of_page(page: str) -> set[str]:
    """Words of a page, or of the template of one."""
    return words_of(unescape(_HIDDEN.sub(" ", _TEMPLATE.sub(" ", page))))


def words_of_tables() -> set[str]:
    """Words of every sentence that commands and pages fill in, and of every template."""
    found: set[str] = set()
    for file in files("doe.templates").iterdir():
        if file.name.endswith(".html"):
            found |= words_of_page(file.read_text(encoding="utf-8"))
    for name in ("office", "press"):
        for text in _strings(packaged_table(name)):
            found |= words_of(_without_places(text))
    return found


def _without_places(text: str) -> str:
    """A sentence without the names of the values that stand in it."""
    return " ".join(part for part, *_ in string.Formatter().parse(text) if part)


def _strings(table: object) -> Iterable[str]:
    if isinstance(table, str):
        yield table
    elif isinstance(table, dict):
        for value in table.values():
            yield from _strings(value)
    elif isinstance(table, list):
        for value in table:
            yield from _strings(value)


@cache
def listed(name: str) -> frozenset[str]:
    """Words of a list beside this file."""
    lines = (LISTS / f"{name}.txt").read_text(encoding="utf-8").splitlines()
    return frozenset(word for line in lines if not line.startswith("#") for word in line.split())


@cache
def explained() -> frozenset[str]:
    """Words of the glossary: each that its names are made of."""
    return frozenset(part for word in GLOSSARY for name in (word.name, *word.also) for part in words_of(name))


def is_known(word: str) -> bool:
    """Whether a word is plain English, one any presser knows, a name, or explained; so is a plural of one."""
    known = listed("plain"), listed("trade"), listed("names"), explained(), MONTHS
    return any(form in words for form in _forms(word) for words in known)


def _forms(word: str) -> list[str]:
    owner = word.removesuffix("'s").removesuffix("'")
    return [word, owner, f"{word}s", word.removesuffix("s"), word.removesuffix("es")]
