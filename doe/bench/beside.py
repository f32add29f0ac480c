"""A process beside the pages for what computes for seconds: in the same one, the pages would take turns with it."""

from __future__ import annotations

import heapq
import itertools
import multiprocessing
import os
import pickle
import signal
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from enum import IntEnum
from importlib import import_module
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, Protocol, TypeVar

T = TypeVar("T")
Progress = Callable[[float], None]

LONGEST_NUMBER = 20
"""Bytes of a number that is sent; every act is longer."""
LESS = 5
"""How much later than the pages it gets its turn at a processor, as `os.nice` counts."""


class Rank(IntEnum):
    """Who waits for an act: lower ones come first."""

    WAITED_FOR = 0
    LOOKED_AT = 1
    ADDED = 2
    """It completes a page that is read and used meanwhile."""


MOST_PUT_OFF = 3
"""So often an act is put off by those that come first; then it is carried out to its end."""


class PutOffError(Exception):
    """An act was broken off for one that comes first."""


class OutOfDateError(Exception):
    """What an act was to be made from is not there any more; nobody waits for it."""


class Compute(Protocol):
    """Carries out an act with what it is given, and waits for what it makes.

    With ``progress`` the act is given one of that name too, and what it tells is told there. Of acts that wait for
    their turn the one of the lowest ``rank`` comes first. One that tells how far it is may be broken off for a lower
    one and begun again, so above the lowest rank it must store nothing.
    """

    def __call__(
        self,
        act: Callable[..., T],
        *given: object,
        progress: Progress | None = None,
        rank: Rank = Rank.WAITED_FOR,
    ) -> T: ...

    def begin(self) -> None:
        """Make ready for the first act; it is not waited for."""

    def close(self) -> None:
        """Stop; what is under way is not waited for."""


class Here:
    """Carries out acts in the thread that asks."""

    def __call__(
        self,
        act: Callable[..., T],
        *given: object,
        progress: Progress | None = None,
        rank: Rank = Rank.WAITED_FOR,
    ) -> T:
        """Carry out an act."""
        del rank  # nobody waits for a turn
        return act(*given) if progress is None else act(*given, progress=progress)

    def begin(self) -> None:
        """Nothing has to be made ready."""

    def close(self) -> None:
        """Nothing has to be stopped."""


class Elsewhere:
    """Carries out acts in another process, one at a time; it begins with the first, and anew if it was ended.

    An act, what it is given, what it makes and what it raises must be such as can be sent to another process. All of
    it goes through a pipe, so that nothing of it stands where other programs look, such as in the name of a process.

    Parameters
    ----------
    ready : str
        A module that is imported there before the first act, so that this is not waited for.
    """

    def __init__(self, ready: str = "") -> None:
        self._ready = ready
        self._turns = _Turns()
        self._beginning = threading.Lock()
        self._is_closed = False
        self._process: SpawnProcess | None = None
        self._way: Connection | None = None

    def __call__(
        self,
        act: Callable[..., T],
        *given: object,
        progress: Progress | None = None,
        rank: Rank = Rank.WAITED_FOR,
    ) -> T:
        """Carry out an act.

        Raises
        ------
        Exception
            What the act raises, its trace as the cause; a `RuntimeError` where that cannot be sent.
        ChildProcessError
            If the process was ended meanwhile, or this was closed.
        """
        tries = 0
        while True:
            with self._turns.turn(rank) as turn:
                way = self._begun()
                try:
                    way.send((turn.number, act, given, progress is not None))
                    if progress is not None and tries < MOST_PUT_OFF:
                        turn.may_be_put_off(way)
                    while isinstance(said := way.recv(), float):
                        if progress is not None:
                            progress(said)
                except (EOFError, OSError) as lost:
                    self._lose()
                    raise ChildProcessError("the process beside the pages was ended") from lost
            made, error, trace = said
            if isinstance(error, PutOffError):
                tries += 1
                continue
            if error is not None:
                raise error from _Trace(trace)
            return made  # type: ignore[no-any-return] # what the act makes

    def begin(self) -> None:
        """Begin the process; that it is ready is not waited for."""
        with suppress(OSError):  # then the first act says so
            self._begun()

    def close(self) -> None:
        """End the process; what is under way is not waited for."""
        with self._beginning:
            self._is_closed = True
            if self._process is not None:
                self._process.terminate()

    def _begun(self) -> Connection:
        with self._beginning:
            if self._is_closed:
                raise ChildProcessError("closed")
            if self._way is None or self._process is None or not self._process.is_alive():
                # a fresh interpreter: a fork would take over locks and connections as they happen to stand
                context = multiprocessing.get_context("spawn")
                self._way, end = context.Pipe()
                self._process = context.Process(target=_carry_out, args=(end, self._ready), daemon=True)
                with _deaf():
                    self._process.start()
                end.close()
            return self._way

    def _lose(self) -> None:
        """Have no more to do with a process that broke off; where it is wanted ready, another one begins."""
        with self._beginning:
            if self._process is not None:
                self._process.terminate()
            self._process = self._way = None
        if self._ready:
            self.begin()


class _Turn:
    """The turn of one act: its ``rank``, its ``number``, and how it is broken off, where it may be."""

    def __init__(self, rank: Rank, number: int, lock: threading.Condition) -> None:
        self.rank, self.number, self._lock = rank, number, lock
        self._way: Connection | None = None
        self._is_late = False

    def may_be_put_off(self, way: Connection) -> None:
        """From now on it is broken off once an act that comes first asks for its turn, or has asked."""
        with self._lock:
            self._way = way
            if self._is_late:
                self.put_off()

    def put_off(self) -> None:
        """Break it off, where it may be; the lock is held."""
        self._is_late = True
        if self._way is not None:
            with suppress(OSError):  # the process has ended: whoever waits for it says so
                self._way.send(self.number)
            self._way = None


class _Turns:
    """One act at a time, the lowest rank first; of one rank in the order they came."""

    def __init__(self) -> None:
        self._there = threading.Condition()
        self._waiting: list[tuple[Rank, int]] = []
        self._numbers = itertools.count()
        self._now: _Turn | None = None

    @contextmanager
    def turn(self, rank: Rank) -> Iterator[_Turn]:
        with self._there:
            mine = (rank, next(self._numbers))
            heapq.heappush(self._waiting, mine)
            if self._now is not None and self._now.rank > rank:
                self._now.put_off()
            self._there.wait_for(lambda: self._now is None and self._waiting[0] == mine)
            heapq.heappop(self._waiting)
            self._now = _Turn(*mine, self._there)
        try:
            yield self._now
        finally:
            with self._there:
                self._now = None
                self._there.notify_all()


class _Trace(Exception):
    """Where in the other process an error came from, for the log."""

    def __str__(self) -> str:
        return f"\n{self.args[0]}"


@contextmanager
def _deaf() -> Iterator[None]:
    """What this thread starts meanwhile hears no Ctrl-C, from its first moment on."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it is begun with the first process otherwise, and lets Ctrl-C in again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _carry_out(way: Connection, ready: str) -> None:
    """What is sent, until nobody is there to send it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(AttributeError, OSError):
        os.nice(LESS)
    threading.Thread(target=_end_with_the_pages, daemon=True).start()
    with suppress(ImportError):  # an act that needs it says so
        import_module(ready or __name__)
    with suppress(EOFError, OSError):
        while True:
            asked = way.recv_bytes()
            if len(asked) > LONGEST_NUMBER:  # that an act is to be broken off may come after its end
                way.send_bytes(_made(asked, way))


def _made(asked: bytes, way: Connection) -> bytes:
    """What an act makes, or the error it ended with and its trace, to be sent back; how far it is goes before."""
    told, number = 0.0, -1

    def tell(share: float) -> None:
        nonlocal told
        while way.poll():
            if pickle.loads(way.recv_bytes()) == number:
                raise PutOffError
        if share >= told + 0.01:
            told = float(share)
            way.send(told)

    try:
        number, act, given, tells = pickle.loads(asked)
        made: tuple[Any, Exception | None, str] = act(*given, **({"progress": tell} if tells else {})), None, ""
        return pickle.dumps(made)
    except Exception as error:
        trace = traceback.format_exc()
        try:
            sent = pickle.dumps((None, error, trace))
            pickle.loads(sent)
        except Exception:
            return pickle.dumps((None, RuntimeError(f"{type(error).__name__}: {error}"), trace))
        return sent


def _end_with_the_pages() -> None:
    """However they end, and whatever is under way."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    wait([parent.sentinel])
    os._exit(0)
