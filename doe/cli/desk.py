"""What every command shares: its book, who asks, the units, whether it may ask back, and its reply, as text or JSON."""

from __future__ import annotations

import getpass
import inspect
import os
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, is_dataclass, replace
from typing import TYPE_CHECKING, Any, get_args

import typer

from doe.cli.ask import confirm_reading
from doe.cli.terminal import HEIGHT, WIDTH, Stopped, coloured, print_json, wrapped
from doe.cli.terminal_table import table_lines
from doe.cli.tree import COMMANDS
from doe.domain.errors import DoeError, InputError, quoted
from doe.domain.jsonable import jsonable, packaged_table
from doe.words.typed import Asking
from doe.words.wording import count

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

    book: str | None = None
    who: str | None = None
    temperature: str | None = None
    pressure: str | None = None
    as_json: bool = False
    more: bool = False
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
    def shown(self) -> Asking:
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
        return Asking(**found, confirm=confirm_reading if self.can_ask else None)  # type: ignore[arg-type] # of the table

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
                raise DamagedBook(book.label, problems[0].rstrip(".")) from error

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


def command(path: str) -> Callable[[Callable[..., Reply]], Callable[..., Reply]]:
    """Make a function the command of that place in the tree: it gets a `Desk` first and returns its `Reply`.

    How each of its parameters is typed stands in ``templates/tables/options.toml``, with an example. One that is a
    dataclass is typed field by field; fields that the table does not name, or that are parameters of their own, keep
    their defaults.
    """
    told = packaged_table("options")
    table = {**told["any"], **told[path].get("takes", {}), **told["shared"]}

    def register(function: Callable[..., Reply]) -> Callable[..., Reply]:
        first, *own = inspect.signature(function, eval_str=True).parameters.values()
        bundles: dict[str, tuple[Any, list[inspect.Parameter]]] = {
            p.name: (p.annotation, _fields(p, table.keys() - {q.name for q in own}))
            for p in (first, *own)
            if is_dataclass(p.annotation)
        }
        typed = [q for p in (*own, first) for q in (bundles[p.name][1] if p.name in bundles else [p])]
        parameters = [_as_option(p, table[p.name]) if p.name in table else p for p in typed]

        def run(**values: Any) -> None:
            values |= {p.name: tuple(values[p.name] or ()) for p in typed if p.default == ()}
            for name, (kind, fields) in bundles.items():
                values[name] = kind(**{p.name: values.pop(p.name) for p in fields})
            desk = values[first.name]
            _ = desk.shown  # a wrong unit is refused before anything is done
            try:
                reply = function(**values)
            except (KeyboardInterrupt, typer.Abort, EOFError) as error:
                raise Stopped(sum(book.stored for book in desk.opened)) from error
            except Exception as error:
                if not isinstance(error, DoeError) and not hasattr(error, "exit_code"):
                    desk.refuse_damaged(error)
                raise
            try:
                show_reply(replace(reply, next_steps=desk.in_same_book(reply.next_steps)), desk)
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
        lines = (part for line in told[path]["example"].splitlines() for part in folded(line, continued=True))
        indented = "\n".join(f"  {line}" for line in lines)
        summary = inspect.getdoc(function) or ""
        name, epilog = path.rpartition(" ")[2], f"\b\nExample:\n{indented}"
        COMMANDS[function.__module__].command(name, short_help=summary.partition("\n")[0], epilog=epilog)(run)
        return function

    return register


def _fields(bundle: inspect.Parameter, names: Set[str]) -> list[inspect.Parameter]:
    """Fields of a dataclass that are typed at the command line."""
    fields = inspect.signature(bundle.annotation, locals={"Book": object}, eval_str=True).parameters.values()
    return [p for p in fields if p.name in names]


def _as_option(p: inspect.Parameter, told: Mapping[str, Any]) -> inspect.Parameter:
    """A parameter as typer takes it; one that holds several values is an option that may be repeated."""
    how = dict(told)
    kind = typer.Argument if how.pop("is", "") == "argument" else typer.Option
    flags = how.pop("flags", [f"--{p.name.replace('_', '-')}"] if p.annotation is bool else ())
    default = ... if p.default is p.empty else p.default
    annotation = p.annotation
    if default == ():
        default, annotation = None, list[get_args(annotation)[0]] | None  # type: ignore[misc] # known when it runs
    return p.replace(kind=p.KEYWORD_ONLY, annotation=annotation, default=kind(default, *flags, **how))


def _let_go_of_output() -> None:
    """Send what is still unwritten nowhere, or Python tries once more when it ends, and complains."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@dataclass(frozen=True)
class Table:
    """Rows under headings.

    ``right`` lists the headings whose column holds numbers. A list that grows with the book or the plan may lose its
    last rows to ``--more``; any other table is shown whole.
    """

    columns: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    title: str = ""
    right: tuple[str, ...] = ()
    is_list: bool = False


@dataclass(frozen=True)
class Warn:
    """A sentence that must not be overlooked: on a screen it is never cut."""

    text: str


@dataclass(frozen=True)
class Commands:
    """Command lines to copy; long ones are continued with a backslash where the shell takes one."""

    lines: Sequence[str]


Block = str | Warn | Table | Commands
Screen = tuple[list[Block], list[Block]]
"""What stands on one screen, and what ``--more`` adds to it."""


@dataclass(frozen=True)
class Reply:
    """What a command has to say.

    Parameters
    ----------
    data : mapping
        The facts, for ``--json``.
    blocks : sequence of Block
        The same for a person, top to bottom, on one screen. The first answers. What still does not fit is cut: rows
        of lists, then text from the end, but no caution.
    next_steps : sequence of str
        Commands or acts that usually come next.
    exit_code : int
        1 only for a check that found problems.
    more : sequence of Block
        What stands below them with ``--more``: reasons and details, nothing that anybody has to know.
    is_whole : bool
        Whether ``blocks`` were asked for at any length.
    is_once : bool
        Whether the command did what cannot be done again, so that asking with ``--more`` comes too late.
    """

    data: Mapping[str, Any]
    blocks: Sequence[Block] = ()
    next_steps: Sequence[str] = field(default_factory=tuple)
    exit_code: int = 0
    more: Sequence[Block] = ()
    is_whole: bool = False
    is_once: bool = False


def show_reply(reply: Reply, desk: Desk) -> None:
    """Print a reply on standard output: one screen of it, or with ``--more`` everything."""
    if desk.as_json:
        print_json({"ok": reply.exit_code == 0, **jsonable(reply.data), "next": list(reply.next_steps)})
        return
    following = _command_lines(reply.next_steps if desk.more else reply.next_steps[:STEPS])
    steps = ["", "Next:", *following] if following else []
    blocks, rest = [*reply.blocks, *reply.more], ""
    if not desk.more:
        blocks, rest = _one_screen(reply, HEIGHT - len(steps))
    print("\n".join([*(line for block in blocks for line in _lines(block)), *steps, *([rest] if rest else [])]))


STEPS = 2
"""Next steps on a screen, the most urgent first."""
FEWEST_ROWS = 3
"""Rows that a list keeps on a screen."""


def _one_screen(reply: Reply, room: int) -> tuple[list[Block], str]:
    """Blocks that fit into so many lines, and what ``--more`` shows besides."""
    kept, left, rows = list(reply.blocks), list(reply.more), 0
    fits = reply.is_whole or _height(kept) + bool(left) <= room
    for place in [] if fits else range(len(kept) - 1, -1, -1):
        block = kept[place]
        while isinstance(block, Table) and block.is_list and len(block.rows) > FEWEST_ROWS and _height(kept) >= room:
            kept[place] = block = replace(block, rows=block.rows[:-1])
            rows += 1
    for place in [] if fits else range(len(kept) - 1, 0, -1):
        if _height(kept) >= room and not isinstance(kept[place], Warn):
            left.insert(0, kept.pop(place))
    lines = sum(bool(line) for block in left for line in _lines(block))
    told = [count(rows, "more row")] if rows else []
    told += [count(lines, "more line")] if lines else []
    shows = "With --more it would have shown" if reply.is_once else "--more shows"
    return kept, f"{shows} {' and '.join(told)}." if told else ""


def _height(blocks: Sequence[Block]) -> int:
    return sum(len(_lines(block)) for block in blocks)


def _lines(block: Block) -> list[str]:
    """A block as it stands on a screen."""
    if isinstance(block, Table):
        return _table_lines(block)
    if isinstance(block, Commands):
        return _command_lines(block.lines)
    if isinstance(block, Warn):
        return [coloured(line, "33", sys.stdout) for line in wrapped(f"! {block.text}", "  ")]
    return wrapped(block)


def print_table(table: Table) -> None:
    """Print a table by itself, as while something is asked."""
    print("\n".join(_table_lines(table)))


def _command_lines(lines: Sequence[str]) -> list[str]:
    """Command lines as they are copied: not wrapped, but continued where the shell takes that."""
    return [f"  {part}" for line in lines for part in folded(line)]


def _table_lines(table: Table) -> list[str]:
    """A table; columns of text fold when it would be wider than the terminal."""
    is_right = [name in table.right for name in table.columns]
    return ["", *table_lines(table.columns, table.rows, is_right=is_right, title=table.title)]


def folded(line: str, *, continued: bool = os.name != "nt") -> list[str]:
    """Command line on several lines, broken before its options; on one where the shell has no backslash for it."""
    if not continued or len(line) <= WIDTH - 4:
        return [line]
    lines: list[str] = []
    first, *options = re.split(r" (?=--?[a-z])", line)
    current = first
    for option in options:
        if len(current) + len(option) > WIDTH - 7:
            lines.append(f"{current} \\")
            current = f"  {option}"
        else:
            current += f" {option}"
    return [*lines, current]
