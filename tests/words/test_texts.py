"""Every fact that is found has its text, and every text is of a fact that is found."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from doe.words.facts import READINGS, texts_of

ROOT = Path(__file__).parents[2]
FOUND_IN = {
    "confirmation": ("doe/assure/confirmation", "doe/acts/confirmation", "doe/acts/recipe/release.py"),
    "recipe": ("doe/acts/recipe/record_items.py", "doe/acts/recipe/on_line.py"),
}
MADE_BY = {"Finding": 0, "_there": 1, "_missing": 1, "_said": 1}
"""What makes a finding, and the place of its code among what it is given."""
OF_RULES = {"confirms"}
"""Put together in `doe.words.confirmation.plan`."""
OF_JUDGING = {"to_make", "waiting", "doubtful"}
"""What a judgement lacks is told from its counts, in `doe.words.confirmation.verdict`."""
OF_ITEMS = ("item_", "add_")
TYPED = {"everyday_words", "heading_words"}
"""Words that people type, whatever they call a thing."""
OTHER_NOUNS = re.compile(r"(?i)\b(shirts?|t-shirts?|apparel|pieces? of clothing)\b")


def test_every_text_calls_a_garment_a_garment():
    tables = [path for path in sorted((ROOT / "templates/tables").glob("*.toml")) if path.stem not in TYPED]
    assert len(tables) > 30
    said = {path.name: sorted(set(OTHER_NOUNS.findall(path.read_text(encoding="utf-8")))) for path in tables}
    assert {name: nouns for name, nouns in said.items() if nouns} == {}


SPEC = re.compile(r"\{(\w+)(?::([^}]*))?\}")


def sources(subject: str) -> Iterator[ast.AST]:
    for place in FOUND_IN[subject]:
        files = [ROOT / place] if place.endswith(".py") else (ROOT / place).rglob("*.py")
        yield from (ast.parse(file.read_text(encoding="utf-8")) for file in files)


def codes(subject: str) -> set[str]:
    """Codes that are written out where a finding is made."""
    return {
        part.value
        for tree in sources(subject)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) in MADE_BY
        for code in node.args[MADE_BY[ast.unparse(node.func)] :][:1]
        for part in ([code.body, code.orelse] if isinstance(code, ast.IfExp) else [code])
        if isinstance(part, ast.Constant)
    }


@pytest.mark.parametrize("subject", FOUND_IN)
def test_facts_and_texts_are_the_same(subject):
    texts = {code for code in texts_of(subject) if not code.startswith(OF_ITEMS)}
    found = codes(subject) | ({"hand_open", "hand_unsettled"} if subject == "confirmation" else set())
    assert found - OF_RULES - OF_JUDGING == texts


@pytest.mark.parametrize("subject", FOUND_IN)
def test_how_a_value_reads_is_known(subject):
    for text in texts_of(subject).values():
        assert "{}" not in text
        for _, spec in SPEC.findall(text):
            noun = re.fullmatch(r"[a-z ]+(/[a-z ]+)?", spec)
            counted = spec == "{unit"  # by a noun that is a value itself
            assert spec.partition(" ")[0] in READINGS or noun or counted or re.fullmatch(r"|g|\.\d+f?", spec), text


def test_every_item_has_its_name_and_what_can_be_missing_a_way_to_add_it():
    texts = texts_of("recipe")
    names = {code.removeprefix("item_") for code in texts if code.startswith("item_")}
    added = {code.removeprefix("add_") for code in texts if code.startswith("add_")}
    always = {"who", "deviations", "measured", "raters", "voids"}
    assert names - added == always
    assert not added - names
