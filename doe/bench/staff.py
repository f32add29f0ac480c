"""People who work with the pages: what each of them may do, and the short code that each signs in with.

Kept in the book, for every process and after a restart. Codes are kept as slow digests; a code of few digits still
falls to somebody who has the file and an hour, so it protects the pages and not the file.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal, get_args

from doe.book.page_state import PageState
from doe.domain.entry import check_people
from doe.domain.errors import InputError
from doe.words.press import told

Right = Literal["looks", "scores", "releases"]
"""What a person may do; each one includes those before it."""
RIGHTS: tuple[Right, ...] = get_args(Right)
LEAST_DIGITS, MOST_DIGITS = 4, 12
TRIES_A_MINUTE = 5
"""Wrong codes for a person within a minute before anybody has to wait who signs in as this person."""
TRIES_IN_A_ROW = 25
"""Wrong codes for a person, with no right one between, before the code is good for nothing: 1 in 400 of the codes of
four digits. Who may release gives a new one."""
MOST_PEOPLE = 60
_KIND = "staff"
_WORK = {"n": 2**15, "r": 8, "p": 1, "maxmem": 64 * 1024 * 1024}

Kept = dict[str, dict[str, Any]]


def rank(right: Right) -> int:
    """How much a right includes.

    >>> rank("looks") < rank("scores") < rank("releases")
    True
    """
    return RIGHTS.index(right)


@dataclass(frozen=True)
class Person:
    """Somebody who signs in: ``name``, ``right``, the ``mark`` of the code in force, whether it ``is_blocked``."""

    name: str
    right: Right
    mark: str
    is_blocked: bool


class Staff:
    """Everybody who may sign in.

    Parameters
    ----------
    state : PageState
    clock : callable
        Seconds since 1970.
    """

    def __init__(self, state: PageState, clock: Callable[[], float]) -> None:
        self._state = state
        self._clock = clock
        self._turn = threading.Lock()  # a digest takes 32 MB for a moment

    def everybody(self) -> tuple[Person, ...]:
        """All of them, by name."""
        found = self._state.get(_KIND)
        kept: Kept = {} if found is None else found[0]
        return tuple(_person(name, said) for name, said in sorted(kept.items()))

    def find(self, name: str) -> Person | None:
        """A person by name; None where there is none of it."""
        return next((person for person in self.everybody() if person.name == name), None)

    def begin(self, name: str, code: str) -> Person:
        """The first person, who may release; who is second is refused.

        Raises
        ------
        InputError
            If name or code is none, or somebody was named before.
        """
        return self._put(name, "releases", code, is_first=True)

    def put(self, name: str, right: str, code: str) -> Person:
        """Name a person, or give one another right or code; without a code the one in force stays.

        Raises
        ------
        InputError
            If name, right or code is none, or nobody who may release would be left.
        """
        return self._put(name, right, code, is_first=False)

    def _put(self, name: str, right: str, code: str, *, is_first: bool) -> Person:
        check_people([name])
        if right not in RIGHTS:
            raise InputError("right", repr(right), " or ".join(RIGHTS), "Choose one.")
        salted = _digest(code) if code else None

        def change(kept: Kept | None) -> tuple[Kept, Person]:
            everybody = dict(kept or {})
            known = next((each for each in everybody if each.casefold() == name.casefold()), name)
            if is_first and everybody:
                raise InputError("first person", f"{len(everybody)} named already", "one of them", "Sign in.")
            if known not in everybody and salted is None:
                raise InputError(
                    "code", "nothing", told("code_allowed", least=LEAST_DIGITS, most=MOST_DIGITS), told("code_needed")
                )
            if known not in everybody and len(everybody) >= MOST_PEOPLE:
                raise InputError("people", len(everybody) + 1, f"at most {MOST_PEOPLE}", "Take one off the list.")
            said = {**everybody.get(known, {}), "right": right}
            if salted is not None:
                said |= {"salt": salted[0], "digest": salted[1], "wrong": [], "row": 0}
            everybody[known] = said
            _refuse_none_left(everybody)
            return everybody, _person(known, said)

        return self._state.change(_KIND, "", self._clock(), change)

    def drop(self, name: str) -> None:
        """Take a person off the list: devices signed in as this person are signed out.

        Raises
        ------
        InputError
            If there is no such person, or nobody who may release would be left.
        """

        def change(kept: Kept | None) -> tuple[Kept, None]:
            everybody = dict(kept or {})
            if everybody.pop(name, None) is None:
                raise InputError("person", repr(name), "one of the list", "Choose one.")
            _refuse_none_left(everybody)
            return everybody, None

        self._state.change(_KIND, "", self._clock(), change)

    def wait_seconds(self, name: str) -> float:
        """How long nobody may try a code for a person; 0 when one may."""
        found = self._state.get(_KIND)
        said = ({} if found is None else found[0]).get(name)
        return 0.0 if said is None else self._wait(said)

    def sign_in(self, name: str, code: str) -> Person | None:
        """The person whose code it is; None for a wrong one, an unknown name, or where one has to wait."""
        if len(code) > MOST_DIGITS:
            return None

        # counted before it is looked at: of a hundred tries at once no more than the allowed ones are looked at
        def count(kept: Kept | None) -> tuple[Kept, dict[str, Any] | None]:
            everybody = dict(kept or {})
            said = everybody.get(name)
            if said is None or self._wait(said) or said["row"] >= TRIES_IN_A_ROW:
                return everybody, None
            everybody[name] = {**said, "wrong": [*self._recent(said), self._clock()], "row": said["row"] + 1}
            return everybody, said

        said = self._state.change(_KIND, "", self._clock(), count)
        salt = secrets.token_hex(16) if said is None else said["salt"]
        with self._turn:
            digest = _digest(code, salt)[1]
        if said is None or not hmac.compare_digest(digest, said["digest"]):
            return None

        def clear(kept: Kept | None) -> tuple[Kept, Person | None]:
            everybody = dict(kept or {})
            now = everybody.get(name)
            if now is None or now["salt"] != said["salt"]:  # taken off the list, or given another code meanwhile
                return everybody, None
            everybody[name] = {**now, "wrong": [], "row": 0}
            return everybody, _person(name, everybody[name])

        return self._state.change(_KIND, "", self._clock(), clear)

    def _recent(self, said: dict[str, Any]) -> list[float]:
        return [at for at in said["wrong"] if self._clock() - at < 60]

    def _wait(self, said: dict[str, Any]) -> float:
        recent = self._recent(said)
        return max(0.1, 60 - (self._clock() - recent[0])) if len(recent) >= TRIES_A_MINUTE else 0.0


def _digest(code: str, salt: str = "") -> tuple[str, str]:
    """Salt and slow digest of a code; a code that is given anew has no salt yet and is looked at first."""
    if not salt:
        steps = {int(b) - int(a) for a, b in pairwise(code)} if _is_digits(code) else {0}
        if not LEAST_DIGITS <= len(code) <= MOST_DIGITS or (len(steps) == 1 and steps <= {-1, 0, 1}):
            raise InputError(
                "code",
                told("code_found"),
                told("code_allowed", least=LEAST_DIGITS, most=MOST_DIGITS),
                told("code_remedy"),
            )
        salt = secrets.token_hex(16)
    return salt, hashlib.scrypt(code.encode(), salt=bytes.fromhex(salt), **_WORK).hex()


def _is_digits(text: str) -> bool:
    return text.isascii() and text.isdecimal()


def _person(name: str, said: dict[str, Any]) -> Person:
    return Person(name, said["right"], said["salt"], said["row"] >= TRIES_IN_A_ROW)


def _refuse_none_left(everybody: Kept) -> None:
    if not any(said["right"] == "releases" for said in everybody.values()):
        raise InputError("people", "nobody who may release", "one at least", "Name another one first.")
