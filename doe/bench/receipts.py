"""A form posted twice is carried out once: each form brings a mark of its own, and its answer is remembered."""

from __future__ import annotations

import hashlib
import re
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable

MOST = 20_000
_MARK = re.compile(r"^[A-Za-z0-9_-]{16,40}$")


def new_mark() -> str:
    """Mark of a new form."""
    return secrets.token_urlsafe(16)


def receipt_key(mark: str, parts: Iterable[str | bytes]) -> str:
    """What a post is known by: the mark of its form and everything in it. Without a proper mark there is none, ``""``.

    The content counts too: who goes back in the browser, changes a score and saves again, means the change.
    """
    if not _MARK.match(mark):
        return ""
    digest = hashlib.sha256(mark.encode())
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        digest.update(len(data).to_bytes(8, "big") + data)
    return digest.hexdigest()


class Receipts:
    """What was answered to which post.

    It lives as long as the program; the book itself takes the same score from the same person only once, so that a
    form sent again after a restart adds nothing either.
    """

    def __init__(self) -> None:
        self._answers: OrderedDict[str, str] = OrderedDict()
        self._running: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()

    def once(self, key: str, act: Callable[[], str]) -> str:
        """Carry out an act unless this post was carried out already; returns where to go on, the same both times.

        Two equal posts at the same moment wait for one another. An act that raises leaves no receipt.
        """
        if not key:
            return act()
        with self._lock:
            turn = self._running.setdefault(key, threading.Lock())
        with turn:
            with self._lock:
                if key in self._answers:
                    return self._answers[key]
            try:
                answer = act()
            except BaseException:
                with self._lock:
                    self._running.pop(key, None)
                raise
            with self._lock:
                self._answers[key] = answer
                self._running.pop(key, None)
                while len(self._answers) > MOST:
                    self._answers.popitem(last=False)
            return answer
