"""Defining words from generators as textbooks print them: the other way to what is found from the points."""

from __future__ import annotations

import itertools

FactorSet = frozenset[str]


def generated(text: str) -> dict[FactorSet, int]:
    """Complete defining relation of generators such as ``D=AB E=-AC``, the mean left out, with signs."""
    given = []
    for part in text.replace(";", " ").split():
        letter, _, product = part.partition("=")
        given.append((frozenset(letter + product.lstrip("-")), -1 if product.startswith("-") else 1))
    found: dict[FactorSet, int] = {}
    for size in range(1, len(given) + 1):
        for chosen in itertools.combinations(given, size):
            word, sign = frozenset(), 1
            for letters, own in chosen:
                word, sign = word ^ letters, sign * own
            found[word] = sign
    return found


def folded(words: dict[FactorSet, int]) -> dict[FactorSet, int]:
    """Words left once the plan is made again with all signs reversed: those of even length."""
    return {word: sign for word, sign in words.items() if len(word) % 2 == 0}
