"""Cheapest order in which to visit settings, drawn at random among the orders that cost the same."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from doe.plans.points import FloatArray

MOST_EXACT = 10
"""Stops (beside given ends) up to which the cheapest order is found exactly."""

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
    if len(free) <= MOST_EXACT:
        middle = _exact(first, between, last, rng)
    else:
        middle = _search(first, between, last, rng)
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

    def total(route: list[int]) -> float:
        return float(np.round(first[route[0]] + route_cost(between, route) + last[route[-1]], _DIGITS))

    best: list[int] = []
    best_cost = np.inf
    for begin in rng.permutation(n)[:12]:
        route = [int(begin)]
        left = set(range(n)) - {int(begin)}
        while left:
            pool = np.array(sorted(left))
            steps = between[route[-1], pool]
            route.append(int(rng.choice(pool[steps == steps.min()])))
            left.remove(route[-1])
        cost = total(route)
        improved = True
        while improved:
            improved = False
            for other in _neighbours(route):
                if (found := total(other)) < cost:
                    route, cost, improved = other, found, True
                    break
        if cost < best_cost:
            best, best_cost = route, cost
    return best


def _neighbours(route: list[int]) -> list[list[int]]:
    n = len(route)
    found = []
    for i in range(n):
        for j in range(i + 1, n + 1):
            stretch, rest = route[i:j], route[:i] + route[j:]
            if j - i > 1:
                found.append(route[:i] + stretch[::-1] + route[j:])
            if j - i <= 3:
                found += [rest[:k] + stretch + rest[k:] for k in range(len(rest) + 1) if k != i]
    return found
