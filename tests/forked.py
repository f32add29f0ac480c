"""Programs of ours in processes of their own, as forks of one that has loaded them: a start takes no second of work.

What is asked of a page or a command while it runs, and how it ends, is the same in a fork. Tests of the start itself,
of what is loaded for it and of what the terminal is told by it, start the program as a shop does. So does everything
where the system has no fork.
"""

from __future__ import annotations

import atexit
import gc
import io
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import traceback
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

LOADED = ("doe.cli.app", "doe.cli.bench", "doe.cli.open", "doe.cli.practice", "doe.cli.record")
LOADED_BY_THEM = ("doe.bench.serve", "doe.office.pages", "doe.book.book", "doe.practice.drills", "reports.practice")
"""What pages and these commands import at their start, and once they are at work."""

ALL_FITS = 100_000
"""A run of the tests makes more fits than a person's cache keeps: none is taken away before the run ends."""


class Forked:
    """A command that runs in a fork: what the tests need of `subprocess.Popen`, under the same names."""

    def __init__(
        self,
        words: Sequence[str],
        *,
        env: Mapping[str, str],
        cwd: Path | str | None = None,
        terminal: int | None = None,
    ) -> None:
        """Start it; ``terminal`` is the end of a pseudo terminal that it has instead of pipes."""
        told, tell = os.pipe()
        pipes: list[io.TextIOWrapper | None] = [None, None]
        ends = [terminal] * 3 if terminal is not None else [os.open(os.devnull, os.O_RDONLY)]
        if terminal is None:
            for number in range(2):
                read, write = os.pipe()
                pipes[number] = os.fdopen(read, encoding="utf-8")
                ends.append(write)
        asked = {"words": list(words), "env": dict(env), "cwd": str(cwd or Path.cwd()), "tty": terminal is not None}
        socket.send_fds(_loaded(), [json.dumps(asked).encode()], [*ends, tell])
        for end in (*(ends if terminal is None else ()), tell):
            os.close(end)
        self.stdout, self.stderr = pipes
        self._told = os.fdopen(told, "rb", buffering=0)
        self.pid = self._number()
        self.returncode: int | None = None

    def _number(self) -> int:
        line = b""
        while not line.endswith(b"\n"):
            read = self._told.read(1)
            assert read, "the process that forks has ended"
            line += read
        return int(line)

    def poll(self) -> int | None:
        """Exit code, None while it runs."""
        if self.returncode is None and select.select([self._told], [], [], 0)[0]:
            self.wait()
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end; exit code, or the negative number of the signal that ended it."""
        if self.returncode is None:
            if not select.select([self._told], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired("doe", timeout or 0)
            self.returncode = self._number()
            self._told.close()
        return self.returncode

    def send_signal(self, number: int) -> None:
        """Send a signal, if it still runs."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def communicate(self, timeout: float | None = None) -> tuple[str, str]:
        """What it says until its end."""
        said = ["", ""]

        def read(number: int, stream: io.TextIOWrapper) -> None:
            said[number] = stream.read()

        threads = [
            threading.Thread(target=read, args=(number, stream), daemon=True)
            for number, stream in enumerate((self.stdout, self.stderr))
            if stream is not None
        ]
        for thread in threads:
            thread.start()
        self.wait(timeout)
        for thread in threads:
            thread.join(timeout)
        self.close()
        return said[0], said[1]

    def close(self) -> None:
        """Close what it was read by; one that still runs is ended."""
        self.kill()
        self.wait()
        for stream in (self.stdout, self.stderr):
            if stream is not None:
                stream.close()

    def __enter__(self) -> Forked:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def started(words: Sequence[str], *, env: Mapping[str, str]) -> Forked | subprocess.Popen[str]:
    """A command line of ours that runs, with pipes."""
    if hasattr(os, "fork") and hasattr(socket, "send_fds") and sys.platform == "linux":
        return Forked(words, env=env)
    command = [sys.executable, "-m", "doe.cli", *words]
    return subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@cache
def _loaded() -> socket.socket:
    """The way to the process that forks: begun with the first that is asked for, ended with this one."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 1 << 20)
    words = [sys.executable, "-m", "tests.forked", str(theirs.fileno())]
    process = subprocess.Popen(words, pass_fds=[theirs.fileno()], cwd=Path(__file__).parents[1])
    theirs.close()

    def end() -> None:
        ours.close()
        process.wait()

    atexit.register(end)
    return ours


def _fork_for_ever(way: socket.socket) -> dict[str, Any] | None:
    """Fork for each message; in the fork, what was asked for, in the process itself None at the end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    woken, wake = os.pipe()
    os.set_blocking(wake, False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(wake)
    tells: dict[int, int] = {}
    while True:
        ready = select.select([way, woken], [], [])[0]
        if woken in ready:
            os.read(woken, 1000)
            while tells and (ended := os.waitpid(-1, os.WNOHANG))[0]:
                tell = tells.pop(ended[0])
                _say(tell, os.waitstatus_to_exitcode(ended[1]))
                os.close(tell)
        if way in ready:
            message, ends, _, _ = socket.recv_fds(way, 1 << 20, 4)
            if not message:
                return None
            *streams, tell = ends
            if (pid := os.fork()) == 0:
                signal.set_wakeup_fd(-1)
                signal.signal(signal.SIGCHLD, signal.SIG_DFL)
                signal.signal(signal.SIGINT, signal.default_int_handler)
                for other in (*tells.values(), tell, woken, wake):
                    os.close(other)
                way.close()
                for number, stream in enumerate(streams):
                    os.dup2(stream, number)
                    os.close(stream)
                return dict(json.loads(message))
            tells[pid] = tell
            for stream in streams:
                os.close(stream)
            _say(tell, pid)


def _say(tell: int, number: int) -> None:
    with suppress(BrokenPipeError):  # nobody waits for it any more
        os.write(tell, f"{number}\n".encode())


def _become(asked: dict[str, Any]) -> None:
    """Be a process that was just started with these words."""
    os.environ.clear()
    os.environ.update(asked["env"])
    os.chdir(asked["cwd"])
    if asked["tty"]:
        import fcntl
        import termios

        os.setsid()
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    sys.argv = ["doe", *asked["words"]]
    sys.stdin = os.fdopen(0, encoding="utf-8", closefd=False)
    sys.stdout, sys.stderr = (os.fdopen(n, "w", encoding="utf-8", closefd=False, buffering=1) for n in (1, 2))
    main = sys.modules["__main__"]
    main.__spec__ = None  # what it starts itself need not load this
    del main.__file__


def _run() -> int:
    from doe.cli import main

    try:
        main()
    except SystemExit as left:
        return left.code if isinstance(left.code, int) else int(left.code is not None)
    except BaseException:
        traceback.print_exc()
        return 1
    return 0


def _end_as(code: int) -> None:
    """End as the interpreter does, but leave to the system what was loaded: taking it apart takes half a second."""
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    with suppress(OSError, ValueError):
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    for module in (*LOADED, *LOADED_BY_THEM):
        import_module(module)
    import doe.acts.study.kept_draws

    doe.acts.study.kept_draws.MOST_FITS = ALL_FITS
    gc.collect()
    gc.freeze()  # the collector would copy what the forks share
    if (now := _fork_for_ever(socket.socket(fileno=int(sys.argv[1])))) is not None:
        _become(now)
        _end_as(_run())
