"""First articles of a day against what a recipe promises: when failures, or a drifting surface, put it in doubt.

Pure sums, so that listing recipes loads no numerics.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Literal

from doe.domain.recipe import KeptRecipe

BAD_MARGIN, HORIZON, FALSE_ALARM = 0.15, 60, 0.05
"""Drop of the pass rate that is to be found; prints over which error rates are said; most false alarms in them."""
MOST_PRINTS = 3
TWICE = 2 * (0.5 * math.erfc(math.sqrt(2))) ** 2
"""Chance that two glances in a row lie beyond k = 2 to the same side of a sound machine, errors being normal."""


@dataclass(frozen=True)
class DayRule:
    """When failures put a recipe in doubt.

    A failed print adds ``up`` to a score, a passed one takes 1 away, never below 0; from ``limit`` on it is in doubt.
    ``wrong`` and ``found`` are exact chances that this happens within `HORIZON` prints where the ``promised`` share
    passes, at most, and where only ``bad`` does, at least, for 1 to `MOST_PRINTS` prints an article.

    References
    ----------
    E. S. Page (1954), Continuous inspection schemes, Biometrika 41, 100-115 (from memory).
    """

    promised: float
    bad: float
    up: int
    limit: int
    wrong: float
    found: float


@cache
def day_rule(promised: float) -> DayRule:
    """The rule for a promised pass rate: steps by the likelihood ratio, the lowest limit with few false alarms.

    >>> rule = day_rule(0.95)
    >>> rule.up, rule.wrong <= FALSE_ALARM
    (8, True)
    """
    good = min(promised, 0.99)
    bad = max(good - BAD_MARGIN, 0.05)
    up = max(1, round(math.log((1 - bad) / (1 - good)) / -math.log(bad / good)))
    limit = up + 1
    while any(_chance(good, up, limit, prints) > FALSE_ALARM for prints in range(1, MOST_PRINTS + 1)):
        limit += 1
    return DayRule(good, bad, up, limit, max(_chances(good, up, limit)), min(_chances(bad, up, limit)))


def _chances(rate: float, up: int, limit: int) -> list[float]:
    return [_chance(rate, up, limit, prints) for prints in range(1, MOST_PRINTS + 1)]


def _chance(rate: float, up: int, limit: int, prints: int) -> float:
    """Exact chance that the score reaches its limit within the horizon, by the chain of its values."""
    moves = [
        (failed * up - (prints - failed), math.comb(prints, failed) * (1 - rate) ** failed * rate ** (prints - failed))
        for failed in range(prints + 1)
    ]
    # where each score goes, the last place being the limit, which nothing leaves
    ways = [[(min(max(0, score + move), limit), chance) for move, chance in moves] for score in range(limit)]
    at = [1.0] + [0.0] * limit
    for _ in range(HORIZON // prints):
        after = [0.0] * limit + [at[limit]]
        for share, onward in zip(at, ways, strict=False):
            if share:
                for to, chance in onward:
                    after[to] += share * chance
        at = after
    return at[limit]


def scores(rule: DayRule, articles: Iterable[tuple[int, int]]) -> list[int]:
    """Score after each article, given as (prints, failed).

    >>> scores(day_rule(0.95), [(2, 0), (3, 1), (1, 1)])
    [0, 6, 14]
    """
    found, score = [], 0
    for prints, failed in articles:
        score = max(0, score + failed * rule.up - (prints - failed))
        found.append(score)
    return found


Drifted = Literal["", "glance", "drift"]


def judge_glances(off: Sequence[float], u: float) -> Drifted:
    """What the last glances say: nothing, one beyond ``u`` (k = 2), or enough to put a recipe in doubt.

    >>> judge_glances([0.5, 3.1], 3), judge_glances([3.2, 3.1], 3), judge_glances([-3.2, 3.1], 3), judge_glances([7], 3)
    ('glance', 'drift', 'glance', 'drift')
    """
    if not off or abs(off[-1]) <= u:
        return ""
    again = len(off) > 1 and abs(off[-2]) > u and off[-1] * off[-2] > 0
    return "drift" if again or abs(off[-1]) > 2 * u else "glance"


@dataclass(frozen=True)
class Given:
    """What was said of a first article.

    ``dialled`` and ``surface`` (what a gauge read) are by factor, in stored units; ``seen`` says what failed.
    """

    prints: int
    failed: int = 0
    seen: tuple[str, ...] = ()
    dialled: Mapping[str, float] = field(default_factory=dict)
    surface: Mapping[str, float] = field(default_factory=dict)
    lot: str = ""
    note: str = ""


@dataclass(frozen=True)
class Article:
    """A first article that was kept: ``off`` names settings that were not the recipe's, so that it does not count."""

    at: datetime
    who: str
    given: Given
    off: tuple[str, ...]


@dataclass(frozen=True)
class Glances:
    """Surface of a setting against what the recipe rests on, after each glance, and the uncertainty (k = 2)."""

    factor: str
    off: tuple[float, ...]
    u: float
    verdict: Drifted
    at: datetime | None


@dataclass(frozen=True)
class Days:
    """All first articles of a revision since it was released, or since a doubt was explained.

    ``counted`` are those made at the recipe's settings; ``score`` holds one after each of them. ``doubt`` is what puts
    the recipe in doubt: ``prints``, ``drift`` or nothing, ``since`` when. ``earlier`` were kept before the last
    explanation and do not count any more.
    """

    kept: KeptRecipe
    articles: tuple[Article, ...]
    rule: DayRule
    score: tuple[int, ...]
    glances: tuple[Glances, ...]
    cleared: tuple[datetime, str, str] | None
    earlier: tuple[Article, ...] = ()

    @property
    def counted(self) -> tuple[Article, ...]:
        """Articles made at the recipe's settings."""
        return tuple(a for a in self.articles if not a.off)

    @property
    def doubt(self) -> str:
        """What puts the recipe in doubt."""
        if self.score and self.score[-1] >= self.rule.limit:
            return "prints"
        return "drift" if any(g.verdict == "drift" for g in self.glances) else ""

    @property
    def since(self) -> datetime:
        """When the last article was made, or the recipe released."""
        return self.articles[-1].at if self.articles else self.kept.at
