"""Every text of the pages for the whole job is used, and every code that is told has its text."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import get_args

from doe.bench.staff import RIGHTS
from doe.book.sheets.foreign_results import FAIL, NOTHING, PASS
from doe.domain.outcome import BATCH_COLUMNS
from doe.domain.standing import Step
from doe.office import begin, study
from doe.words.facts import texts_of

ROOT = Path(__file__).parents[2]
TEXTS = texts_of("office")
SCREENS = ("columns", "materials", "machines", "limits", "question")
USES = ("pass", "ticked", "hand", "coupon", "symptom", "side", "grade", "note", "void", *BATCH_COLUMNS, "ignore")
MADE_OF = {
    "step_": get_args(Step),
    "part_": (*begin.PARTS, *(f"{part}_hint" for part in begin.PARTS)),
    "begin_": (*SCREENS, *(f"{screen}_lead" for screen in SCREENS)),
    "use_": USES,
    "means_": (PASS, FAIL, NOTHING),
    "right_": (*RIGHTS, *(f"{right}_more" for right in RIGHTS)),
    "mile_": ("question", "limits", "coupons", "answer", "confirmation", "recipe"),
    "conditions_": study.CONDITIONS,
    "lacks_": ("oven", "press", "limits"),
    "paper_": ("confirmation", "comparison"),
}
"""Beginnings of codes that are put together, and what may follow."""


def test_every_text_is_used_and_every_code_has_one() -> None:
    asked = set()
    for file in (ROOT / "doe/office").glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "told":
                choices = [node.args[0]]
                while choices:
                    choice = choices.pop()
                    if isinstance(choice, ast.IfExp):
                        choices += [choice.body, choice.orelse]
                    elif isinstance(choice, ast.Constant):
                        asked.add(choice.value)
    made = {f"{start}{end}" for start, ends in MADE_OF.items() for end in ends}
    assert sorted(asked - TEXTS.keys()) == []
    assert sorted(made - TEXTS.keys()) == []
    assert sorted(TEXTS.keys() - asked - made) == []
