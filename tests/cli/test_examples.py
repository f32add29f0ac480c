"""Every command has an example under its help, and every example works, in the order of a shop's day."""

from __future__ import annotations

import re
import shlex
from importlib import import_module

import pytest
import typer

from doe.cli.app import app
from doe.cli.tree import COMMANDS as LOADED
from doe.cli.tree import TREE
from doe.domain.jsonable import packaged_table
from doe.domain.score import ScoreEntry
from tests.acts.recipe.samples import make_releasable

SHARED = ("--book", "--who", "--temperature", "--pressure", "--more", "--json", "--help")


def leaves(command, path=()):
    """Every command that does something, with the words that call it."""
    if hasattr(command, "commands"):
        for name, child in command.commands.items():
            yield from leaves(child, (*path, name))
    else:
        yield path, command


def examples_of(command) -> list[str]:
    text = re.sub(r" \\\n\s*", " ", command.epilog.partition("Example:")[2])
    return [line.strip() for line in text.splitlines() if line.strip()]


COMMANDS = dict(leaves(typer.main.get_command(app)))


def test_every_command_shares_the_same_options():
    for path, command in COMMANDS.items():
        options = {name for p in command.params for name in p.opts} | {"--help"}
        assert options >= set(SHARED), path


def test_every_command_explains_itself_and_all_its_options():
    for path, command in COMMANDS.items():
        assert command.help, path
        assert command.epilog, path
        assert [p.name for p in command.params if not getattr(p, "help", None) and p.name != "STUDY"] == [], path


def test_the_table_of_commands_says_what_their_docstrings_say():
    # the table is what help shows without loading a command; its lines must not drift from the commands
    told = {}
    for name, entry in TREE.items():
        if entry.commands:
            told |= {(name, sub): leaf.about for sub, leaf in entry.commands.items()}
        else:
            told[name,] = entry.about
    assert told == {path: command.short_help for path, command in COMMANDS.items()}


def test_every_command_of_a_module_is_in_the_table():
    modules = {}
    for name, entry in TREE.items():
        for sub, leaf in entry.commands.items() if entry.commands else [(name, entry)]:
            modules.setdefault(leaf.module, set()).add(sub)
    for module, names in modules.items():
        import_module(f"doe.cli.{module}")
        made = LOADED[f"doe.cli.{module}"].registered_commands
        assert {command.name for command in made} == names, module


def test_the_table_of_options_names_only_what_the_commands_take():
    told = dict(packaged_table("options"))
    every = [{p.name for p in command.params} for command in COMMANDS.values()]
    assert told.pop("shared").keys() <= set.intersection(*every)
    assert told.pop("any").keys() <= set().union(*every)
    assert {tuple(path.split()) for path in told} == COMMANDS.keys()
    for path, entry in told.items():
        names = {p.name for p in COMMANDS[tuple(path.split())].params}
        assert entry.get("takes", {}).keys() - names == set(), path


def test_help_fits_80_columns(empty_shop):
    for path in [(), *COMMANDS]:
        text = empty_shop.good(*path, "--help").out
        assert max(map(len, text.splitlines())) <= 80, (path, max(text.splitlines(), key=len))


def in_order() -> list[list[str]]:
    """All examples as words, in the order of a shop's day; what undoes something comes last."""
    late = {("study", "archive"): 1, ("study", "restore"): 2, ("gauge", "withdraw"): 3, ("recipe", "retire"): 4}
    late |= {("recipe", "add"): 0}  # once a comparison was made
    first = {("study", "show"): 0.9, ("study", "list"): 0.9}  # the study group stands before plan

    def rank(path: tuple[str, ...]) -> tuple[float, float, int]:
        place = 100 + late[path] if path in late else list(TREE).index(path[0])
        return place, first.get(path, 0), list(COMMANDS).index(path)

    return [shlex.split(line)[1:] for path in sorted(COMMANDS, key=rank) for line in examples_of(COMMANDS[path])]


def make_ready(shop, words: list[str]) -> list[str]:
    """Do by hand what an example takes for granted; gives the words to run."""
    from doe.practice.lines import make_line

    if words[0] == "record" and "--file" in words:
        with shop.open() as book:
            line = make_line("easy", 1, book.study(words[1]).study)
        fill(shop, words[1], words[words.index("--file") + 1], line)
    if words[:2] == ["recipe", "add"]:
        make_hold(shop, words[2])
    if words[0] == "release":
        make_releasable(shop, words[1])
    if "--seal" in words:  # that of this book
        with shop.open() as book:
            return [*words[:-1], book.seal()]
    return words


@pytest.mark.in_file("types again what the tests of each command type on the server")
@pytest.mark.usefixtures("few_draws")
def test_every_example_runs(empty_shop):
    ran = 0
    for words in in_order():
        ran += 1
        if words[0] in ("demo", "bench", "open"):  # they have tests of their own, which run them
            continue
        ready = make_ready(empty_shop, words)
        if words[:2] == ["book", "export"]:
            assert not (empty_shop.folder / words[2]).exists()
        if words[:2] == ["book", "backup"]:
            empty_shop.backed_up(*ready)
        else:
            empty_shop.good(*ready)
    assert ran >= len(COMMANDS)
    assert (empty_shop.folder / "report.html").exists()


def make_hold(shop, comparison: str) -> None:
    """Score a comparison so that the same recipe holds."""
    with shop.open() as book:
        record = book.study(comparison)
        checks = {check.name: True for check in record.study.spec.checks}
        names = [str(name) for name in book.plan_coupons(record.id)["coupon"]]
        scores = [
            ScoreEntry(name, checks=checks, hand={"ana": 4.0 + 0.5 * (i // 3 % 2)}) for i, name in enumerate(names)
        ]
        book.record(record.id, scores)


def fill(shop, study: str, workbook: str, line) -> None:
    """Fill in an entry file as the simulated line scores its coupons."""
    from openpyxl import load_workbook

    with shop.open() as book:
        scored = line.run(book.plan_coupons(study), 3).set_index("coupon")
    filled = load_workbook(shop.folder / workbook)
    sheet = filled["entries"]
    heads = {cell.value: cell.column for cell in sheet[1]}
    for row in range(2, sheet.max_row + 1):
        coupon = sheet.cell(row, heads["coupon"]).value
        if coupon == "R1-03":  # a later example scores it
            continue
        result = scored.loc[coupon]
        for check in ("release", "stretch", "wash_1", "wash_5"):
            if result[check] in (True, False):
                sheet.cell(row, heads[check.replace("_", " ")], "pass" if result[check] else "fail")
        sheet.cell(row, heads["symptom"], result["symptom"] or None)
        for who in ("ana", "ben"):
            if f"hand: {who}" not in heads:
                continue
            if result[f"hand_{who}"] == result[f"hand_{who}"]:
                sheet.cell(row, heads[f"hand: {who}"], float(result[f"hand_{who}"]))
    filled.save(shop.folder / workbook)
