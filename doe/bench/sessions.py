"""Devices that may use the page: sessions, form tokens, and the signed link for people who only look."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

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
