"""Reading what people say of a coupon, wherever they say it: typed, on the form, in a file of ours or their own."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from difflib import get_close_matches

from doe.domain.errors import InputError
from doe.domain.jsonable import packaged_table
from doe.domain.outcome import BAD, CLEAN, HANDLED_BADLY, HANDLED_WELL, JUST, SLIGHT, check_hand
from doe.domain.units import parse_number

_WORDS = {kind: frozenset(words) for kind, words in packaged_table("said_in_cells").items()}
NOTHING = _WORDS["nothing"]
"""Words for an empty cell."""

PASSED = _WORDS["passed"]
FAILED = _WORDS["failed"]
"""Words for pass and fail, in any case. A bare ``x``, ``+``, ``-`` or ``/`` is refused: to some it is a tick, to
others a cross."""

_UNCLEAR = _WORDS["unclear"]
TICKED = _WORDS["ticked"]
_MANY = re.compile(r"[;,\n|+]")

_NO_VOID = _WORDS["no_void"]
_BARE_VOID = _WORDS["bare_void"]


GRADE_WORDS: dict[str, str] = {CLEAN: "clean", JUST: "only just", SLIGHT: "slightly", BAD: "badly"}
"""The word of each grade on sheets and forms: passed clean or only just, failed slightly or badly."""
_GRADE_SAID = {
    CLEAN: ("clean", "cleanly", "clear", "clearly", "c"),
    JUST: ("only just", "just", "barely", "j"),
    SLIGHT: ("slightly", "slight", "s"),
    BAD: ("badly", "bad", "b"),
}


def words(text: str) -> list[str]:
    """Words of a heading in lower case; letters and digits part company.

    >>> words("Wash1 (°F), Hand-feel_Ana")
    ['wash', '1', 'f', 'hand', 'feel', 'ana']
    """
    text = unicodedata.normalize("NFKC", text).casefold()
    return re.findall(r"[^\W\d_]+|\d+", text)


def squeeze(text: str) -> str:
    """Name as it is compared: lower case, letters and digits only."""
    return "".join(words(text))


def meant(text: str, names: Mapping[str, Iterable[str]], *, by_part: bool = True) -> list[str]:
    """Names that a text may mean, each with other words for it; none, one, or several of which a person must choose.

    The one that it is; else those it is but for case and signs; else, by part, those with words that begin like every
    word of the text. Numbers are never parts: wash 1 is not wash 10.

    >>> meant("Press Temp", {"press_temp": (), "cure_temp": ()}), meant("temp", {"press_temp": (), "cure_temp": ()})
    (['press_temp'], ['press_temp', 'cure_temp'])
    """
    if text in names:
        return [text]
    called = {name: (name, *others) for name, others in names.items()}
    same = [name for name, others in called.items() if squeeze(text) and squeeze(text) in map(squeeze, others)]
    parts = words(text)
    if same or not parts or not by_part:
        return same
    return [name for name, others in called.items() if any(_holds(words(other), parts) for other in others)]


def _holds(whole: list[str], parts: list[str]) -> bool:
    """Whether some word begins like each of the parts; a single letter or a number has to be a whole word."""
    return all(
        any(word == part or (len(part) > 1 and not part.isdigit() and word.startswith(part)) for word in whole)
        for part in parts
    )


def is_nothing(text: str) -> bool:
    """Whether a cell says nothing."""
    return text.casefold() in NOTHING


def read_check(text: str, where: str) -> bool | None:
    """True for pass, False for fail, None for an empty cell.

    Raises
    ------
    InputError
        For any other word; a bare x, +, - or ? may mean either.
    """
    word = text.casefold()
    if word in PASSED:
        return True
    if word in FAILED:
        return False
    if word in _UNCLEAR:
        raise InputError(where, repr(text), "pass or fail", "This sign may mean either: write the word.")
    if word in NOTHING:
        return None
    raise InputError(where, repr(text), "pass or fail", "Leave it empty if it was not looked at yet.")


def said_check(text: str, where: str) -> bool:
    """Pass or fail where one of them has to be said.

    Raises
    ------
    InputError
        If it is neither.
    """
    found = read_check(text, where)
    if found is None:
        raise InputError(where, repr(text), "pass or fail", "Say one of the two.")
    return found


def read_hand(text: str, where: str) -> float | None:
    """Hand-feel, None for an empty cell.

    Raises
    ------
    InputError
        Unless it is 1 to 5 in half steps.
    """
    if is_nothing(text):
        return None
    try:
        value = parse_number(text, where)
    except InputError as error:
        raise InputError(
            where,
            repr(text),
            "1 to 5 in half steps",
            "Write the score as a number, or leave it empty if the coupon did not transfer.",
        ) from error
    check_hand(value, where)
    return value


def said_hand(text: str, where: str) -> float:
    """Hand-feel where one has to be said.

    Raises
    ------
    InputError
        Unless it is 1 to 5 in half steps.
    """
    found = read_hand(text, where)
    if found is None:
        raise InputError(where, repr(text), "1 to 5 in half steps", "Write the score as a number, or leave it out.")
    return found


def read_grade(text: str, where: str) -> str:
    """Grade of a word, its code or its first letter, in any case; ``""`` for an empty cell.

    >>> read_grade("Only just", "grade"), read_grade("BAD", "grade"), read_grade("-", "grade")
    ('just', 'bad', '')

    Raises
    ------
    InputError
        For any other word.
    """
    if is_nothing(text):
        return ""
    word = squeeze(text)
    for grade, known in _GRADE_SAID.items():
        if word in map(squeeze, (*known, f"passed {known[0]}", f"{known[0]} passed", f"failed {known[0]}")):
            return grade
    raise InputError(where, repr(text), ", ".join(GRADE_WORDS.values()), "Choose one of them, or leave it empty.")


def read_handled(text: str, where: str) -> str:
    """Whether a coupon was handled well: ``yes`` or ``no`` of a word for one of them, ``""`` for an empty cell.

    >>> read_handled("Y", "handled well"), read_handled("nein", "handled well"), read_handled("n/a", "handled well")
    ('yes', 'no', '')

    Raises
    ------
    InputError
        For any other word; a bare x, + or - may mean either.
    """
    try:
        found = read_check(text, where)
    except InputError as error:
        raise InputError(where, repr(text), "yes or no", "Leave it empty if nobody looked.") from error
    return "" if found is None else HANDLED_WELL if found else HANDLED_BADLY


ANY_SYMPTOM = "a symptom of the list"


def read_symptoms(
    text: str, labels: Mapping[str, str], where: str, letters: Mapping[str, str] | None = None
) -> tuple[str, ...]:
    """Keys of the symptoms in a cell, each once.

    Parameters
    ----------
    text : str
        Labels or keys with ``;``, ``,``, ``+`` or ``|`` between them.
    labels : mapping of key to label
    where : str
    letters : mapping of letter to key, optional
        Letters of the bench sheet, taken in either case.

    Raises
    ------
    InputError
        If a word is none of them; close ones are offered.
    """
    if is_nothing(text):
        return ()
    known = {squeeze(key): key for key in labels} | {squeeze(label): key for key, label in labels.items()}
    known |= {squeeze(letter): key for letter, key in (letters or {}).items()}
    found = []
    for part in _MANY.split(text):
        word = squeeze(part)
        if not word or is_nothing(part.strip()):
            continue
        key = known.get(word)
        if key is None:
            close = [labels[known[w]] for w in get_close_matches(word, known, n=5, cutoff=0.6)]
            offered = ", ".join(dict.fromkeys(close[:3])) or ANY_SYMPTOM
            if letters:
                offered += f", or a letter of the bench sheet, {min(letters)} to {max(letters)}"
            raise InputError(
                where, repr(part.strip()), offered, "Choose it from the list; other words go into the note."
            )
        found.append(key)
    return tuple(dict.fromkeys(found))


def read_void(text: str, where: str) -> str | None:
    """Reason why a coupon is void, None when it is not.

    Raises
    ------
    InputError
        If it says only that it is void.
    """
    word = text.casefold()
    if word in NOTHING or word in _NO_VOID:
        return None
    if word in _BARE_VOID:
        raise InputError(where, repr(text), "a reason", "Say in a few words what happened to the coupon.")
    return text
