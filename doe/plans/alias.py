"""Aliases of two-level plans: defining words, resolution, complete chains, fold-over.

A word is a set of factors; the product of their -1/+1 columns is constant over the plan. Multiplying an effect by a
word gives an effect that the plan cannot tell from it: its alias (Box and Hunter 1961, Technometrics 3, 311-351).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence

from doe.plans.points import FloatArray

FactorSet = frozenset[str]
Words = Mapping[FactorSet, int]
"""Defining words with their sign, the mean (the empty word) left out."""


def multiply(a: FactorSet, b: FactorSet) -> FactorSet:
    """Product of two effects: letters in both cancel, since a column times itself is 1."""
    return a ^ b


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


def resolution(words: Iterable[FactorSet]) -> int | None:
    """Length of the shortest word; None for a plan without aliases."""
    return min((len(word) for word in words), default=None)


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
