"""Words of ours in the running text of a page open their explanation on a tap, without a script."""

from __future__ import annotations

import re
from collections.abc import Collection
from functools import lru_cache

from markupsafe import escape

from doe.words.glossary import Word, found_in

_LEFT = "style|script|head|form|button|a|summary|label|legend|option|textarea|small|h1|h2|h3|h4|th|nav|caption|code|pre"
"""What holds no running text, is tapped for something else already, is filled in (keys go from field to
field there), or is copied as it stands."""
_CAUTION = r'<(section|p|details|ul) class="(?:caution|hot|before)\b[^"]*"[^>]*>.*?</\2>'
"""A caution is read as it stands."""
_PIECE = re.compile(rf"<!--.*?-->|<({_LEFT})\b.*?</\1>|{_CAUTION}|<[^>]*>", re.DOTALL)
_OPENS = re.compile(r"(?:&(?!nbsp)#?\w+;|[^\w\s<>&;])+$")
_CLOSES = re.compile(r"(?:&(?!nbsp)#?\w+;|[^\w\s<>&])+(?:s\b)?")
"""Marks that stand at a word without a blank: a line may end before and after a button, so they are kept with it."""
_BEGINS = re.compile(r"<(section|details|main|footer|header|h2)\b")


def with_taps(page: str, names: Collection[str] = ()) -> str:
    """A page on which the first use of each word in a section is a button.

    A section is what a heading of the second level, a fold, or an element of that name begins. The page must hold an
    element ``word-NAME`` with the attribute ``popover`` for each of them, see `place_of`. Of ``names``, which people
    gave, no word is one.
    """
    given = _pattern(frozenset(names))
    done: list[str] = []
    seen: set[str] = set()
    drawings = 0  # drawings stand within drawings
    at = page.find("<body")
    if at < 0:
        return page
    done.append(page[:at])
    for piece in _PIECE.finditer(page, at):
        text = page[at : piece.start()]
        done.append(text if drawings else _text(text, seen, given))
        drawings += piece[0].startswith("<svg") - piece[0].startswith("</svg")
        if _BEGINS.match(piece[0]):
            seen = set()
        done.append(piece[0])
        at = piece.end()
    return "".join((*done, page[at:]))


def place_of(word: Word) -> str:
    """Where a page explains a word.

    >>> from doe.words.glossary import explain
    >>> place_of(explain("Lower bound"))
    'word-lower-bound'
    """
    return f"word-{re.sub(r'[^a-z0-9]+', '-', word.name.lower())}"


def without_names(text: str, names: Collection[str]) -> str:
    """A text in which blanks stand for every name that somebody gave and that holds a word of ours.

    >>> without_names("The window of new powder is wide", ["new powder", "Ana"])
    'The window of new powder is wide'
    >>> without_names("The range of old setpoint is wide", ["old setpoint", "Ana"])
    'The range of              is wide'
    """
    given = _pattern(frozenset(names))
    return given.sub(lambda name: " " * len(name[0]), text) if given else text


@lru_cache(maxsize=64)
def _pattern(names: frozenset[str]) -> re.Pattern[str] | None:
    """What finds names as a page shows them: escaped, in letters of any size, its blanks and minus signs well set."""
    telling = sorted((name for name in names if any(True for _ in found_in(name))), key=len, reverse=True)
    if not telling:
        return None
    shown = "|".join(re.escape(str(escape(name))).replace(r"\ ", r"\s").replace(r"\-", "[-\u2212]") for name in telling)
    return re.compile(rf"(?<!\w)(?:{shown})(?!\w)", re.IGNORECASE)


def _text(text: str, seen: set[str], given: re.Pattern[str] | None) -> str:
    if not text.strip():
        return text
    made, done = [], 0
    theirs = [name.span() for name in given.finditer(text)] if given else []
    for start, end, word in found_in(text):
        if word.name in seen or any(first < end and start < last for first, last in theirs):
            continue
        seen.add(word.name)
        button = f'<button type="button" class="tap" popovertarget="{place_of(word)}">{text[start:end]}</button>'
        opening, closing = _OPENS.search(text, done, start), _CLOSES.match(text, end)
        first, at = (opening.start() if opening else start), (closing.end() if closing else end)
        tied = f'<span class="tied">{text[first:start]}{button}{text[end:at]}</span>'
        made += [text[done:first], tied if opening or closing else button]
        done = at
    return "".join((*made, text[done:]))
