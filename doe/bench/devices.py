"""Devices that may use the page: pairing code, sessions, form tokens, and the link for people who only look.

All of it is kept in the book, so that a restart logs nobody out and several processes let in the same devices.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from doe.book.page_state import PageState

CODE_DIGITS = 8
CODE_MINUTES = 10.0
TRIES_A_MINUTE = 5
"""Wrong codes an address may send within a minute before it has to wait."""
TRIES_ALTOGETHER = 20
"""Wrong codes from all addresses within a minute before everybody has to wait: 200 guesses at 10^8 codes in the life
of one, whoever sends them."""


class Pairing:
    """One code at a time; it lets in one device, and is replaced when used or too old.

    Wrong guesses do not replace it: whoever reads a code has the time to type it, whatever others send meanwhile.

    Parameters
    ----------
    state : PageState
    clock : callable
        Seconds since 1970.
    announce : callable
        Shows a new code to the person at the terminal.
    """

    def __init__(self, state: PageState, clock: Callable[[], float], announce: Callable[[str], None]) -> None:
        self._state = state
        self._clock = clock
        self._announce = announce

    def renew(self) -> str:
        """A new code; the old one is good for nothing any more."""
        code = _new_code()
        self._state.put("code", "", code, self._clock() + CODE_MINUTES * 60)
        self._announce(spaced(code))
        return code

    def ask(self) -> None:
        """Make sure that a code is there: somebody wants to pair a device."""
        found = self._state.get("code")
        if found is None or self._clock() >= found[1]:
            self.renew()

    def wait_seconds(self, address: str) -> float:
        """How long an address has to wait before it may try again; 0 when it may."""
        found = self._state.get("wrong")
        return self._wait(self._recent(found[0] if found else None), address)

    def accept(self, typed: str, address: str) -> bool:
        """Whether what was typed is the code. A right one is used up; a wrong one is counted."""
        digits = "".join(c for c in typed if c.isdecimal() and c.isascii())
        found, now = self._state.get("code"), self._clock()
        current = found is not None and now < found[1]
        # compared in the same time whether right, wrong or outdated
        same = hmac.compare_digest(digits.encode(), (found[0] if found else "-" * CODE_DIGITS).encode())

        def count(wrong: Any) -> tuple[Any, bool]:
            recent = self._recent(wrong)
            if self._wait(recent, address):
                return recent, False
            return (recent, True) if same and current else ([*recent, [address, now]], False)

        if not self._state.change("wrong", "", now, count):
            return False
        # of two devices that send the same code at once, one gets in
        fresh = _new_code()
        if not self._state.change(
            "code", "", now + CODE_MINUTES * 60, lambda code: (fresh, True) if code == digits else (code, False)
        ):
            return False
        self._announce(spaced(fresh))
        return True

    def _recent(self, wrong: Any) -> list[list[Any]]:
        """Wrong tries of the last minute: address and time of each."""
        return [tried for tried in wrong or [] if self._clock() - tried[1] < 60]

    def _wait(self, recent: list[list[Any]], address: str) -> float:
        mine = [at for who, at in recent if who == address]
        first = mine[0] if len(mine) >= TRIES_A_MINUTE else recent[0][1] if len(recent) >= TRIES_ALTOGETHER else None
        return 0.0 if first is None else max(0.1, 60.0 - (self._clock() - first))


def _new_code() -> str:
    return f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"


def spaced(code: str) -> str:
    """Code in two halves, as it is read out and typed.

    >>> spaced("48213375")
    '4821 3375'
    """
    half = len(code) // 2
    return f"{code[:half]} {code[half:]}"


COOKIE = "bench"
MOST_SESSIONS = 200
SESSION_HOURS = 16.0
"""A session ends this long after it was last used: a shift and its overtime."""
VIEWER_HOURS = 24.0


_STALE_SECONDS = 300.0
"""How old the note of when a session was used may be: a note for every page looked at would be a write for each."""


@dataclass
class Session:
    """A device. ``who`` is the name chosen on it, ``""`` before; ``kept`` holds what a page needs between two requests.

    ``signed`` is the mark of the code that ``who`` signed in with, ``""`` where nobody did. A session with
    ``only_looks`` can post nothing. ``key`` is what it is stored under: a digest of its cookie.
    """

    key: str
    only_looks: bool = False
    who: str = ""
    signed: str = ""
    kept: dict[str, Any] = field(default_factory=dict)


class Sessions:
    """Sessions by cookie.

    Parameters
    ----------
    state : PageState
    clock : callable
        Seconds since 1970.
    """

    def __init__(self, state: PageState, clock: Callable[[], float]) -> None:
        self._state = state
        self._clock = clock
        fresh = secrets.token_hex(32)
        # the first process makes the key, all others sign with the same one
        self._key = bytes.fromhex(state.change("key", "", clock(), lambda kept: (kept or fresh, kept or fresh)))

    def begin(self, *, only_looks: bool = False) -> tuple[str, Session]:
        """A new session and the text of its cookie, always a fresh one."""
        cookie = secrets.token_urlsafe(24)
        session = Session(_digest(cookie), only_looks)
        others = self._state.all("session")
        if len(others) >= MOST_SESSIONS:
            self._state.drop("session", _least_missed(others))
        self.keep(session)
        return cookie, session

    def keep(self, session: Session) -> None:
        """Store what has changed in a session."""
        said = {name: value for name, value in vars(session).items() if name != "key"}
        self._state.put("session", session.key, said, self._clock())

    def find(self, cookie: str | None) -> Session | None:
        """The session of a cookie, if there is one and it is not too old."""
        if not cookie:
            return None
        found = self._state.get("session", _digest(cookie))
        if found is None:
            return None
        unused = self._clock() - found[1]
        if unused > SESSION_HOURS * 3600:
            self.end(cookie)
            return None
        session = Session(_digest(cookie), **found[0])
        if unused > _STALE_SECONDS:
            self.keep(session)
        return session

    def end(self, cookie: str | None) -> None:
        """Forget a session."""
        self._state.drop("session", _digest(cookie or ""))

    def others(self, cookie: str | None) -> Iterator[tuple[Session, float]]:
        """Every other device that is let in, the last used first, and minutes since about then."""
        for key, (said, at) in reversed(self._state.all("session").items()):
            unused = self._clock() - at
            if key != _digest(cookie or "") and unused <= SESSION_HOURS * 3600:
                yield Session(key, **said), unused / 60

    def put_out(self, key: str) -> None:
        """Forget the session of another device."""
        self._state.drop("session", key)

    def forget_all(self) -> None:
        """Put out every device, also those that only look."""
        self._state.drop("session", before=float("inf"))

    def names(self) -> tuple[str, ...]:
        """Names chosen on the devices in use."""
        return tuple(dict.fromkeys(said["who"] for said, _ in self._state.all("session").values() if said["who"]))

    def form_token(self, cookie: str) -> str:
        """What every form of a device must send back; another site cannot know it."""
        return self._sign("form", cookie)

    def is_form_token(self, token: str, cookie: str) -> bool:
        """Whether a form comes from a page that this device was given."""
        return bool(cookie) and hmac.compare_digest(token.encode(), self.form_token(cookie).encode())

    def viewer_token(self) -> str:
        """Text of a link that lets people look, and nothing else, for `VIEWER_HOURS`."""
        until = str(int(self._clock() + VIEWER_HOURS * 3600))
        return f"{until}.{self._sign('viewer', until)}"

    def is_viewer_token(self, token: str) -> bool:
        """Whether a link is ours and still good."""
        until, _, sign = token.partition(".")
        if not until.isdecimal() or len(until) > 15:
            return False
        good = hmac.compare_digest(sign.encode(), self._sign("viewer", until).encode())
        return good and int(until) > self._clock()

    def _sign(self, purpose: str, text: str) -> str:
        return hmac.new(self._key, f"{purpose}\n{text}".encode(), hashlib.sha256).hexdigest()


def _least_missed(others: dict[str, tuple[Any, float]]) -> str:
    """The session to give up for a new one: the longest unused of those nobody scores with, else of all.

    Whoever has the viewers' link may use it as often as they like; it must not push out a device at the press.
    """
    return next((key for key, (said, _) in others.items() if said["only_looks"] or not said["who"]), next(iter(others)))


def _digest(cookie: str) -> str:
    # looked up by digest, so that the time a look-up takes says nothing about cookies that exist
    return hashlib.sha256(cookie.encode()).hexdigest()
