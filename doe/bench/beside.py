"""A process beside the pages for what computes for seconds: in the same one, the pages would take turns with it."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, Protocol, TypeVar

T = TypeVar("T")
Progress = Callable[[float], None]

LESS = 5
"""How much later than the pages it gets its turn at a processor, as `os.nice` counts."""


class Compute(Protocol):
    """Carries out an act with what it is given, and waits for what it makes.

    With ``progress`` the act is given one of that name too, and what it tells is told there.
    """

    def __call__(self, act: Callable[..., T], *given: object, progress: Progress | None = None) -> T: ...

    def begin(self) -> None:
        """Make ready for the first act; it is not waited for."""

    def close(self) -> None:
        """Stop; what is under way is not waited for."""


class Here:
    """Carries out acts in the thread that asks."""

    def __call__(self, act: Callable[..., T], *given: object, progress: Progress | None = None) -> T:
        """Carry out an act."""
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
        self._turn = threading.Lock()
        self._beginning = threading.Lock()
        self._is_closed = False
        self._process: SpawnProcess | None = None
        self._way: Connection | None = None

    def __call__(self, act: Callable[..., T], *given: object, progress: Progress | None = None) -> T:
        """Carry out an act.

        Raises
        ------
        Exception
            What the act raises, its trace as the cause; a `RuntimeError` where that cannot be sent.
        ChildProcessError
            If the process was ended meanwhile, or this was closed.
        """
        with self._turn:
            way = self._begun()
            try:
                way.send((act, given, progress is not None))
                while isinstance(said := way.recv(), float):
                    if progress is not None:
                        progress(said)
            except (EOFError, OSError) as lost:
                self._lose()
                raise ChildProcessError("the process beside the pages was ended") from lost
        made, error, trace = said
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
            way.send_bytes(_made(way.recv_bytes(), way))


def _made(asked: bytes, way: Connection) -> bytes:
    """What an act makes, or the error it ended with and its trace, to be sent back; how far it is goes before."""
    told = 0.0

    def tell(share: float) -> None:
        nonlocal told
        if share >= told + 0.01:
            told = float(share)
            way.send(told)

    try:
        act, given, tells = pickle.loads(asked)
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
