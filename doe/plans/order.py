"""Order of a round: cure batches, press batches, strokes and garments (a strip plot), or full randomization."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from doe.domain.factors import Stage
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.points import FloatArray, IntArray
from doe.plans.timing import distinct_settings, hard_factors, machine_of, set_again_min, settle_matrix

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


LEAST_IN_BATCH = 2
"""A repeated batch is only made where it and its twin keep this many coupons."""

MOST_BATCHES = 9

STAGES: tuple[Stage, Stage] = ("cure", "press")


@dataclass(frozen=True)
class Queue:
    """Order at one machine: ``batch`` from 1 and ``position`` from 1 for every coupon, each of shape (coupons,)."""

    batch: IntArray
    position: IntArray


def order_round(
    study: Study,
    settings: pd.DataFrame,
    line: Line,
    rng: np.random.Generator,
    *,
    ends: tuple[int, int] | None,
    order: str = "batched",
) -> pd.DataFrame:
    """Bookkeeping columns of one round, in the row order of the settings; all numbers start from 1.

    Films go through the oven in cure batches, then coupons through the press in press batches. The cheapest batch
    order in settle minutes is taken, at random among equally cheap ones, and the order inside a batch is random.

    Parameters
    ----------
    study : Study
    settings : DataFrame
        One row a coupon, every factor.
    line : Line
        Its settle minutes and coupons a stroke.
    rng : Generator
    ends : (int, int) or None
        Rows of the coupons that are made first and last at both machines.
    order : {"batched", "repeated", "random"}
        ``repeated`` makes every machine setting in two batches; ``random`` sets both machines anew for every
        coupon, in a random order.
    """
    cure, press = (
        random_queue(study, settings, stage, rng, ends=ends)
        if order == "random"
        else batched_queue(study, settings, line, stage, rng, ends=ends, twice=order == "repeated")
        for stage in STAGES
    )
    if order != "random":
        stroke, position = _strokes(study, settings, line, press, rng, ends=ends)
        press = Queue(press.batch, position)
    else:
        stroke = press.position
    garment = _garments(study, settings, press, rng)
    return pd.DataFrame(
        {
            "cure_batch": cure.batch,
            "press_batch": press.batch,
            "cure_order": cure.position,
            "press_order": press.position,
            "garment": garment,
            "stroke": stroke,
        }
    )


def batched_queue(
    study: Study,
    settings: pd.DataFrame,
    line: Line,
    stage: Stage,
    rng: np.random.Generator,
    *,
    ends: tuple[int, int] | None,
    twice: bool,
) -> Queue:
    """Batches of one machine setting each, in the cheapest order.

    The coupons of the first and the last batch's setting are shared out over both, so that this setting is set twice
    and the batch error can be estimated. A setting that is passed again on the way is given another batch when that
    costs no minutes; with ``twice`` every setting gets two batches whatever it costs.
    """
    n = len(settings)
    hard = hard_factors(study, stage)
    if not hard:  # nothing to dial in between coupons: one batch, and no turn away and back for its own sake
        first, last = ends or (None, None)
        middle = rng.permutation([i for i in range(n) if i not in (first, last)])
        return _numbered([[int(i) for i in (first, *middle, last) if i is not None]])
    distinct, group = distinct_settings(settings, hard)
    counts = np.bincount(group, minlength=len(distinct))
    minutes = settle_matrix(machine_of(line, stage), hard, distinct)

    visits = list(range(len(distinct)))  # which setting each batch has
    start = end = None
    if ends is not None:
        start, end = int(group[ends[0]]), int(group[ends[1]])
        if start == end:
            visits.append(start)
            end = len(visits) - 1
    if twice:
        visits += [s for s in range(len(distinct)) if visits.count(s) == 1 and counts[s] >= 2 and len(distinct) > 1]
    route = _route(minutes, visits, rng, start, end)
    least = _minutes(minutes, visits, route)
    # most coupons first: they gain most from being shared out over two batches. A machine with a single setting
    # is set twice and no oftener: each further batch would cost a turn away and back.
    for setting in sorted(set(visits), key=lambda s: -counts[s]) if len(distinct) > 1 else ():
        while len(visits) < MOST_BATCHES and counts[setting] >= LEAST_IN_BATCH * (visits.count(setting) + 1):
            trial = [*visits, setting]
            longer = _route(minutes, trial, rng, start, end)
            if _minutes(minutes, trial, longer) > least + 1e-6:
                break
            visits, route = trial, longer

    return _numbered(_share_out(group, [visits[i] for i in route], rng, ends))


def _numbered(batches: Sequence[Sequence[int] | IntArray]) -> Queue:
    """Queue of the batches one after the other, each given by its coupons in order."""
    rows = np.concatenate(batches).astype(int)
    batch, position = np.empty_like(rows), np.empty_like(rows)
    batch[rows] = np.repeat(1 + np.arange(len(batches)), [len(members) for members in batches])
    position[rows] = 1 + np.arange(len(rows))
    return Queue(batch, position)


def cheapest_minutes(study: Study, settings: pd.DataFrame, line: Line, stage: Stage, *, times: int) -> float:
    """Least settle minutes in which every setting of a machine is visited this often, wherever it begins and ends."""
    hard = hard_factors(study, stage)
    distinct, _ = distinct_settings(settings, hard)
    if len(distinct) < 2:
        return (times - 1) * set_again_min(machine_of(line, stage))
    minutes = settle_matrix(machine_of(line, stage), hard, distinct)
    visits = list(range(len(distinct))) * times
    # any cheapest order will do, so the seed does not matter
    return _minutes(minutes, visits, _route(minutes, visits, np.random.default_rng(0), None, None))


def _allowed(minutes: np.ndarray, visits: list[int]) -> np.ndarray:
    cost = minutes[np.ix_(visits, visits)].copy()
    same = np.equal.outer(visits, visits)
    # two batches of one setting in a row would be one batch; with a single setting there is no other way
    if len(set(visits)) > 1:
        cost[same] = 1e6
    return cost


def _route(
    minutes: np.ndarray, visits: list[int], rng: np.random.Generator, start: int | None, end: int | None
) -> tuple[int, ...]:
    return cheapest_route(_allowed(minutes, visits), rng, start=start, end=end)


def _minutes(minutes: np.ndarray, visits: list[int], route: tuple[int, ...]) -> float:
    return route_cost(_allowed(minutes, visits), route)


def _share_out(
    group: IntArray, order: list[int], rng: np.random.Generator, ends: tuple[int, int] | None
) -> list[IntArray]:
    """Coupons of each batch in a random order; those of a setting with several batches in near-equal parts."""
    batches: list[IntArray] = [np.empty(0, dtype=int)] * len(order)
    for setting in dict.fromkeys(order):
        at = [i for i, s in enumerate(order) if s == setting]
        fixed = {} if ends is None else {ends[0]: 0, ends[1]: len(order) - 1}
        own = {row: place for row, place in fixed.items() if place in at}
        rest = rng.permutation([row for row in np.flatnonzero(group == setting) if row not in own])
        members: dict[int, list[int]] = {place: [] for place in at}
        for row, place in own.items():
            members[place].append(row)
        turns = rng.permutation(at)
        for row in rest:
            # the batch with the fewest coupons; ties go round in a random turn
            place = min(turns, key=lambda p: len(members[p]))
            members[int(place)].append(int(row))
        for place in at:
            chosen = rng.permutation(members[place])
            if ends is not None and ends[0] in members[place] and place == 0:
                chosen = np.concatenate([[ends[0]], chosen[chosen != ends[0]]])
            if ends is not None and ends[1] in members[place] and place == len(order) - 1:
                chosen = np.concatenate([chosen[chosen != ends[1]], [ends[1]]])
            batches[place] = chosen.astype(int)
    return batches


def random_queue(
    study: Study,
    settings: pd.DataFrame,
    stage: Stage,
    rng: np.random.Generator,
    *,
    ends: tuple[int, int] | None,
) -> Queue:
    """Fully random order; a new batch wherever the machine's setting differs from that of the coupon before."""
    n = len(settings)
    order = rng.permutation(n)
    if ends is not None:
        inner = order[~np.isin(order, ends)]
        order = np.concatenate([[ends[0]], inner, [ends[1]]])
    _, group = distinct_settings(settings, hard_factors(study, stage))
    batch, position = np.empty(n, dtype=int), np.empty(n, dtype=int)
    batch[order] = 1 + np.cumsum(np.diff(group[order], prepend=group[order[0]]) != 0)
    position[order] = 1 + np.arange(n)
    return Queue(batch, position)


def _strokes(
    study: Study,
    settings: pd.DataFrame,
    line: Line,
    press: Queue,
    rng: np.random.Generator,
    *,
    ends: tuple[int, int] | None,
) -> tuple[IntArray, IntArray]:
    """Stroke of each coupon, and the press order with every stroke kept together.

    Coupons of one press batch with the same press settings share a stroke, but never two coupons with the same
    settings throughout: those are replicates, and sharing a stroke would make them look more alike than they are.
    """
    if line.coupons_per_stroke == 1:
        return press.position.copy(), press.position
    names = [f.name for f in study.factors if f.stage == "press"]
    press_keys = list(settings[names].itertuples(index=False, name=None))
    all_keys = list(settings.itertuples(index=False, name=None))
    order = np.argsort(press.position)
    strokes: list[list[int]] = []
    for number in range(1, int(press.batch.max()) + 1):
        open_strokes: list[list[int]] = []
        for row in order[press.batch[order] == number]:
            home = next(
                (
                    s
                    for s in open_strokes
                    if len(s) < line.coupons_per_stroke
                    and press_keys[s[0]] == press_keys[row]
                    and all(all_keys[row] != all_keys[other] for other in s)
                ),
                None,
            )
            if home is None:
                open_strokes.append([int(row)])
            else:
                home.append(int(row))
        inner = [open_strokes[i] for i in rng.permutation(len(open_strokes))]
        if ends is not None:
            # stable sort: the stroke of the first coupon to the front, that of the last to the back
            inner.sort(key=lambda s: (ends[1] in s) - (ends[0] in s))
            for s in inner:
                s.sort(key=lambda row: (row == ends[1]) - (row == ends[0]))
        strokes += inner
    queue = _numbered(strokes)
    return queue.batch, queue.position


def _garments(study: Study, settings: pd.DataFrame, press: Queue, rng: np.random.Generator) -> IntArray:
    """Garment of each coupon, dealt out so that every garment is spread over the press batches.

    A garment that held one press batch alone would make a difference between garments look like one of press
    temperature. Garments of different fabrics stay apart where fabric is a factor.
    """
    garment = np.zeros(len(settings), dtype=int)
    fabric = settings["fabric"].astype(str).to_numpy() if "fabric" in settings else np.full(len(settings), "")
    done = 0
    for cloth in dict.fromkeys(fabric):
        rows = np.flatnonzero(fabric == cloth)
        rows = rows[np.argsort(press.position[rows])]
        count = math.ceil(len(rows) / study.per_garment)
        # one random order of the garments after the other keeps them even and each sequence unpredictable
        deals = np.concatenate([rng.permutation(count) for _ in range(study.per_garment)])[: len(rows)]
        garment[rows] = done + 1 + deals
        done += count
    return garment
