"""Errors that a numerical function raises of its own accord stand in its docstring, under Raises.

An `AssertionError` is a mistake of ours, not something to say there.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGES = ("plans", "surfaces", "setpoint", "assure", "practice", "symptoms")
Function = ast.FunctionDef | ast.AsyncFunctionDef


def raised(function: Function) -> Iterator[str]:
    """Names of the errors raised in the body itself, functions inside it left out."""
    todo: list[ast.AST] = list(function.body)
    while todo:
        node = todo.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda | ast.ClassDef):
            continue
        if isinstance(node, ast.Raise) and node.exc is not None:
            error = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            if isinstance(error, ast.Name) and error.id.endswith(("Error", "Errors")) and error.id != "AssertionError":
                yield error.id
        todo.extend(ast.iter_child_nodes(node))


def functions(node: ast.AST, owner: ast.ClassDef | None = None) -> Iterator[tuple[Function, ast.ClassDef | None]]:
    """Every function with the class it stands in."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
            yield child, owner
            yield from functions(child)
        else:
            yield from functions(child, child if isinstance(child, ast.ClassDef) else owner)


def section(docstring: str) -> str:
    """What stands under Raises, up to the next heading."""
    lines = docstring.splitlines()
    heads = [i for i in range(len(lines) - 1) if lines[i + 1].strip() and not lines[i + 1].strip("- ")]
    for start, end in pairwise([*heads, len(lines)]):
        if lines[start].strip() == "Raises":
            return "\n".join(lines[start:end])
    return ""


def test_what_a_numerical_function_raises_stands_in_its_docstring() -> None:
    """A class says it for its `__init__` and `__post_init__`."""
    missing = []
    for package in PACKAGES:
        for path in sorted((ROOT / "doe" / package).rglob("*.py")):
            for function, owner in functions(ast.parse(path.read_text(encoding="utf-8"))):
                making = owner is not None and function.name in ("__init__", "__post_init__")
                said = section(ast.get_docstring(owner if making and owner else function) or "")
                missing += [
                    f"{path.relative_to(ROOT)}:{function.lineno} {function.name}: {name}"
                    for name in sorted(set(raised(function)))
                    if name not in said
                ]
    assert missing == []
