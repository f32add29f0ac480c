"""The textbook plans: fractions, full factorial, face-centred composite, Box-Behnken, with centre coupons."""

from __future__ import annotations

import numpy as np
from pyDOE3 import bbdesign, ff2n, fracfact

from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.plans.notes import note
from doe.plans.points import (
    FloatArray,
    Points,
    centre_points,
    cross,
    forbidden_points,
    grid,
    level_combinations,
    roles_of,
    stack_points,
)

LEAST_CENTRE, MOST_CENTRE = 2, 6

# Letters of the last factors as products of the first; resolution as in the usual tables
# (Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed., Table 6.22, from memory).
_HALF = {3: "a b ab", 4: "a b c abc", 5: "a b c d abcd", 6: "a b c d e abcde"}
_QUARTER = {5: "a b c ab ac", 6: "a b c d abc bcd"}

# Six factors three at a time (Box and Behnken 1960, Technometrics 2, 455-475, from memory): 48 edge points.
# The library's plan takes all pairs and needs 60.
_SIX_FACTOR_TRIPLES = ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5))

_RANGE = {
    "half": (3, 6),
    "quarter": (5, 6),
    "full": (2, 6),
    "composite": (2, 6),
    "box-behnken": (3, 6),
}

CLASSICAL = tuple(_RANGE)


def two_level_factors(study: Study) -> int:
    """Factors that a fraction can take as two-level ones: the numeric and those with exactly two named levels."""
    return len(study.numeric) + sum(len(f.levels) == 2 for f in study.categorical)


def check_kind(study: Study, kind: str) -> None:
    """Refuse a classical plan that does not exist for this many factors.

    Raises
    ------
    InputError
        Naming the numbers of factors it exists for.
    """
    low, high = _RANGE[kind]
    k = two_level_factors(study) if kind in ("half", "quarter") else len(study.numeric)
    if not low <= k <= high:
        what = "factors with a range or two levels" if kind in ("half", "quarter") else "factors with a range"
        raise InputError(
            f"plan {kind}",
            f"{k} {what}",
            f"{low} to {high}",
            "Choose full or composite." if 1 < k < low else "Choose spread or optimal, or hold a factor constant.",
        )


def base_points(study: Study, kind: str) -> tuple[Points, tuple[Finding, ...]]:
    """Points of a classical plan without centre coupons, and what was done to keep them allowed.

    A point in a forbidden combination is moved to the nearest allowed one; a fraction is first tried with its
    other sign.

    Raises
    ------
    InputError
        If the plan does not exist for this study, or more than a quarter of its points are forbidden.
    """
    check_kind(study, kind)
    points = _points(study, kind)
    bad = forbidden_points(study, points.coded, points.levels)
    if not bad.any():
        return points, ()
    if kind in ("half", "quarter"):
        other = _points(study, kind, mirrored=True)
        if not forbidden_points(study, other.coded, other.levels).any():
            return other, (note("other fraction"),)
    return _move(study, kind, points, bad)


def _points(study: Study, kind: str, *, mirrored: bool = False) -> Points:
    k = len(study.numeric)
    if kind in ("half", "quarter"):
        return _fraction(study, kind, mirrored=mirrored)
    if kind == "full":
        coded = two_level(k)
    elif kind == "composite":
        coded = np.vstack([two_level(k, "half" if k >= 5 else ""), star(k)])
    else:
        coded = edges(k)
    return cross(coded, roles_of(coded), level_combinations(study))


def two_level(k: int, fraction: str = "", *, mirrored: bool = False) -> FloatArray:
    """Full factorial in k factors, or its ``half`` or ``quarter``; coded -1, +1, shape (points, k)."""
    if not fraction:
        return np.asarray(ff2n(k), dtype=float)
    words = (_HALF if fraction == "half" else _QUARTER)[k].split()
    if mirrored:
        words = [f"-{w}" if len(w) > 1 else w for w in words]
    return np.asarray(fracfact(" ".join(words)), dtype=float)


def star(k: int) -> FloatArray:
    """Centres of the faces of the cube, shape (2k, k)."""
    return np.vstack([np.vstack([-row, row]) for row in np.eye(k)])


def edges(k: int) -> FloatArray:
    """Box-Behnken points without centre, shape (points, k); k from 3 to 6."""
    if k == 6:
        cube = two_level(3)
        blocks = np.zeros((len(_SIX_FACTOR_TRIPLES), len(cube), k))
        for block, triple in zip(blocks, _SIX_FACTOR_TRIPLES, strict=True):
            block[:, triple] = cube
        return blocks.reshape(-1, k)
    return np.asarray(bbdesign(k, center=0), dtype=float)


def _fraction(study: Study, kind: str, *, mirrored: bool) -> Points:
    """Fraction over numeric and two-level named factors, crossed with the named factors of more levels."""
    numeric, named = len(study.numeric), study.categorical
    in_fraction = [j for j, f in enumerate(named) if len(f.levels) == 2]
    coded = two_level(numeric + len(in_fraction), kind, mirrored=mirrored)
    outer = level_combinations(study)
    outer = np.unique(np.where(np.isin(np.arange(len(named)), in_fraction), 0, outer), axis=0)
    points = cross(coded[:, :numeric], np.full(len(coded), "corner"), outer)
    points.levels[:, in_fraction] = np.tile((coded[:, numeric:] > 0).astype(int), (len(outer), 1))
    return points


def _move(study: Study, kind: str, points: Points, bad: np.ndarray) -> tuple[Points, tuple[Finding, ...]]:
    """Points moved out of forbidden combinations.

    Raises
    ------
    InputError
        If more than a quarter of the coupons would have to move, or a combination of levels is forbidden everywhere.
    """
    share = bad.mean()
    if share > 0.25:
        raise InputError(
            f"plan {kind}",
            f"{bad.sum()} of {len(points)} coupons in a forbidden combination",
            "at most a quarter",
            "Choose an optimal plan: it goes around forbidden combinations.",
        )
    pool = grid(study, 3, 9, largest=60_000)
    # a moved coupon should not ask for an oven or press setting of its own, hence three levels for these
    coded, roles = points.coded.copy(), points.roles.copy()
    for i in np.flatnonzero(bad):
        same = pool.take((pool.levels == points.levels[i]).all(axis=1))
        if not len(same):
            raise InputError(
                f"plan {kind}",
                "a combination of levels that is forbidden at every setting",
                "plans without it",
                "Choose an optimal plan: it goes around forbidden combinations.",
            )
        coded[i] = same.coded[np.argmin(((same.coded - points.coded[i]) ** 2).sum(axis=1))]
        roles[i] = "chosen"
    return Points(coded, points.levels, roles), (note("moved out of forbidden", coupons=int(bad.sum())),)


def sizes(study: Study, kind: str) -> tuple[tuple[int, int], ...]:
    """Allowed numbers of coupons of a classical plan, as (least, most), for one, two, ... copies of its points."""
    base = base_size(study, kind)
    most = most_centre(study)
    return tuple((copies * base + LEAST_CENTRE, copies * base + most) for copies in range(1, 1 + max(1, 64 // base)))


def base_size(study: Study, kind: str) -> int:
    """Coupons of a classical plan without its centre coupons."""
    check_kind(study, kind)
    return len(_points(study, kind))


def most_centre(study: Study) -> int:
    """Most centre coupons: more of them would be better spent elsewhere."""
    return max(MOST_CENTRE, 2 * len(level_combinations(study)))


def classical_points(study: Study, kind: str, coupons: int) -> tuple[Points, tuple[Finding, ...]]:
    """All points of a classical plan of exactly this many coupons, centre coupons last, and notes.

    Raises
    ------
    InputError
        If the plan does not exist in this size (the sizes are named) or for this study.
    """
    allowed = sizes(study, kind)
    copies = next((i + 1 for i, (least, most) in enumerate(allowed) if least <= coupons <= most), None)
    if copies is None:
        near = sorted(allowed, key=lambda size: min(abs(coupons - size[0]), abs(coupons - size[1])))[:3]
        text = ", ".join(f"{least} to {most}" for least, most in sorted(near))
        raise InputError(
            "coupons",
            coupons,
            f"{text} for the plan {kind} of this study",
            "Change the number of coupons, or choose an optimal plan, which takes any number from 12.",
        )
    base, notes = base_points(study, kind)
    centre = centre_points(study, coupons - copies * len(base))
    return stack_points([*([base] * copies), centre]), notes
