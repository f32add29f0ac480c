"""Words of ours in the running text of a page open their explanation on a tap, without a script."""

from __future__ import annotations

import re

from doe.words.glossary import Word, found_in

_LEFT = "style|script|head|form|button|a|summary|label|legend|option|textarea|small|h1|h2|h3|h4|th|nav|caption|code|pre"
"""What holds no running text, is tapped for something else already, is filled in (keys go from field to
field there), or is copied as it stands."""
_CAUTION = r'<(section|p|details|ul) class="(?:caution|hot|before)\b[^"]*"[^>]*>.*?</\2>'
"""A caution is read as it stands."""
_PIECE = re.compile(rf"<!--.*?-->|<({_LEFT})\b.*?</\1>|{_CAUTION}|<[^>]*>", re.DOTALL)
_BEGINS = re.compile(r"<(section|details|main|footer|header|h2)\b")


def with_taps(page: str) -> str:
    """A page on which the first use of each word in a section is a button.

    A section is what a heading of the second level, a fold, or an element of that name begins. The page must hold an
    element ``word-NAME`` with the attribute ``popover`` for each of them, see `place_of`.
    """
    done: list[str] = []
    seen: set[str] = set()
    drawings = 0  # drawings stand within drawings
    at = page.find("<body")
    if at < 0:
        return page
    done.append(page[:at])
    for piece in _PIECE.finditer(page, at):
        text = page[at : piece.start()]
        done.append(text if drawings else _text(text, seen))
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


def _text(text: str, seen: set[str]) -> str:
    if not text.strip():
        return text
    made, at = [], 0
    for start, end, word in found_in(text):
        if word.name in seen:
            continue
        seen.add(word.name)
        button = f'<button type="button" class="tap" popovertarget="{place_of(word)}">{text[start:end]}</button>'
        made += [text[at:start], button]
        at = end
    return "".join((*made, text[at:]))
