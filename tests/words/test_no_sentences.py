"""Numerical packages, pages, and the acts of a study and of scoring return facts; words are made in `doe.words`."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

PACKAGES = (
    "doe/acts/scoring",
    "doe/acts/study",
    "doe/acts/comparison",
    "doe/acts/diagnosis.py",
    "doe/acts/gauges",
    "doe/acts/scoring/people.py",
    "doe/assure/comparison",
    "doe/acts/confirmation",
    "doe/acts/recipe",
    "doe/assure/confirmation",
    "doe/assure/gauges",
    "doe/assure/people",
    "doe/domain",
    "doe/bench",
    "doe/plans",
    "doe/practice",
    "doe/setpoint",
    "doe/surfaces",
    "doe/symptoms",
)
"""Folders and files whose sources hold no sentence."""

EXCEPTIONS = {
    # part of an error
    "doe/acts/scoring/making.py": {"no such coupon in study {}"},
    "doe/bench/photos.py": {"at most {} megapixels, {} a side"},
    # headers of answers, and what the server's own log says
    "doe/bench/guard.py": "*",
    "doe/bench/scores.py": {"private, max-age=3600"},
    "doe/bench/web.py": {"private, max-age=600", "private, max-age=604800"},
    # what agreement of people says is still written where it is found
    "doe/acts/scoring/people.py": "*",
    # parts of errors
    # a part of errors
    "doe/domain/limits.py": {"source of the limit {}"},
    "doe/acts/study/limits.py": {
        "at most {} (limit)",
        "at least {} (limit)",
        "Correct the held setting, or the limit from the data sheet.",
    },
    "doe/acts/study/plans.py": {"more coupons by doe extend"},
    "doe/acts/study/sheets.py": {
        "a folder, or a file ending in .html, .xlsx or .csv",
        "a folder, or a file ending in .html",
    },
    # a role of coupons, and why they were scored, kept in the book
    "doe/acts/comparison/retune.py": {"from the comparison", "scored in the comparison {}"},
    # a part of errors
    "doe/acts/comparison/verdict.py": {"more coupons for {}"},
    # a code: how a person scores beside the others
    "doe/assure/people/concordance.py": {"like the others"},
    # what a recipe's record holds, kept in the books of releases
    "doe/acts/recipe/release.py": {"every corner that was tested held"},
    # parts of errors
    # headings and hints of a sheet, which are read back from it; what a card says by default; names of usual checks
    "doe/domain/entry.py": "*",
    "doe/domain/recipe.py": "*",
    "doe/domain/spec.py": "*",
    # parts of errors, and a mark of stored fields
    **dict.fromkeys((f"doe/domain/{name}.py" for name in ("errors", "gauge", "said", "score", "stack")), "*"),
    "doe/domain/study.py": {"forbidden combination, reason"},
    "doe/domain/factors.py": {"left out when none"},
    "doe/assure/gauges/readings.py": {
        "Put a patch of matt tape or flat black paint on the surface, wait until it is at temperature and read that, "
        "or use a contact probe.",
    },
    # name of a source of uncertainty
    "doe/assure/gauges/setting_error.py": {"resolution of the display"},
    # letters of a fraction's factors, and part of an error
    "doe/plans/classical.py": {
        "a b c d abcd",
        "a b c d e abcde",
        "a b c ab ac",
        "a b c d abc bcd",
        "a b ab",
        "a b c abc",
        "factors with a range or two levels",
        "factors with a range",
    },
    # the classical checks are still written down with their words
    "doe/surfaces/checks.py": "*",
    "doe/surfaces/classical/": "*",
    # pointers of the catalogue of symptoms, and where they come from
    "doe/symptoms/catalogue.py": {
        "common practice, no source",
        "trade pages, secondary",
        "cure too little",
        "cure too much",
        "press too little",
        "press too much",
        "pressure low or uneven",
        "powder melts too low",
        "waiting time wrong",
        "ink or print",
        "no second press",
        "pressed too often",
        "cover sheet or platen",
        "washed against the label",
    },
    # the name of an invented cloth, labels of draws
    "doe/practice/drill_blank.py": {"of another mill"},
    "doe/practice/coupons.py": "*",
    "doe/setpoint/alternatives.py": {"middle of the ranges", "fastest in the window", "fastest that passed"},
}
"""File or folder to the texts that may stand there; a star for any."""

WORDS = 3
"""Words from which a text is taken for a sentence."""


def texts(tree: ast.AST) -> Iterator[str]:
    """Texts of a module that a person might read: no docstrings, no arguments of errors, no types."""
    if isinstance(tree, ast.Raise | ast.Assert) or is_literal(tree):
        return
    if isinstance(tree, ast.Call) and ast.unparse(tree.func).endswith("Error"):
        return
    if isinstance(tree, ast.JoinedStr):
        yield "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in tree.values)
        return
    if isinstance(tree, ast.Constant) and isinstance(tree.value, str):
        yield tree.value
    for child in ast.iter_child_nodes(tree):
        is_docstring = isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant)
        if not is_docstring:
            yield from texts(child)


def is_literal(node: ast.AST) -> bool:
    """Whether it lists the codes of a type."""
    return isinstance(node, ast.Subscript) and ast.unparse(node.value) == "Literal"


@cache
def codes() -> set[str]:
    """Every code that a ``Literal`` of these packages lists."""
    trees = [ast.parse(file.read_text(encoding="utf-8")) for file in sources()]
    listed = [part for tree in trees for node in ast.walk(tree) if is_literal(node) for part in ast.walk(node)]
    return {part.value for part in listed if isinstance(part, ast.Constant) and isinstance(part.value, str)}


def is_sentence(text: str) -> bool:
    return len(re.findall(r"[A-Za-z']+", text)) >= WORDS and " " in text.strip()


def sources() -> list[Path]:
    places = [ROOT / package for package in PACKAGES]
    return [file for place in places for file in (sorted(place.rglob("*.py")) if place.is_dir() else [place])]


def permitted(file: str, text: str) -> bool:
    return any(file.startswith(place) and (texts == "*" or text in texts) for place, texts in EXCEPTIONS.items())


@pytest.mark.parametrize("file", sources(), ids=lambda file: str(file.relative_to(ROOT)))
def test_a_module_below_the_words_holds_no_sentence(file: Path) -> None:
    name = file.relative_to(ROOT).as_posix()
    found = [text for text in texts(ast.parse(file.read_text(encoding="utf-8"))) if is_sentence(text)]
    assert [text for text in found if not permitted(name, text) and text not in codes()] == []


def test_a_sentence_would_be_found() -> None:
    module = '''
"""A docstring of some words."""
LIMIT = 3
"""What the limit is about."""

def f(x):
    """What it does, in words."""
    if x > LIMIT:
        raise InputError("x", x, "not so much of it", "Take less of it.")
    return f"There are {x} left over", "short", "a_code", InputError("all of these words")
'''
    assert [text for text in texts(ast.parse(module)) if is_sentence(text)] == ["There are {} left over"]


def test_every_exception_is_still_needed() -> None:
    for place, texts_there in EXCEPTIONS.items():
        files = [f for f in sources() if f.as_posix().startswith(str(ROOT / place))]
        held = {text for f in files for text in texts(ast.parse(f.read_text(encoding="utf-8")))}
        assert held
        assert texts_there == "*" or set(texts_there) <= held
