"""The tool with every sentence reworded: one character is appended to each, where its source is read.

`python -m tests.words.reworded plain|reworded demo FOLDER` makes the demo's book there;
`python -m tests.words.reworded plain|reworded facts BOOK` prints what that book's answers come to, as JSON without a
sentence in it.
"""

from __future__ import annotations

import ast
import importlib.machinery
import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, cast

MARK = "~"
ANSWERED = (
    "setpoint",
    "window",
    "assured_window",
    "pass_rate",
    "pass_rate_low",
    "checks_pass_rate",
    "hand",
    "hand_low",
    "hand_high",
    "verdict",
    "p_target",
    "best_pass_rate",
    "p_reachable",
    "next_coupons",
    "cliffs",
)
KEYS_OF_OLDER_BOOKS = {
    "doe.book.older"
}  # sentences that older programs stored: a migration must know them as they were


def is_sentence(text: str) -> bool:
    """Three words or more, apart by spaces: what a person reads, and no key, name, pattern or query."""
    words = text.split(" ")
    if words[0].isupper() and len(words[0]) > 2:  # SQL, not prose
        return False
    return len([w for w in words if any(c.isalpha() for c in w)]) >= 3


class Reworder(ast.NodeTransformer):
    """Appends the mark to every sentence of a module, docstrings aside."""

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        return node if isinstance(node.value, ast.Constant) else self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        if isinstance(node.value, str) and is_sentence(node.value):
            return ast.copy_location(ast.Constant(node.value + MARK), node)
        return node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        parts = [v.value for v in node.values if isinstance(v, ast.Constant) and isinstance(v.value, str)]
        for value in node.values:
            if isinstance(value, ast.FormattedValue):
                value.value = self.visit(value.value)  # sentences inside; formats stay
        if is_sentence(" ".join(parts)):
            node.values.append(ast.copy_location(ast.Constant(MARK), node))
        return node


class Finder(importlib.machinery.PathFinder):
    """Finds the tool's modules and gives them the loader below."""

    @classmethod
    def find_spec(cls, fullname: str, path: Sequence[str] | None = None, target: Any = None) -> Any:
        if fullname.split(".", maxsplit=1)[0] not in ("doe", "reports") or fullname in KEYS_OF_OLDER_BOOKS:
            return None
        spec = super().find_spec(fullname, path, target)
        if spec is not None and isinstance(spec.loader, importlib.machinery.SourceFileLoader):
            spec.loader = Loader(spec.loader.name, spec.loader.path)
        return spec


class Loader(importlib.machinery.SourceFileLoader):
    """Compiles a module with its sentences reworded, and rewords what it reads from tables; nothing is cached."""

    def get_code(self, fullname: str) -> Any:
        tree = Reworder().visit(ast.parse(Path(self.path).read_bytes()))
        return compile(ast.fix_missing_locations(tree), self.path, "exec")

    def exec_module(self, module: Any) -> None:
        super().exec_module(module)
        if module.__name__ == "doe.domain.jsonable":  # what reads the tables, before anybody has taken it from there
            read = module.packaged_table
            module.packaged_table = lambda name: reworded(read(name))


def reworded(table: Any) -> Any:
    """A table with every sentence reworded; codes of several words as well, as they are in a module."""
    if isinstance(table, Mapping):
        return {reworded(key): reworded(value) for key, value in table.items()}
    if isinstance(table, list):
        return [reworded(value) for value in table]
    return table + MARK if isinstance(table, str) and is_sentence(table) else table


def without_sentences(thing: Any) -> Any:
    """What is left of a result when sentences and lists of them are taken out."""
    if isinstance(thing, dict):
        return {str(k): without_sentences(v) for k, v in thing.items()}
    if isinstance(thing, list | tuple):
        return [without_sentences(v) for v in thing]
    if isinstance(thing, str) and (is_sentence(thing) or thing.endswith(MARK)):
        return "a sentence"
    return thing


def facts(path: Path) -> dict[str, Any]:
    """Answers, dials and verdicts of a book, by the acts that commands and pages call; the book may be added to."""
    from doe.acts.comparison.verdict import judge_comparison
    from doe.acts.confirmation.verdict import confirm_study, confirmation_of
    from doe.acts.gauges.line import gauged_line, suggested_errors
    from doe.acts.recipe.on_line import recipe_on
    from doe.acts.study.fits import recommend_study
    from doe.acts.study.rounds import is_comparison, scale_of
    from doe.book.book import Book
    from doe.domain.jsonable import jsonable

    found: dict[str, Any] = {}
    with Book.open(path, who="test") as book:
        for summary in book.studies():
            record = book.study(summary.id)
            gauged = gauged_line(book, record)
            mine: dict[str, Any] = {"scale": scale_of(book, record), "verdict": summary.verdict}
            mine["dial"] = {name: gauged.dial(name, 150.0) for name in ("cure_temp", "press_temp")}
            mine["suggested"] = suggested_errors(book, record.line.name)
            if is_comparison(book, record.id):
                mine["comparison"] = judge_comparison(book, record.id).comparison
            elif summary.scored:
                answer = recommend_study(book, record.id).answer
                mine["answer"] = {name: getattr(answer, name) for name in ANSWERED}
                if confirmation_of(book, record.id) is not None:
                    mine["confirmation"] = confirm_study(book, record.id).confirmed.attempts
            found[record.name] = mine
        for kept in book.recipes():
            moved = recipe_on(book, kept, kept.recipe.line.name, on=kept.recipe.approved_at.date())
            found[f"recipe {kept.recipe.name}"] = (kept.recipe.settings, kept.recipe.as_dialled, moved.settings)
    return cast("dict[str, Any]", without_sentences(jsonable(found)))


def main() -> None:
    """Run what the command line asks for, in one of the two wordings."""
    wording, what, where = sys.argv[1:4]
    if wording == "reworded":
        assert not [name for name in sys.modules if name.split(".")[0] in ("doe", "reports")]
        sys.meta_path.insert(0, Finder)
    if what == "demo":
        from doe.acts.demo.run import run_demo
        from doe.domain.units import METRIC

        run_demo(Path(where), shown=METRIC)
    else:
        print(json.dumps(facts(Path(where)), sort_keys=True))


if __name__ == "__main__":
    main()
