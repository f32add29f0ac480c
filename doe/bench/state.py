"""What the page remembers while it runs: answers to forms, early looks, devices."""

from __future__ import annotations

import hashlib
import re
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from starlette.responses import Response
from starlette.routing import BaseRoute

from doe.acts.study.fits import EarlyHint
from doe.bench.beside import Compute, Here, Rank
from doe.bench.devices import SESSION_HOURS, Pairing, Session, Sessions
from doe.bench.door import Door
from doe.bench.jobs import Jobs
from doe.bench.shop import Shop, hint_in, keep_newest
from doe.bench.staff import Person, Staff
from doe.book.page_state import PageState
from doe.book.store import Writing
from doe.words.press import told

_RECEIPT = "receipt"
_MARK = re.compile(r"^[A-Za-z0-9_-]{16,40}$")


def new_mark() -> str:
    """Mark of a new form."""
    return secrets.token_urlsafe(16)


def receipt_key(mark: str, parts: Iterable[str]) -> str:
    """What a post is known by: the mark of its form and everything in it. Without a proper mark there is none, ``""``.

    The content counts too: who goes back in the browser, changes a score and saves again, means the change.
    """
    if not _MARK.match(mark):
        return ""
    digest = hashlib.sha256(mark.encode())
    for part in parts:
        data = part.encode()
        digest.update(len(data).to_bytes(8, "big") + data)
    return digest.hexdigest()


class Receipts:
    """What was answered to which post, kept for a shift.

    Two processes may carry out one post at the same moment; the book itself takes the same score from the same person
    only once, so that this adds nothing either.

    Parameters
    ----------
    state : PageState
    clock : callable
        Seconds since 1970.
    """

    def __init__(self, state: PageState, clock: Callable[[], float]) -> None:
        self._state = state
        self._clock = clock
        self._given = 0
        self._running: dict[str, threading.Lock] = {}
        self._with_act: set[str] = set()
        self._lock = threading.Lock()

    def keep_with(self, writing: Writing, key: str, answer: str) -> None:
        """Keep what is going to be answered in the transaction of the act itself: the disk is waited for once."""
        if key:
            self._state.put_with(writing.connection, _RECEIPT, key, answer, self._clock())
            self._with_act.add(key)

    def once(self, key: str, act: Callable[[], Response | str]) -> Response | str:
        """Carry out an act unless this post was carried out already; returns where to go on, the same both times.

        Two equal posts at the same moment wait for one another. An act that raises leaves no receipt, nor does one
        that ends with a page instead of moving on: nothing was done that must not be done again.
        """
        if not key:
            return act()
        with self._lock:
            turn = self._running.setdefault(key, threading.Lock())
        with turn:
            try:
                if (given := self._state.get(_RECEIPT, key)) is not None:
                    return str(given[0])
                answer = act()
                if isinstance(answer, str):
                    self._keep(key, answer)
                return answer
            finally:
                with self._lock:
                    self._running.pop(key, None)
                    self._with_act.discard(key)

    def _keep(self, key: str, answer: str) -> None:
        now = self._clock()
        if self._given % 500 == 0:
            self._state.drop(_RECEIPT, before=now - SESSION_HOURS * 3600)
        self._given += 1
        if key not in self._with_act:
            self._state.put(_RECEIPT, key, answer, now)


MOST_HINTS = 50


@dataclass(frozen=True)
class Seen:
    """What is known now: a ``hint``, older while ``is_waiting`` for a newer one, or why there is ``none``."""

    hint: EarlyHint | None
    is_waiting: bool
    none: str = ""


class Hints:
    """Looking never waits for a computation, and scoring never does either.

    Parameters
    ----------
    shop : Shop
    log : callable
        Keeps an error that nobody expected.
    compute : callable
        Where it is computed.
    """

    def __init__(self, shop: Shop, log: Callable[[BaseException], None], compute: Compute) -> None:
        self._shop = shop
        self._log = log
        self._compute_in = compute
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="hint")
        self._lock = threading.Lock()
        self._by_hash: OrderedDict[str, EarlyHint | str] = OrderedDict()
        self._last: dict[int, EarlyHint] = {}
        self._running: set[int] = set()
        self._is_closed = False

    def look(self, study: int) -> Seen:
        """The hint to what is scored now; if there is none yet, its computation begins."""
        key = self._shop.hint_hash(study)
        with self._lock:
            found = self._by_hash.get(key)
            if isinstance(found, str):
                return Seen(None, False, found)
            if found is not None:
                self._last[study] = found
                return Seen(found, False)
            if study not in self._running:
                self._running.add(study)
                self._worker.submit(self._compute, study, key)
            return Seen(self._last.get(study), True)

    def close(self) -> None:
        """Stop; what is being computed is not waited for."""
        self._is_closed = True
        self._worker.shutdown(wait=False, cancel_futures=True)

    def _compute(self, study: int, asked: str) -> None:
        found: EarlyHint | str
        try:
            given = self._shop.target, self._shop.owner, study
            # whoever waits for an answer comes before whoever looks again later
            found = self._compute_in(hint_in, *given, progress=lambda share: None, rank=Rank.LOOKED_AT)
        except Exception as error:
            if not self._is_closed:
                self._log(error)
            found = told("hint_broken")
        with self._lock:
            # somebody may have scored between the question and the reading: the hint is kept under what it is made from
            if isinstance(found, EarlyHint):
                asked, self._last[study] = found.hash, found
            keep_newest(self._by_hash, asked, found, MOST_HINTS)
            self._running.discard(study)


class Bench:
    """The page and its book; no device is let in yet.

    Parameters
    ----------
    shop : Shop
    is_local : bool
        Whether only this machine can reach it: then no pairing is needed.
    link : str
        Address of the first page as other devices reach it, without a slash at its end.
    announce : callable
        Shows a pairing code.
    log : callable
        Keeps an error that nobody expected.
    clock : callable
        Seconds since 1970.
    more_pages : callable, optional
        Addresses beside those of the page at the press, and before them.
    compute : callable, optional
        Where works and early looks are computed: in this process when left out.
    """

    def __init__(
        self,
        shop: Shop,
        *,
        is_local: bool,
        link: str,
        announce: Callable[[str], None],
        log: Callable[[BaseException], None],
        clock: Callable[[], float] = time.time,
        more_pages: Callable[[Bench], Sequence[BaseRoute]] | None = None,
        compute: Compute | None = None,
    ) -> None:
        self.shop, self.is_local, self.link, self.log = shop, is_local, link, log
        self.door = Door(is_local)
        state = shop.page_state()
        self.pairing, self.sessions = Pairing(state, clock, announce), Sessions(state, clock)
        self.staff = Staff(state, clock)
        self.compute: Compute = compute or Here()
        self.hints, self.jobs = Hints(shop, log, self.compute), Jobs(shop, log, self.compute)
        self.receipts, self.more_pages = Receipts(state, clock), more_pages
        self.plays: OrderedDict[tuple[str, str], object] = OrderedDict()
        """Exercises under way in this process, by session and exercise."""
        self.play_turn = threading.Lock()
        # one picture is decoded at a time: a large one takes a hundred megabytes for a moment
        self.photo_turn = threading.Semaphore(1)
        # always by the same thread: each one keeps what it has freed for itself
        self.photo_worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="photo")

    def close(self) -> None:
        """Stop what is worked out beside the pages."""
        self.hints.close()
        self.jobs.close()
        self.compute.close()
        self.photo_worker.shutdown(wait=False)

    def device(self, cookie: str) -> tuple[Session | None, tuple[bool, Person | None]]:
        """The session of a device's cookie, and `signing` for it."""
        session = self.sessions.find(cookie)
        return session, self.signing(session)

    def signing(self, session: Session | None) -> tuple[bool, Person | None]:
        """Whether people sign in here before they store anything, and who did on a device.

        On the machine itself nobody is asked: whoever sits at it has the book. On a network everybody is, once people
        are named; and where the whole job is done there, somebody has to be.
        """
        if self.is_local:
            return False, None
        everybody = self.staff.everybody()
        if session is None or not session.signed:
            return bool(everybody) or self.more_pages is not None, None
        found = (person for person in everybody if person.name == session.who and person.mark == session.signed)
        return bool(everybody) or self.more_pages is not None, next(found, None)

    def people(self) -> tuple[str, ...]:
        """Names that are in use on the devices, or in the book lately."""
        return tuple(dict.fromkeys((*self.sessions.names(), *self.shop.people())))
