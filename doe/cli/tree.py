"""The command tree: what each command is about, and the module that is loaded when it is called.

A command's module may stand on SciPy or Matplotlib; whoever asks for the list of commands, or calls another one, does
not wait for them. A test holds every line here against the docstring of its command.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Any, NamedTuple

import typer
from typer.core import TyperGroup


class Leaf(NamedTuple):
    """A command: one line about it, and its module in `doe.cli`."""

    about: str
    module: str


class Branch(NamedTuple):
    """A group of commands."""

    about: str
    commands: Mapping[str, Leaf]


TREE: Mapping[str, Leaf | Branch] = {
    "demo": Leaf("Run an invented shop from its first stack to its report, in a folder of its own.", "demo"),
    "stack": Branch(
        "Stacks: fabric + film + powder, with supplier and lot.",
        {
            "add": Leaf("Keep a stack; the same name with other materials is a correction and needs --why.", "stack"),
            "list": Leaf("List the stacks of the book.", "stack"),
            "show": Leaf("Show one stack and the studies made on it.", "stack"),
        },
    ),
    "line": Branch(
        "Lines: oven or tunnel + press + gauge in one place.",
        {
            "add": Leaf("Keep a line; settle minutes decide the order of a plan.", "line"),
            "list": Leaf("List the lines of the book.", "line"),
            "show": Leaf(
                "Show one line, how long its machines take to settle, and how many gauge readings there are.", "line"
            ),
        },
    ),
    "gauge": Branch(
        "Gauge readings: a display is not the surface temperature.",
        {
            "add": Leaf("Keep one reading of a gauge on a machine, or repeats of it.", "gauge_add"),
            "list": Leaf(
                "List the readings of a line, the withdrawn ones too, and the newest day of each machine.", "gauge"
            ),
            "show": Leaf("Show what the readings of a line say of each machine, and what to dial in.", "gauge_show"),
            "map": Leaf("Show where a platen or an oven is cold, and where coupons may lie.", "gauge_map"),
            "withdraw": Leaf("Take a mistaken reading back; it stays visible with the reason.", "gauge"),
        },
    ),
    "study": Branch(
        "Studies: one tuning question for one stack on one line.",
        {
            "new": Leaf(
                "Start a study. What is not given is asked at a terminal, else the usual is taken and said.",
                "study_new",
            ),
            "list": Leaf("List the studies, newest first, with what is scored and the last verdict.", "study"),
            "show": Leaf("Show a study: factors, target, limits, rounds, scores so far.", "study"),
            "limits": Leaf(
                "Show or set the limits from the makers' data sheets. No plan is made without them.", "study"
            ),
            "archive": Leaf("Put a study away; nothing of it is deleted.", "study"),
            "restore": Leaf("Take a study out again that was put away.", "study"),
            "amend": Leaf("Change setting errors of a study, or show what its gauge readings suggest.", "study_amend"),
        },
    ),
    "plan": Leaf("Compare plans at a budget of coupons, before any is made; --choose makes one.", "plan"),
    "sheet": Leaf(
        "Write the bench sheet (HTML, to print) and entry files (XLSX and CSV, to fill in), or sticker labels.", "sheet"
    ),
    "record": Leaf(
        "Record scores: from a filled file, for one coupon, from a sheet of your own, or asked one by one.", "record"
    ),
    "bench": Leaf(
        "Serve the page at the press: queues, countdowns, score forms and photos on phones and tablets.", "bench"
    ),
    "people": Leaf("Say how far the people who score agree, who is harsh or kind, and what to do about it.", "people"),
    "fit": Leaf("Fit the surfaces to what is scored, and say what these coupons can and cannot tell.", "fit"),
    "recommend": Leaf(
        "Recommend settings that keep passing when the machines wander, and say how sure that is.", "recommend"
    ),
    "extend": Leaf(
        "Add a round of the coupons that are expected to help the verdict most, as a block in runnable order.", "extend"
    ),
    "confirm": Leaf(
        "Confirm the setpoint: how many coupons for which claim, the rule, then the verdict so far.", "confirm"
    ),
    "release": Leaf(
        "Release the confirmed answer of a study as a recipe, or say everything that is missing for it.", "release"
    ),
    "recipe": Branch(
        "Recipes: released settings, revision by revision, with what they rest on.",
        {
            "list": Leaf("List the recipes in force, those due for review first.", "recipe"),
            "show": Leaf("Show one revision: settings, handling, what it rests on, what would void it.", "recipe"),
            "card": Leaf("Write the card for the press: one page of A4 or Letter.", "recipe_on"),
            "history": Leaf("Show every revision of a recipe and what changed between them.", "recipe"),
            "retire": Leaf("Take a recipe out of use; every revision stays in the book.", "recipe"),
            "find": Leaf("Find the recipe whose materials are nearest, and see what differs.", "recipe"),
            "on": Leaf("Express a recipe for a line through its gauges, and say what is not known there.", "recipe_on"),
        },
    ),
    "compare": Leaf(
        "Compare a new blank, powder or film with a released recipe: its size, its coupons, its verdict.", "compare"
    ),
    "report": Leaf(
        "Write the report of a study, or why a recipe was chosen: one HTML file that needs no network.", "report"
    ),
    "diagnose": Leaf(
        "Rank what may be wrong with a failing recipe, and propose the check that tells most per minute.", "diagnose"
    ),
    "practice": Branch(
        "Exercises on simulated lines: nothing gets hot, nothing is wasted.",
        {
            "list": Leaf("List the exercises and what each one teaches.", "practice"),
            "play": Leaf(
                "Do an exercise; at the end the truth comes out and the score is kept under your name.", "practice"
            ),
            "lesson": Leaf("Set the same line for the whole class.", "practice"),
            "class": Leaf("Show who did which exercise, how often and how well.", "practice"),
        },
    ),
    "guide": Leaf("Walk through a use of the tool, command by command.", "guide"),
    "explain": Leaf("Explain a word of the reports in one paragraph.", "explain"),
    "book": Branch(
        "The book: backup, check, export, import, upgrade, audit.",
        {
            "backup": Leaf("Copy the whole book to a new file, consistent even while others write.", "book"),
            "check": Leaf("Look for problems in the book; exit code 1 when there are any.", "book"),
            "export": Leaf("Write everything, history included, to a zip file that another book can take in.", "book"),
            "import": Leaf("Take in everything an export holds; names that clash are refused.", "book"),
            "upgrade": Leaf("Bring an older book up to this version; a file is backed up beside itself first.", "book"),
            "audit": Leaf("Show who did what, when and why, newest first.", "book"),
        },
    ),
}
"""Every command, in the order in which they are used."""


class Loaded(Mapping[str, Any]):
    """Commands by name, each loaded when it is looked up."""

    def __init__(self, entries: Mapping[str, Leaf | Branch]) -> None:
        self._entries = entries

    def __getitem__(self, name: str) -> Any:
        entry = self._entries[name]
        if isinstance(entry, Branch):
            return CommandGroup(
                entry.commands, name=name, help=entry.about, rich_markup_mode=None, invoke_without_command=True
            )
        return typer.main.get_group(import_module(f"doe.cli.{entry.module}").app).commands[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)


class CommandGroup(TyperGroup):
    """A group that lists its commands without loading them; called without a command, it shows its help."""

    def __init__(self, entries: Mapping[str, Leaf | Branch], **settings: Any) -> None:
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
