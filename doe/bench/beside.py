"""A process beside the pages for what computes for seconds: in the same one, the pages would take turns with it."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any, Protocol, TypeVar

T = TypeVar("T")

LESS = 5
"""How much later than the pages it gets its turn at a processor, as `os.nice` counts."""


class Compute(Protocol):
    """Carries out an act with what it is given, and waits for what it makes."""

    def __call__(self, act: Callable[..., T], *given: object) -> T: ...

    def close(self) -> None:
        """Stop; what is under way is not waited for."""


class Here:
    """Carries out acts in the thread that asks."""

    def __call__(self, act: Callable[..., T], *given: object) -> T:
        """Carry out an act."""
        return act(*given)

    def close(self) -> None:
        """Nothing has to be stopped."""


class Elsewhere:
    """Carries out acts in another process, one at a time; it begins with the first, and anew if it was ended.

    Both an act and what it is given and makes must be such as can be sent to another process.
    """

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._beginning = threading.Lock()
        self._is_closed = False
        self._process: SpawnProcess | None = None
        self._way: Connection | None = None

    def __call__(self, act: Callable[..., T], *given: object) -> T:
        """Carry out an act.

        Raises
        ------
        RuntimeError
            If the act ended with an error; its trace is the message.
        OSError, EOFError
            If the process was ended meanwhile, or this was closed.
        """
        with self._turn:
            way = self._begun()
            way.send((act, given))
            made, error = way.recv()
        if error:
            raise RuntimeError(error)
        return made  # type: ignore[no-any-return] # what the act makes

    def close(self) -> None:
        """End the process; what is under way is not waited for."""
        with self._beginning:
            self._is_closed = True
            if self._process is not None:
                self._process.terminate()

    def _begun(self) -> Connection:
        with self._beginning:
            if self._is_closed:
                raise OSError("closed")
            if self._way is None or self._process is None or not self._process.is_alive():
                # a fresh interpreter: a fork would take over locks and connections as they happen to stand
                context = multiprocessing.get_context("spawn")
                self._way, end = context.Pipe()
                self._process = context.Process(target=_carry_out, args=(end,), daemon=True)
                with _deaf():
                    self._process.start()
                end.close()
            return self._way


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


def _carry_out(way: Connection) -> None:
    """What is sent, until nobody is there to send it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(AttributeError, OSError):
        os.nice(LESS)
    with suppress(EOFError, OSError):
        while True:
            act, given = way.recv()
            made: tuple[Any, str]
            try:
                made = act(*given), ""
            except Exception:
                made = None, traceback.format_exc()
            way.send(made)
