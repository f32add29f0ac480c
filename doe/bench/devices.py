"""Devices that may use the page: pairing code, sessions, form tokens, and the link for people who only look."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

CODE_DIGITS = 8
CODE_MINUTES = 10.0
TRIES_A_MINUTE = 5
"""Wrong codes an address may send within a minute before it has to wait."""
TRIES_A_CODE = 10
"""Wrong codes, from all addresses together, after which the code itself is replaced."""
MOST_ADDRESSES = 1000


class Pairing:
    """One code at a time; it lets in one device, and is replaced when used, too old, or guessed at.

    Parameters
    ----------
    clock : callable
        Seconds that never run backwards.
    announce : callable
        Shows a new code to the person at the terminal.
    """

    def __init__(self, clock: Callable[[], float], announce: Callable[[str], None]) -> None:
        self._clock = clock
        self._announce = announce
        self._lock = threading.Lock()
        self._code = ""
        self._until = 0.0
        self._wrong = 0
        self._wrong_by_address: dict[str, deque[float]] = {}

    def renew(self) -> str:
        """A new code; the old one is good for nothing any more."""
        with self._lock:
            return self._renew()

    def ask(self) -> None:
        """Make sure that a code is there: somebody wants to pair a device."""
        with self._lock:
            if not self._code or self._clock() >= self._until:
                self._renew()

    def wait_seconds(self, address: str) -> float:
        """How long an address has to wait before it may try again; 0 when it may."""
        with self._lock:
            recent = self._recent(address)
            return 0.0 if len(recent) < TRIES_A_MINUTE else max(0.1, 60.0 - (self._clock() - recent[0]))

    def accept(self, typed: str, address: str) -> bool:
        """Whether what was typed is the code. A right one is used up; a wrong one is counted."""
        digits = "".join(c for c in typed if c.isdecimal() and c.isascii())
        with self._lock:
            if len(self._recent(address)) >= TRIES_A_MINUTE:
                return False
            current = bool(self._code) and self._clock() < self._until
            # compared in the same time whether right, wrong or outdated
            same = hmac.compare_digest(digits.encode(), (self._code or "-" * CODE_DIGITS).encode())
            if same and current:
                self._renew()
                return True
            self._count_wrong(address)
            return False

    def _renew(self) -> str:
        self._code = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
        self._until = self._clock() + CODE_MINUTES * 60
        self._wrong = 0
        self._announce(spaced(self._code))
        return self._code

    def _recent(self, address: str) -> deque[float]:
        recent = self._wrong_by_address.get(address, deque())
        while recent and self._clock() - recent[0] >= 60:
            recent.popleft()
        return recent

    def _count_wrong(self, address: str) -> None:
        recent = self._recent(address)
        recent.append(self._clock())
        if len(self._wrong_by_address) >= MOST_ADDRESSES:  # forget those that have waited long enough
            self._wrong_by_address = {a: r for a, r in self._wrong_by_address.items() if self._recent(a)}
        self._wrong_by_address[address] = recent
        self._wrong += 1
        if self._wrong >= TRIES_A_CODE:
            self._renew()


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


@dataclass
class Session:
    """A device. ``who`` is the name chosen on it, ``""`` before; ``kept`` holds what a page needs between two requests.

    A session with ``only_looks`` can post nothing.
    """

    only_looks: bool
    used: float
    who: str = ""
    kept: dict[str, Any] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)


class Sessions:
    """Sessions by cookie. They live as long as the program runs; the book holds everything that must last.

    Parameters
    ----------
    clock : callable
        Seconds that never run backwards.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._key = secrets.token_bytes(32)
        self._by_cookie: OrderedDict[str, Session] = OrderedDict()
        self._lock = threading.Lock()

    def begin(self, *, only_looks: bool = False) -> tuple[str, Session]:
        """A new session and the text of its cookie, always a fresh one."""
        cookie = secrets.token_urlsafe(24)
        session = Session(only_looks, self._clock())
        with self._lock:
            self._by_cookie[_digest(cookie)] = session
            while len(self._by_cookie) > MOST_SESSIONS:
                del self._by_cookie[self._least_missed(_digest(cookie))]
        return cookie, session

    def _least_missed(self, fresh: str) -> str:
        """The session to give up for a new one: the longest unused of those nobody scores with, else of all.

        Whoever has the viewers' link may use it as often as they like; it must not push out a device at the press.
        """
        others = [digest for digest in self._by_cookie if digest != fresh]
        return next((d for d in others if self._by_cookie[d].only_looks or not self._by_cookie[d].who), others[0])

    def find(self, cookie: str | None) -> Session | None:
        """The session of a cookie, if there is one and it is not too old."""
        if not cookie:
            return None
        digest, now = _digest(cookie), self._clock()
        with self._lock:
            session = self._by_cookie.get(digest)
            if session is None:
                return None
            if now - session.used > SESSION_HOURS * 3600:
                del self._by_cookie[digest]
                return None
            session.used = now
            self._by_cookie.move_to_end(digest)
            return session

    def end(self, cookie: str | None) -> None:
        """Forget a session."""
        with self._lock:
            self._by_cookie.pop(_digest(cookie or ""), None)

    def names(self) -> tuple[str, ...]:
        """Names chosen on the devices in use."""
        with self._lock:
            return tuple(dict.fromkeys(s.who for s in self._by_cookie.values() if s.who))

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


def _digest(cookie: str) -> str:
    # looked up by digest, so that the time a look-up takes says nothing about cookies that exist
    return hashlib.sha256(cookie.encode()).hexdigest()
