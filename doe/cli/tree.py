"""The command tree: what each command is about, and the module that is loaded when it is called.

A command's module may stand on SciPy or Matplotlib; whoever asks for the list of commands, or calls another one, does
not wait for them. The table stands in ``templates/tables/commands.toml``.
"""

from __future__ import annotations

import gc
from collections import defaultdict
from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Any, NamedTuple

import typer
from typer.core import TyperGroup

from doe.domain.jsonable import packaged_table


class Entry(NamedTuple):
    """A command or a group of them: one line about it, and its module in `doe.cli` or its ``commands`` by name."""

    about: str
    module: str = ""
    commands: Mapping[str, Entry] = {}


def _entries(table: Mapping[str, Any]) -> dict[str, Entry]:
    return {
        name: Entry(found["about"], found.get("module", ""), _entries(found.get("commands", {})))
        for name, found in table.items()
    }


COMMANDS = defaultdict[str, typer.Typer](lambda: typer.Typer(rich_markup_mode=None, add_completion=False))
"""Commands that were loaded, by the name of their module."""
TREE = _entries(packaged_table("commands"))
"""Every command, in the order in which they are used."""


class Loaded(Mapping[str, Any]):
    """Commands by name, each loaded when it is looked up."""

    def __init__(self, entries: Mapping[str, Entry]) -> None:
        self._entries = entries

    def __getitem__(self, name: str) -> Any:
        entry = self._entries[name]
        if entry.commands:
            return CommandGroup(
                entry.commands, name=name, help=entry.about, rich_markup_mode=None, invoke_without_command=True
            )
        module = import_module(f"doe.cli.{entry.module}").__name__
        if not gc.isenabled():  # as `main` left it: nothing of the code that was loaded can ever be collected
            gc.freeze()
            gc.enable()
        return typer.main.get_group(COMMANDS[module]).commands[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)


class CommandGroup(TyperGroup):
    """A group that lists its commands without loading them; called without a command, it shows its help."""

    def __init__(self, entries: Mapping[str, Entry], **settings: Any) -> None:
        super().__init__(**{**settings, "commands": Loaded(entries)})
        self._entries = entries

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of the commands, in the order in which they are used."""
        return list(self._entries)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write what each command is about."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.about) for name, entry in self._entries.items()])

    def invoke(self, ctx: Any) -> Any:
        """Call the command that was named."""
        try:
            done = super().invoke(ctx)
        except KeyboardInterrupt as error:  # typer would leave without a word
            raise typer.Abort from error
        if ctx.invoked_subcommand is None:
            typer.echo(ctx.get_help())
        return done
