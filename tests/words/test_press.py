"""Every text of the pages at the press is used, and every code that is told has its text."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from string import Formatter
from typing import get_args

import pytest

from doe.acts.scoring.making import STEPS, Status
from doe.domain.factors import Stage
from doe.domain.standing import Step
from doe.words.facts import filled, texts_of
from doe.words.press import told

ROOT = Path(__file__).parents[2]
TEXTS = texts_of("press")
MADE_OF = {
    "card_": get_args(Stage),
    "left_": get_args(Stage),
    "next_": get_args(Step),
    "is_": get_args(Status),
    "done_": ("photo", "undone", *STEPS[1:]),
    "noted_": STEPS,
    "handled_": ("yes", "no", "open"),
    "wrong_": ("kept", "passed", "failed"),
    "page_no_right_": ("scores", "releases"),
    "page_": ("no_way_in", "only_looks", "old_form", "not_let_in", "mistake", "refused", "400", "404", "405"),
}
"""Beginnings of codes that are put together, and what may follow."""
BESIDE = {"cured", "pressed", "pressed_all"}
"""Codes that are also what is stored."""


def sources() -> Iterator[ast.Module]:
    for folder in ("doe/bench", "doe/acts/scoring", "doe/words"):
        for file in (ROOT / folder).glob("*.py"):
            yield ast.parse(file.read_text(encoding="utf-8"))


def written(tree: ast.Module) -> set[str]:
    return {n.value for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)}


def test_every_text_is_used() -> None:
    codes = set().union(*map(written, sources())) | BESIDE
    codes |= {f"{start}{end}" for start, ends in MADE_OF.items() for end in ends}
    assert sorted(TEXTS.keys() - codes) == []


def test_every_code_that_is_told_has_its_text() -> None:
    asked = set()
    for tree in sources():
        for call in ast.walk(tree):
            if isinstance(call, ast.Call) and ast.unparse(call.func) == "told":
                choices = [call.args[0]]
                while choices:
                    choice = choices.pop()
                    if isinstance(choice, ast.IfExp):
                        choices += [choice.body, choice.orelse]
                    elif isinstance(choice, ast.Constant):
                        asked.add(choice.value)
    assert len(asked) > 50
    assert sorted(asked - TEXTS.keys()) == []
    assert [f"{start}{end}" for start, ends in MADE_OF.items() for end in ends if f"{start}{end}" not in TEXTS] == []


@pytest.mark.parametrize("code", TEXTS)
def test_a_text_is_a_format_without_a_place_for_an_unnamed_value(code: str) -> None:
    names = [name for _, name, _, _ in Formatter().parse(TEXTS[code]) if name is not None]
    assert all(re.fullmatch(r"[a-z]+(\.(who|at|why))?", name) for name in names)


def test_numbers_bring_their_nouns_and_lists_are_joined() -> None:
    assert told("in_wash", coupons=1) == "1 coupon in the wash queue"
    assert told("one_stroke", coupons=["R1-01", "R1-02"]) == "R1-01 and R1-02 are pressed together, in one stroke."
    assert filled("{n:entry/entries}", n=2) == "2 entries"


def test_what_comes_next_names_a_command_for_the_study() -> None:
    for step in get_args(Step):
        text = told(f"next_{step}", name="'new lot'", coupons=8, coupon="R1-03")
        assert "'new lot'" in text or step in ("washes", "feel", "score"), step
