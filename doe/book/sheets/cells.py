"""What people write into cells: pass or fail, a hand-feel, symptoms, a temperature, nothing."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from difflib import get_close_matches

from doe.domain.errors import InputError, plain
from doe.domain.factors import Factor
from doe.domain.outcome import check_hand
from doe.domain.units import SYMBOLS, degc, degf, parse_number, parse_quantity, unit_spelled

NOTHING = frozenset({"", "nan", "n/a", "na", "null", "none", "nil", "-", "–", "—", "--", "...", "…"})
"""Words for an empty cell."""

PASSED = frozenset({"pass", "passed", "p", "ok", "okay", "o.k.", "yes", "y", "true", "1", "1.0", "good", "✓", "✔", "☑"})
FAILED = frozenset({"fail", "failed", "f", "no", "n", "false", "0", "0.0", "bad", "nok", "not ok", "✗", "✘"})
"""Words for pass and fail, in any case. A bare ``x``, ``+``, ``-`` or ``/`` is refused: to some it is a tick, to
others a cross."""

_UNCLEAR = frozenset({"x", "+", "-", "–", "—", "/", "?", "o", "☒"})
_UNIT_IN_BRACKETS = re.compile(r"[(\[]\s*([^()\[\]]*?)\s*[)\]]")
_MANY = re.compile(r"[;,\n|+]")

_NO_VOID = frozenset({"no", "n", "false", "0", "not void"})
_BARE_VOID = frozenset({"yes", "y", "true", "1", "x", "void"})


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


def coupon_name(text: str) -> str:
    """Name of a coupon as it is compared: lower case, no blanks, one kind of dash (spreadsheets change them)."""
    text = re.sub(r"[‐-―−]", "-", unicodedata.normalize("NFKC", text).casefold())
    return "".join(text.split())


def is_nothing(text: str) -> bool:
    """Whether a cell says nothing."""
    return text.casefold() in NOTHING


def split_unit(heading: str) -> tuple[str, str | None]:
    """Heading without the unit in brackets, and that unit.

    >>> split_unit("press temperature (°F)")
    ('press temperature', 'degF')
    >>> split_unit("pass (all checks)")
    ('pass (all checks)', None)
    """
    for match in _UNIT_IN_BRACKETS.finditer(heading):
        unit = unit_spelled(match[1])
        if unit is not None:
            return f"{heading[: match.start()].rstrip()}{heading[match.end() :]}".strip(), unit
    return heading.strip(), None


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


def read_level(text: str, factor: Factor, where: str) -> str:
    """Level of a categorical factor, in any case.

    Raises
    ------
    InputError
        If it is none of its levels.
    """
    # as it stands, then in letters and digits only, where that still means one level: 1.5 and 15 are two
    for form in (lambda word: "".join(word.casefold().split()), squeeze):
        found = [level for level in factor.levels if form(level) == form(text)]
        if len(found) == 1:
            return found[0]
    raise InputError(where, repr(text), ", ".join(factor.levels), "Correct the level.")


def read_amount(text: str, factor: Factor, unit: str, where: str, *, near: float | None = None) -> float:
    """Setting in the stored unit.

    Parameters
    ----------
    text : str
        A number, maybe with a unit of its own, which then wins.
    factor : Factor
    unit : str
        Unit of a bare number.
    where : str
    near : float, optional
        Value it should be near to, in the stored unit: tells a mixed-up temperature unit.

    Raises
    ------
    InputError
        If it is no number of the right kind, or a temperature that looks like the other unit.
    """
    value = parse_quantity(text, factor.unit, where, default=unit) if unit != "degF" else _read_degf(text, where, near)
    if factor.unit == "degC" and not 0 < value < 400:
        raise InputError(where, f"{text} {SYMBOLS[unit]}", "a temperature of a press or oven", "Correct the number.")
    if factor.scale == "log" and value <= 0:
        raise InputError(where, text, f"above 0 {factor.symbol}", "Correct the number.")
    return value


def _read_degf(text: str, where: str, near: float | None) -> float:
    """Celsius of a cell in a Fahrenheit column; a bare number that is surely Celsius is refused."""
    try:
        number = parse_number(text, where)
    except InputError:
        return parse_quantity(text, "degC", where, default="degF")  # with a unit of its own, or no number
    value = degc(number)
    if near is not None and abs(number - near) < 30 < abs(value - near):
        raise InputError(
            where,
            f"{plain(number)} °F",
            f"about {plain(round(degf(near)))} °F",
            f"If it is Celsius, write {plain(number)}C (that is {plain(round(degf(number), 1))} °F).",
        )
    if value >= 200:
        raise InputError(where, f"{plain(number)} °F", "below 392 °F", "Correct the number.")
    return value
