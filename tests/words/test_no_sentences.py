"""Packages that find things out do not put them into words: they hold no sentences but those of their errors."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest

from tests.test_layout import ROOT

LEAST_PARTS, LEAST_WORDS = 3, 2
# What an error says is worded where it is raised: it names what was typed and what to do about it.
ERRORS = {"InputError", "InputErrors", "DoeError", "check_line", "check_lines", "check_note"}

# Texts that may stay, by package: the file and a part of the text, and why.
EXCEPTIONS: dict[str, dict[tuple[str, str], str]] = {
    "doe/plans": {
        ("classical.py", "factors with a range"): "part of an error",
        ("classical.py", "a b c"): "letters of a fraction's factors",
    },
}


def is_literal(node: ast.AST) -> bool:
    """Whether it lists the codes of a type."""
    return isinstance(node, ast.Subscript) and ast.unparse(node.value) == "Literal"


def is_error(node: ast.AST) -> bool:
    """Whether it makes or checks for an error."""
    return isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] in ERRORS


def is_sentence(text: str) -> bool:
    """Three parts or more, two of them words; a value in braces is a part."""
    parts = text.split()
    return len(parts) >= LEAST_PARTS and sum(bool(re.search("[A-Za-z]{2}", part)) for part in parts) >= LEAST_WORDS


def texts(source: str) -> Iterator[tuple[int, str]]:
    """Texts of a module with their lines: no docstrings, errors, assertions or codes."""
    tree = ast.parse(source)
    skipped: set[int] = set()
    for node in ast.walk(tree):
        within: list[ast.AST] = []
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            within = [node.value]
        elif isinstance(node, ast.JoinedStr):
            within = list(node.values)
        elif is_error(node) or isinstance(node, ast.Assert) or is_literal(node):
            within = list(ast.walk(node))
        skipped |= {id(part) for part in within}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.JoinedStr):
            yield node.lineno, "".join(str(p.value) if isinstance(p, ast.Constant) else "{}" for p in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value


def codes(source: str) -> set[str]:
    """Every code that a ``Literal`` of a module lists."""
    listed = [part for node in ast.walk(ast.parse(source)) if is_literal(node) for part in ast.walk(node)]
    return {part.value for part in listed if isinstance(part, ast.Constant) and isinstance(part.value, str)}


@pytest.mark.parametrize("package", sorted(EXCEPTIONS))
def test_no_sentences_below_the_words(package):
    files = {file: file.read_text(encoding="utf-8") for file in sorted((ROOT / package).rglob("*.py"))}
    named = {code for source in files.values() for code in codes(source)}
    may_stay, used = EXCEPTIONS[package], set()
    wrong = []
    for file, source in files.items():
        for line, text in texts(source):
            if not is_sentence(text) or text in named:
                continue
            place = next((key for key in may_stay if key[0] == file.name and key[1] in text), None)
            if place is None:
                wrong.append(f"{file.relative_to(ROOT)}:{line}: {text}")
            else:
                used.add(place)
    assert wrong == []
    assert may_stay.keys() - used == set()


def test_a_sentence_is_noticed():
    source = 'def f(n):\n    """It says so."""\n    g("short one")\n    return f"{n} coupons were lost"\n'
    assert sorted(texts(source)) == [(3, "short one"), (4, "{} coupons were lost")]
    assert is_sentence("{} coupons were lost")
    assert not is_sentence("{} to {}")
    assert list(texts('raise InputError("a", "b", "more than two words", "Write it.")')) == []
    assert codes('Code = Literal["followed whatever it is", "drift"]') == {"followed whatever it is", "drift"}
