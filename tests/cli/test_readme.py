"""The README: every command in it exists and works, every command that exists is in it, and its Python runs."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from tests.cli.test_examples import COMMANDS, fill

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def command_lines() -> list[list[str]]:
    joined = [re.sub(r" \\\n\s*", " ", block) for block in blocks("sh")]
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


def test_every_command_named_exists_and_every_command_is_named():
    table = README.partition("## All commands")[2].partition("## From Python")[0]
    named = set()
    for first in re.findall(r"^\| (`doe .*?`.*?) \|", table, flags=re.MULTILINE):
        words, *others = re.findall(r"`(.*?)`", first)
        path = tuple(words.split()[1:])
        named |= {path} | {(path[0], other) for other in others}
    assert named == set(COMMANDS)
    for words in re.findall(r"`doe ([a-z][^`]*)`", README):
        assert path_of(shlex.split(words)) in COMMANDS, words


def test_every_line_of_the_walk_throughs_works(empty_shop):
    from doe.practice.lines import make_line

    # the demo has tests of its own; here a small book stands in for it
    demo = empty_shop.folder / "doe-demo"
    demo.mkdir()
    for words in command_lines():
        if words[0] == "demo":
            empty_shop.good("book", "backup", str(demo / "book.sqlite"))
            continue
        if words[0] == "bench":  # it runs until it is stopped; it has tests of its own
            continue
        if words[0] == "record" and "--file" in words:
            with empty_shop.open() as book:
                line = make_line("easy", 1, book.study(words[1]).study)
            fill(empty_shop, words[1], words[words.index("--file") + 1], line)
        empty_shop.good(*words)
    assert (empty_shop.folder / "blanks.html").exists()


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
