"""The whole command tree, and the one place where errors reach a person."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from doe.acts.base import version
from doe.cli.terminal import Stopped, error_data, error_lines, show_error
from doe.cli.tree import TREE, CommandGroup
from doe.domain.errors import DoeError, InputError
from doe.domain.jsonable import packaged_table

EXIT_INPUT, EXIT_BROKEN, EXIT_STOPPED = 2, 3, 130


class Doe(CommandGroup):
    """The root command; turns every error into one line and an exit code."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(TREE, **settings)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write every command once, by the steps of the job, so that the whole fits on one screen."""
        with formatter.section("Commands"):
            formatter.write_dl([(step, named) for step, named in packaged_table("help")["steps"]])

    def main(
        self,
        args: Sequence[str] | None = None,
        *more: Any,
        **settings: Any,
    ) -> Any:
        """Run a command line and leave with its exit code."""
        words = list(sys.argv[1:] if args is None else args)
        _speak_unicode()
        try:
            code = super().main(words, *more, **{**settings, "prog_name": "doe", "standalone_mode": False})
        except (Exception, KeyboardInterrupt) as error:
            code = explain(error, as_json="--json" in words)
        sys.exit(code if isinstance(code, int) else 0)


def explain(error: BaseException, *, as_json: bool) -> int:
    """Show an error to a person and return the exit code for it."""
    if isinstance(error, DoeError):
        show_error(error_lines(error), error_data(error) if as_json else None)
        return EXIT_INPUT
    if isinstance(error, Stopped | KeyboardInterrupt | typer.Abort | EOFError):
        stored = isinstance(error, Stopped) and error.stored > 0
        line = f"Stopped. {'What was finished before is stored.' if stored else 'Nothing of this command was stored.'}"
        return _say("stopped", EXIT_STOPPED, line, as_json=as_json)
    if hasattr(error, "format_message"):  # a command line that typer could not read
        context = getattr(error, "ctx", None)
        path = context.command_path if context is not None else "doe"
        line = f"{path}: {error.format_message()} Try: {path} --help"
        return _say("usage", EXIT_INPUT, line, as_json=as_json)
    if isinstance(error, OSError) and error.filename is not None:
        remedy = "Check the name, whether it is open elsewhere, and who may read and write there."
        reason = error.strerror or type(error).__name__
        return explain(InputError(str(error.filename), reason, "a place that can be used", remedy), as_json=as_json)
    from doe.cli.log import keep_log  # noqa: PLC0415 - only a program that broke pays for logging

    log = keep_log(error)
    kept = f"The details are in {log}" if log else "The details could not be kept"
    line = f"Something went wrong in this program ({type(error).__name__}: {error}). {kept}"
    return _say("program", EXIT_BROKEN, line, as_json=as_json)


def _say(kind: str, code: int, line: str, *, as_json: bool) -> int:
    data = {"ok": False, "error": kind, "message": line, "problems": []}
    show_error(["", line] if kind == "stopped" else [line], data if as_json else None)
    return code


def _speak_unicode() -> None:
    """Never fail on a degree sign: an old console gets a replacement for what it cannot show."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed before we started: what is said there goes nowhere
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115 - open to the end
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(version())
        raise typer.Exit


app = typer.Typer(cls=Doe, rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False)


@app.callback(invoke_without_command=True)
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and leave.")
    ] = False,
) -> None:
    """Tune the settings of a new fabric, film or powder with few coupons.

    Decision aid only: makers' data sheets, local law and a trained person come first. More: doe COMMAND --help
    """
