"""Aliases of two-level plans: defining words, resolution, complete chains, fold-over.

A word is a set of factors; the product of their -1/+1 columns is constant over the plan. Multiplying an effect by a
word gives an effect that the plan cannot tell from it: its alias (Box and Hunter 1961, Technometrics 3, 311-351).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Mapping, Sequence
from functools import reduce

import numpy as np

from doe.domain.errors import InputError
from doe.plans.points import FloatArray

FactorSet = frozenset[str]
Words = Mapping[FactorSet, int]
"""Defining words with their sign, the mean (the empty word) left out."""

_GENERATOR = re.compile(r"^([A-Z])=([+-]?)([A-Z]{2,})$")
_ROMAN = ("", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X")


def parse_generators(text: str) -> dict[FactorSet, int]:
    """Words of generators such as ``D=AB E=-AC``: single capital letters, parted by blanks, commas or semicolons.

    Raises
    ------
    InputError
        If a part is not a generator.

    Examples
    --------
    >>> sorted("".join(sorted(word)) for word in defining_words(parse_generators("D=AB E=AC")))
    ['ABD', 'ACE', 'BCDE']
    """
    words = {}
    for part in re.split(r"[\s;,]+", text.strip()):
        match = _GENERATOR.match(part)
        if match is None:
            raise InputError("generator", repr(part), "a letter, =, two letters or more", "Write it like D=ABC.")
        words[frozenset(match[1] + match[3])] = -1 if match[2] == "-" else 1
    return words


def multiply(a: FactorSet, b: FactorSet) -> FactorSet:
    """Product of two effects: letters in both cancel, since a column times itself is 1."""
    return a ^ b


def defining_words(generators: Words) -> dict[FactorSet, int]:
    """All products of the generators' words: the complete defining relation, the mean left out."""
    found: dict[FactorSet, int] = {}
    items = list(generators.items())
    for size in range(1, len(items) + 1):
        for chosen in itertools.combinations(items, size):
            word: FactorSet = reduce(multiply, (w for w, _ in chosen))
            found[word] = int(np.prod([sign for _, sign in chosen]))
    return found


def words_of(columns: FloatArray, names: Sequence[str]) -> dict[FactorSet, int]:
    """Defining words of a two-level plan, found from its columns.

    Parameters
    ----------
    columns : float array, shape (points, factors)
        -1 or +1 throughout.
    names : sequence of str
    """
    found: dict[FactorSet, int] = {}
    for size in range(1, len(names) + 1):
        for chosen in itertools.combinations(range(len(names)), size):
            product = columns[:, chosen].prod(axis=1)
            if (product == product[0]).all():
                found[frozenset(names[j] for j in chosen)] = int(product[0])
    return found


def fold(words: Words) -> dict[FactorSet, int]:
    """Words left after the plan is made again with all signs reversed: those of even length."""
    return {word: sign for word, sign in words.items() if len(word) % 2 == 0}


def fold_over(coded: FloatArray) -> FloatArray:
    """The plan followed by itself with all signs reversed, shape (2 points, factors)."""
    return np.vstack([coded, -coded])


def resolution(words: Iterable[FactorSet]) -> int | None:
    """Length of the shortest word; None for a plan without aliases."""
    return min((len(word) for word in words), default=None)


def roman(number: int) -> str:
    """Resolution as it is written, such as ``IV``."""
    return _ROMAN[number]


def aliases(effect: FactorSet, words: Words) -> dict[FactorSet, int]:
    """Effects that share the estimate of this one, with signs, shortest first; the mean left out."""
    found = {multiply(effect, word): sign for word, sign in words.items() if word != effect}
    return dict(sorted(found.items(), key=lambda item: (len(item[0]), sorted(item[0]))))


def alias_chains(names: Sequence[str], words: Words, *, most: int | None = None) -> tuple[tuple[FactorSet, ...], ...]:
    """Every effect in its chain, chains and effects in textbook order.

    Parameters
    ----------
    names : sequence of str
        Factors in their order.
    words : mapping
        Complete defining relation.
    most : int, optional
        Leave out effects of more factors than this, and chains that are then empty.
    """
    place = {name: i for i, name in enumerate(names)}

    def rank(effect: FactorSet) -> tuple[int, list[int]]:
        return len(effect), sorted(place[name] for name in effect)

    seen: set[FactorSet] = set(words)
    chains = []
    for size in range(1, len(names) + 1):
        for chosen in itertools.combinations(names, size):
            effect = frozenset(chosen)
            if effect in seen:
                continue
            chain = sorted({effect, *aliases(effect, words)}, key=rank)
            seen.update(chain)
            kept = tuple(e for e in chain if most is None or len(e) <= most)
            if kept:
                chains.append(kept)
    return tuple(chains)
