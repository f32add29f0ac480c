"""What every command shares: its book, who asks, the units, whether it may ask back, and how it replies."""

from __future__ import annotations

import getpass
import inspect
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from inspect import cleandoc
from typing import TYPE_CHECKING, Annotated, Any

import typer

from doe.cli.ask import confirm_reading
from doe.cli.output import Reply, folded, show_reply
from doe.cli.terminal import Stopped
from doe.domain.errors import DoeError, InputError
from doe.domain.texts import quoted
from doe.domain.units import Shown
from doe.words.typed import Confirm

if TYPE_CHECKING:
    from doe.book.book import Book

Progress = Callable[[float], None]
Step = Callable[[float, str], None]

_UNITS = {
    "temperature": {"degc": "degC", "c": "degC", "degf": "degF", "f": "degF"},
    "pressure": {"bar": "bar", "psi": "psi"},
}


@dataclass(frozen=True)
class Desk:
    """The shared options of a command, and what they open."""

    book: Annotated[
        str | None, typer.Option(metavar="PATH", help="The book; otherwise DOE_BOOK, or your data folder.")
    ] = None
    who: Annotated[
        str | None, typer.Option(metavar="NAME", help="Who does this; otherwise DOE_WHO, or your login.")
    ] = None
    temperature: Annotated[
        str | None, typer.Option(metavar="degC|degF", help="Unit to read and show; otherwise DOE_UNITS.")
    ] = None
    pressure: Annotated[
        str | None, typer.Option(metavar="bar|psi", help="Unit to read and show; otherwise DOE_UNITS.")
    ] = None
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object on standard output, nothing else.")] = False
    opened: list[Book] = field(default_factory=list, init=False)

    @property
    def name(self) -> str:
        """Who does this: ``--who``, else DOE_WHO, else the login name.

        Raises
        ------
        InputError
            If nobody can be named.
        """
        given = self.who if self.who is not None else os.environ.get("DOE_WHO")
        if given is None:
            with suppress(KeyError, OSError):  # no login name, as in a bare container
                given = getpass.getuser()
        if given is None or not given.strip():
            raise InputError("--who", "nobody", "a name", "Add --who NAME, or set DOE_WHO.")
        return given.strip()

    @property
    def shown(self) -> Shown:
        """The units to read and show: the options, else DOE_UNITS, else degC and bar."""
        text = os.environ.get("DOE_UNITS", "")
        found = {"temperature": "degC", "pressure": "bar"}
        for word in text.replace(",", " ").split():
            kind = next((kind for kind, units in _UNITS.items() if word.lower() in units), None)
            if kind is None:
                raise InputError("DOE_UNITS", repr(text), "degC or degF, bar or psi", "Set it like: degF psi.")
            found[kind] = word
        for kind, units in _UNITS.items():
            typed = getattr(self, kind) or found[kind]
            if typed.lower() not in units:
                raise InputError(
                    f"--{kind}", repr(typed), " or ".join(dict.fromkeys(units.values())), "Correct the unit."
                )
            found[kind] = units[typed.lower()]
        return Shown(**found)  # type: ignore[arg-type] # the units of the table

    def open(self, *, create: bool = True) -> Book:
        """The book, to be used as a context manager."""
        # a command's help and `doe explain` need no database
        from doe.book.book import Book  # noqa: PLC0415

        book = Book.open(self.book, who=self.name, create=create)
        self.opened.append(book)
        return book

    def look(self) -> Book:
        """The book for a command that only looks: a missing one is not made."""
        return self.open(create=False)

    def refuse_damaged(self, error: Exception) -> None:
        """Say that a book is damaged, where that explains an error that nobody expected.

        Raises
        ------
        DamagedBook
            If one of the books that were opened has problems.
        """
        from doe.book.engine import DamagedBook  # noqa: PLC0415 - as above

        for book in self.opened:
            if problems := book.check():
                raise DamagedBook(f"book {book.label}", problems[0].rstrip(".")) from error

    @property
    def label(self) -> str:
        """The book as it may be printed and typed again: a URL without its password."""
        from doe.book.engine import find_place  # noqa: PLC0415 - a command's help needs no database

        return find_place(self.book).label

    def in_same_book(self, steps: Sequence[str]) -> list[str]:
        """Suggested commands for the book this one was about."""
        if self.book is None:
            return list(steps)
        place = quoted(self.book if "://" not in self.book else self.label)
        return [
            f"{step} --book {place}" if re.match(r"doe (?!.*--(book|help))", step, re.DOTALL) else step
            for step in steps
        ]

    @property
    def can_ask(self) -> bool:
        """Whether a person sits at the other end."""
        return not self.as_json and is_terminal(sys.stdin)

    @property
    def confirm(self) -> Confirm | None:
        """Asks that person whether a value was meant as it is read; None without one."""
        return confirm_reading if self.can_ask else None

    @contextmanager
    def progress(self, what: str) -> Iterator[Progress]:
        """A progress bar on standard error, only when that is a terminal; gives a function to call with 0 to 1."""
        with self.steps(what) as step:
            yield lambda share: step(share, what)

    @contextmanager
    def steps(self, first: str = "") -> Iterator[Step]:
        """The same for an act of several steps: call it with 0 to 1 and what is being done."""
        if self.as_json or not is_terminal(sys.stderr):
            yield lambda share, what: None
            return
        # a command in a pipe shows no bar and need not load one
        from rich.console import Console  # noqa: PLC0415
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn  # noqa: PLC0415

        columns = (TextColumn("{task.description}"), BarColumn(bar_width=30), TimeElapsedColumn())
        with Progress(*columns, console=Console(stderr=True, width=80), transient=True) as bar:
            task = bar.add_task(first, total=1.0)
            yield lambda share, what: bar.update(task, completed=share, description=what)


def is_terminal(stream: Any) -> bool:
    """Whether a stream is a terminal with a person at it."""
    return bool(stream is not None and stream.isatty())


def command(app: typer.Typer, name: str, *, example: str) -> Callable[[Callable[..., Reply]], Callable[..., Reply]]:
    """Make a function a command: it gets a `Desk` first and returns its `Reply`.

    The shared options are added to its own, so that every command has the same ones, and ``example`` (one command
    line a line) stands under its ``--help``; a test runs them all.
    """

    def register(function: Callable[..., Reply]) -> Callable[..., Reply]:
        own = list(inspect.signature(function, eval_str=True).parameters.values())[1:]
        shared = inspect.signature(Desk, locals={"Book": object}, eval_str=True).parameters
        parameters = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in (*own, *shared.values())]

        def run(**values: Any) -> None:
            desk = Desk(**{key: values.pop(key) for key in shared})
            _ = desk.shown  # a wrong unit is refused before anything is done
            try:
                reply = function(desk, **values)
            except (KeyboardInterrupt, typer.Abort, EOFError) as error:
                raise Stopped(sum(book.stored for book in desk.opened)) from error
            except Exception as error:
                if not isinstance(error, DoeError) and not hasattr(error, "exit_code"):
                    desk.refuse_damaged(error)
                raise
            try:
                show_reply(replace(reply, next_steps=desk.in_same_book(reply.next_steps)), as_json=desk.as_json)
                sys.stdout.flush()
            except BrokenPipeError:
                # whoever read our output has gone (as in `doe ... | head`); nothing is wrong
                _let_go_of_output()
            except OSError as error:
                _let_go_of_output()
                remedy = "What the command stored is stored; only its answer was lost."
                found = error.strerror or str(error)
                raise InputError("standard output", found, "a place that takes the answer", remedy) from error
            if reply.exit_code:
                raise typer.Exit(reply.exit_code)

        run.__doc__ = function.__doc__
        run.__name__ = function.__name__
        run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined] # typer reads the options here
        run.__annotations__ = {p.name: p.annotation for p in parameters}
        lines = (part for line in cleandoc(example).splitlines() for part in folded(line, continued=True))
        indented = "\n".join(f"  {line}" for line in lines)
        summary = inspect.getdoc(function) or ""
        app.command(name, short_help=summary.partition("\n")[0], epilog=f"\b\nExample:\n{indented}")(run)
        return function

    return register


def _let_go_of_output() -> None:
    """Send what is still unwritten nowhere, or Python tries once more when it ends, and complains."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def commands() -> typer.Typer:
    """The commands of a module, for `command` to add to; `doe.cli.tree` says where each of them hangs."""
    return typer.Typer(rich_markup_mode=None, add_completion=False)
