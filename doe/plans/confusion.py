"""Which effects a plan cannot tell apart: defining words, resolution, chains of aliases.

A word is a set of factors; the product of their -1/+1 columns is constant over the plan. Multiplying an effect by a
word gives an effect that the plan cannot tell from it: its alias (Box and Hunter 1961, Technometrics 3, 311-351).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.plans.classical import two_level_factors
from doe.plans.points import FloatArray, coded_of
from doe.plans.variance import design_matrix, rank_of, term_names

FactorSet = frozenset[str]
Words = Mapping[FactorSet, int]
"""Defining words with their sign, the mean (the empty word) left out."""


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
    found = {effect ^ word: sign for word, sign in words.items() if word != effect}
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


@dataclass(frozen=True)
class Confusion:
    """Aliases of a plan; see `PlanJudgement` for the meaning of the parts."""

    resolution: int | None
    chains: tuple[str, ...]
    facts: tuple[Finding, ...]


def confusion(study: Study, coupons: pd.DataFrame) -> Confusion:
    """Aliases of a plan up to two-factor interactions; complete chains where it is a regular two-level plan."""
    table = two_level_columns(study, coupons)
    if table is not None:
        columns, names = table
        words = words_of(columns, names)
        # balanced columns and words make a regular fraction: then the chains say everything
        if np.allclose(columns.sum(axis=0), 0) and _is_regular(columns, len(words)):
            return _regular(study, words, names)
    return Confusion(None, (), _general(study, coupons))


def two_level_columns(study: Study, coupons: pd.DataFrame) -> tuple[FloatArray, list[str]] | None:
    """-1/+1 columns of the corner coupons, or None where some coupon is neither a corner nor a centre.

    Factors with more than two named levels are crossed with the rest and left out.
    """
    coded, levels = coded_of(study, coupons)
    centre = coupons["role"].isin(["centre", "repeat centre"]).to_numpy()
    corners = coded[~centre]
    if not len(corners) or not (np.abs(np.abs(corners) - 1) < 0.1).all():
        return None
    two = [j for j, f in enumerate(study.categorical) if len(f.levels) == 2]
    columns = np.hstack([np.sign(corners), 2.0 * levels[~centre][:, two] - 1])
    names = [f.name for f in study.numeric] + [study.categorical[j].name for j in two]
    assert len(names) == two_level_factors(study)
    return columns, names


def _is_regular(columns: FloatArray, words: int) -> bool:
    """Whether the corners are whole copies of the fraction that the words define."""
    points, counts = np.unique(columns, axis=0, return_counts=True)
    return len(points) * (words + 1) == 2 ** columns.shape[1] and bool((counts == counts[0]).all())


def _regular(study: Study, words: Words, names: list[str]) -> Confusion:
    ordered = [f.name for f in study.factors if f.name in names]
    chains = tuple(
        " = ".join(" × ".join(_factors(study, effect)) for effect in chain)
        for chain in alias_chains(ordered, words)
        if len(chain) > 1
    )
    facts = tuple(
        Finding("aliased", {"effects": tuple(_factors(study, effect) for effect in chain)})
        for chain in alias_chains(ordered, words, most=2)
        if len(chain) > 1
    )
    return Confusion(resolution(words), chains, facts)


def _factors(study: Study, effect: FactorSet) -> tuple[str, ...]:
    """Factors of an effect in the order of the study."""
    return tuple(name for name in study.factor_names if name in effect)


def _general(study: Study, coupons: pd.DataFrame) -> tuple[Finding, ...]:
    """Main effects and interactions that hang together in any other plan."""
    X = design_matrix(study, coupons, "interactions")
    if rank_of(X) == X.shape[1]:
        return ()
    names = term_names(study, "interactions")
    involved = _dependent(X)[: len(names)]
    effects = [_factors(study, frozenset(term)) for term, held in zip(names, involved, strict=True) if held and term]
    return (Finding("hang together", {"effects": tuple(dict.fromkeys(effects))}),) if effects else ()


def _dependent(X: FloatArray) -> np.ndarray:
    """Columns that take part in some linear dependence, shape (columns,)."""
    _, singular, Vt = np.linalg.svd(X / np.linalg.norm(X, axis=0).clip(1e-12), full_matrices=True)
    rank = int((singular > 1e-7 * max(X.shape)).sum())
    null = Vt[rank:]
    return np.asarray((np.abs(null) > 1e-6).any(axis=0))
