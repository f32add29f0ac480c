"""Cheapest order in which to visit settings, drawn at random among the orders that cost the same."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from doe.plans.points import FloatArray, IntArray

MOST_EXACT = 10
"""Stops (beside given ends) up to which the cheapest order is found exactly."""

STARTS = 12
_DIGITS = 6  # minutes are compared after rounding, so that equal costs count as equal


def route_cost(cost: FloatArray, route: Sequence[int]) -> float:
    """Sum of the costs along a route."""
    stops = np.asarray(route, dtype=int)
    return float(cost[stops[:-1], stops[1:]].sum())


def cheapest_route(
    cost: FloatArray, rng: np.random.Generator, *, start: int | None = None, end: int | None = None
) -> tuple[int, ...]:
    """Order that visits every stop once at the least cost.

    Exact (Held and Karp 1962, J. SIAM 10, 196-210) for up to `MOST_EXACT` free stops, and then drawn with equal
    chances among all cheapest orders; a local search from many starts beyond that.

    Parameters
    ----------
    cost : float array, shape (stops, stops)
        ``cost[i, j]`` from i to j; need not be symmetric; ``inf`` where j must not follow i.
    rng : Generator
    start, end : int, optional
        First and last stop, when they are given.
    """
    cost = np.round(np.asarray(cost, dtype=float), _DIGITS)
    free = [i for i in range(len(cost)) if i not in (start, end)]
    head = [] if start is None else [start]
    tail = [] if end is None or end == start else [end]
    if not free:
        return tuple(head + tail)
    first = np.zeros(len(free)) if start is None else cost[start, free]
    last = np.zeros(len(free)) if not tail else cost[free, end]
    between = cost[np.ix_(free, free)]
    find = _exact if len(free) <= MOST_EXACT else _search
    middle = find(first, between, last, rng)
    return tuple(head + [free[i] for i in middle] + tail)


def _exact(first: FloatArray, between: FloatArray, last: FloatArray, rng: np.random.Generator) -> list[int]:
    n = len(first)
    full = (1 << n) - 1
    best = np.full((full + 1, n), np.inf)  # cheapest way to have visited a set and to stand at its last stop
    ways = np.zeros((full + 1, n))  # how many orders are that cheap
    for j in range(n):
        best[1 << j, j], ways[1 << j, j] = first[j], 1
    for visited in range(1, full):
        reach = np.round(best[visited][:, None] + between, _DIGITS)
        least = reach.min(axis=0)
        count = (ways[visited][:, None] * (reach == least)).sum(axis=0)
        for j in range(n):
            if not visited >> j & 1:
                best[visited | 1 << j, j], ways[visited | 1 << j, j] = least[j], count[j]
    total = np.round(best[full] + last, _DIGITS)
    here = _draw(ways[full] * (total == total.min()), rng)
    route, visited = [here], full
    while len(route) < n:
        visited ^= 1 << here
        reach = np.round(best[visited] + between[:, here], _DIGITS)
        here = _draw(ways[visited] * (reach == reach.min()), rng)
        route.append(here)
    return route[::-1]


def _draw(weights: FloatArray, rng: np.random.Generator) -> int:
    # without any allowed order every weight is zero; then any order is as good as another
    total = weights.sum()
    return int(rng.choice(len(weights), p=weights / total if total > 0 else None))


def _search(first: FloatArray, between: FloatArray, last: FloatArray, rng: np.random.Generator) -> list[int]:
    """Nearest-neighbour starts improved by moving and by reversing stretches, until nothing helps."""
    n = len(first)
    changes = _changes(n)

    def totals(routes: IntArray) -> FloatArray:
        steps = between[routes[:, :-1], routes[:, 1:]].sum(axis=1)
        return np.asarray(np.round(first[routes[:, 0]] + steps + last[routes[:, -1]], _DIGITS))

    best, best_cost = np.arange(n), np.inf
    for begin in rng.permutation(n)[:STARTS]:
        route = _nearest(between, int(begin), rng)
        cost = float(totals(route[None, :])[0])
        while True:
            costs = totals(route[changes])
            if costs.min() >= cost:
                break
            cost = float(costs.min())
            route = route[changes[rng.choice(np.flatnonzero(costs == cost))]]
        if cost < best_cost:
            best, best_cost = route, cost
    return [int(i) for i in best]


def _nearest(between: FloatArray, begin: int, rng: np.random.Generator) -> IntArray:
    route, left = [begin], np.ones(len(between), dtype=bool)
    left[begin] = False
    while left.any():
        steps = np.where(left, between[route[-1]], np.inf)
        # stops that may not follow are infinitely far: then any that is left has to do
        pool = np.flatnonzero(left & (steps == steps[left].min()))
        route.append(int(rng.choice(pool)))
        left[route[-1]] = False
    return np.array(route)


@lru_cache(maxsize=8)
def _changes(n: int) -> IntArray:
    """Rearrangements of n places: stretches reversed, and stretches of up to three moved elsewhere."""
    places = list(range(n))
    found = set()
    for i in range(n):
        for j in range(i + 1, n + 1):
            stretch, rest = places[i:j], places[:i] + places[j:]
            found.add((*places[:i], *stretch[::-1], *places[j:]))
            if j - i <= 3:
                found |= {(*rest[:k], *stretch, *rest[k:]) for k in range(len(rest) + 1)}
    return np.array(sorted(found - {tuple(places)}))
