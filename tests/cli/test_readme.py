"""The README and the guides: every command in them exists and works, every command is named, and the Python runs."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from doe.words.guide import TOPICS, guide_text
from tests.cli.test_examples import COMMANDS, fill

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
WALK = ("powder", "gauges", "known", "setups", "blank", "why", "training")
"""Guides in an order in which each finds what it needs."""


def blocks(language: str, text: str = README) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


def command_lines(text: str) -> list[list[str]]:
    joined = [re.sub(r" \\\n\s*", " ", block) for block in blocks("sh", text)]
    return [shlex.split(line)[1:] for block in joined for line in block.splitlines() if line.startswith("doe ")]


def path_of(words: list[str]) -> tuple[str, ...]:
    return tuple(words[:2]) if tuple(words[:2]) in COMMANDS else tuple(words[:1])


def test_the_job_stands_at_the_top_in_one_paragraph():
    first = README.split("\n\n")[1]
    assert first.startswith("You make transfers")
    assert "```" not in README.split("## Try it")[0]


def test_two_commands_make_the_environment_run_the_demo_and_pass_the_tests():
    lines = blocks("sh")[0].strip().splitlines()
    assert len(lines) == 2
    assert lines[0].endswith("&& .venv/bin/doe demo")
    assert lines[1] == ".venv/bin/python -m pytest -n auto --dist loadfile"


def test_the_sample_of_an_answer_is_what_the_tool_prints(shop_with):
    sample = README.partition("## What an answer looks like")[2].split("```")[1].strip()
    said = shop_with(2).good("recommend", "1").out.partition("\n\nNext:")[0]
    day = r"\d{1,2} [A-Z][a-z]+ \d{4}"
    assert re.sub(day, "DAY", sample) == re.sub(day, "DAY", said)


def test_every_command_named_exists_and_every_command_is_named():
    table = README.partition("## All commands")[2].partition("\n## ")[0]
    named = set()
    for first in re.findall(r"^\| (`doe .*?`.*?) \|", table, flags=re.MULTILINE):
        words, *others = re.findall(r"`(.*?)`", first)
        path = tuple(words.split()[1:])
        named |= {path} | {(path[0], other) for other in others}
    assert named == set(COMMANDS)
    for words in re.findall(r"`doe ([a-z][^`]*)`", README):
        assert path_of(shlex.split(words)) in COMMANDS, words


def walk(shop, text: str) -> None:
    """Run every command line of a text, in its order."""
    from doe.practice.lines import make_line

    demo = shop.folder / "doe-demo"  # the demo has tests of its own; here a small book stands in for it
    demo.mkdir(exist_ok=True)
    for words in command_lines(text):
        if words[0] == "demo":
            shop.good("book", "export", str(demo / "book.zip"))
            shop.good("book", "import", str(demo / "book.zip"), "--book", str(demo / "book.sqlite"))
            continue
        if words[:2] == ["book", "backup"]:
            shop.backed_up(*words)
            continue
        if words[0] in ("bench", "open"):  # they run until they are stopped; they have tests of its own
            continue
        if words[0] == "record" and "--file" in words:
            with shop.open() as book:
                line = make_line("easy", 3, book.study(words[1]).study)
            fill(shop, words[1], words[words.index("--file") + 1], line)
        shop.good(*words)


def test_the_short_walk_of_the_readme_works(empty_shop):
    walk(empty_shop, README)
    assert (empty_shop.folder / "report.html").exists()


@pytest.mark.in_file("types again what the tests of each command type on the server")
@pytest.mark.usefixtures("few_draws")
def test_every_line_of_the_guides_works(empty_shop):
    assert {*WALK, "python", "network"} == set(TOPICS)  # the last serves a page until it is stopped
    for topic in WALK:
        walk(empty_shop, guide_text(topic))
    assert (empty_shop.folder / "blanks.html").exists()


def test_the_guides_name_only_commands_that_exist():
    for topic in TOPICS:
        for words in re.findall(r"`doe ([a-z][^`]*)`", guide_text(topic)):
            assert path_of(shlex.split(words)) in COMMANDS, (topic, words)


def test_the_guide_of_python_is_the_readmes_program():
    assert blocks("python", guide_text("python")) == blocks("python")


def test_the_python_example_runs(capsys):
    (example,) = blocks("python")
    exec(compile(example, "README.md", "exec"), {})
    verdict = capsys.readouterr().out
    assert verdict.startswith(("ready", "more coupons", "not reachable"))


def test_the_cautions_stand_before_the_uses():
    safety = README.index("## Safety first")
    assert safety < README.index("## Four uses")
    for words in ("burn at a touch", "Extraction on", "data sheets", "licensed"):
        assert words in README[safety:]
