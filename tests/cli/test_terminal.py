"""What every command has in common on a terminal: 80 columns, no colour when none is wanted, and what comes next."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import doe.cli
from doe.cli.terminal import WIDTH

STUDY = "new powder on the heavy tee"
LOOKS = (
    ("study", "list"),
    ("study", "show", STUDY),
    ("stack", "list"),
    ("line", "list"),
    ("line", "show", "back room"),
    ("gauge", "list", "back room"),
    ("gauge", "show", "back room"),
    ("fit", STUDY),
    ("recommend", STUDY),
    ("sheet", STUDY),
    ("report", STUDY),
    ("explain", "setpoint"),
    ("diagnose", "--symptom", "edge haze"),
    ("practice", "list"),
    ("recipe", "list"),
    ("book", "check"),
    ("book", "audit"),
)


def lines_of(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.strip()]


def is_unbreakable(line: str) -> bool:
    """A path, or a command line that is there to be copied: breaking it would spoil it."""
    return line.startswith("  ") and ("doe " in line or " " not in line.strip())


@pytest.mark.parametrize("words", LOOKS, ids=" ".join)
def test_a_reply_fits_80_columns_is_plain_and_says_what_comes_next(shop_with, words):
    shop = shop_with(2)
    with shop.open() as book:
        names = [line.name for line in book.lines()]
    found = shop.good(*(names[0] if word == "back room" else word for word in words))
    assert [line for line in lines_of(found.out) if len(line) > WIDTH and not is_unbreakable(line)] == []
    assert "\x1b" not in found.out + found.err
    assert lines_of(found.out.split("\nNext:\n")[-1])
    assert "\nNext:\n" in found.out


@pytest.mark.parametrize("words", [("study", "list"), ("recommend", STUDY)], ids=" ".join)
def test_a_narrow_terminal_gets_narrow_lines(shop_with, words):
    found = shop_with(2).good(*words, env={"COLUMNS": "60"})
    assert [line for line in lines_of(found.out) if len(line) > 60 and not is_unbreakable(line)] == []


def test_every_command_has_a_next_step():
    """Read from the source, so that a new command cannot forget it; a reply in the middle of a talk has none."""
    bare = []
    for path in sorted(Path(doe.cli.__file__).parent.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Reply":
                given = len(node.args) >= 3 or any(k.arg in ("next_steps", None) for k in node.keywords)
                in_a_talk = bool(node.args) and isinstance(node.args[0], ast.Dict) and not node.args[0].keys
                if not given and not in_a_talk:
                    bare.append(f"{path.name}:{node.lineno}")
    assert bare == []
