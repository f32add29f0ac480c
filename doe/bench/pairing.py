"""The pairing code: shown in the terminal, typed once on a device, then used up."""

from __future__ import annotations

import hmac
import secrets
import threading
from collections import deque
from collections.abc import Callable

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
