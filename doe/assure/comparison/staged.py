"""A new lot beside a recipe in few pairs: a closed rule of three stages, its error rates counted out, its verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import binom

StageVerdict = Literal["clearly worse", "go on carefully", "more pairs", "waiting", "line first", "not settled"]
"""``more pairs`` and ``waiting`` (for a check) are on the way; the others end it."""

STAGES = 3
USUAL_PAIRS, FEWEST_PAIRS, MOST_PAIRS = 6, 6, 10
"""Pairs of a stage: the usual number fits in an hour at most shops, more of them can hide less."""

FALSE_ALARM = 0.03
"""Most *clearly worse* of lots that are alike, over all stages, where both pass as the recipe says."""

LINE_ALARM = 0.02
"""Failures of the lot in use that are rarer than this, where the recipe holds, put the line in question."""

LEAST_SURPLUS = 3
"""Nothing is called clearly worse for fewer pairs, however good the recipe is."""

LOSSES = (0.0, 0.05, 0.10, 0.20, 0.30)
"""How much more often the new lot fails, in what is said before a coupon is made."""


@dataclass(frozen=True)
class Stage:
    """What ends a staged comparison after so many ``pairs`` in all.

    Attributes
    ----------
    pairs : int
    go_on : int
        Most pairs in which only the new lot fails, for *go on carefully*.
    worse : int
        Least surplus of pairs in which only the new lot fails over those in which only the lot in use does, for
        *clearly worse*; more than ``pairs`` where it cannot be said yet.
    in_use : int
        Most failures of the lot in use; with more the line is in question, and nothing is said of the new lot.
    """

    pairs: int
    go_on: int
    worse: int
    in_use: int


@dataclass(frozen=True)
class StagedChances:
    """How often each verdict comes out at last, for given rates of failure.

    Attributes
    ----------
    loss : float
        How much more often the new lot fails.
    worse, go_on, line, unsettled : float
        Chances of the four ends; their sum is 1.
    more : float
        Chance that the first stage asks for more pairs.
    pairs : float
        Made on average.
    """

    loss: float
    worse: float
    go_on: float
    line: float
    unsettled: float
    more: float
    pairs: float


def staged_chances(stages: Sequence[Stage], new_fails: float, in_use_fails: float) -> StagedChances:
    """Exact chances of every end of the rule: the counts of a pair more, from none to the last stage.

    Parameters
    ----------
    stages : sequence of Stage
    new_fails, in_use_fails : float
        Chance that a coupon of either lot fails.

    Notes
    -----
    The two coupons of a pair count as independent. What they share, a stroke that is too cool, makes them fail
    together, which leaves fewer pairs that differ: then *clearly worse* is said less often and *go on* more often, of
    lots that are alike and of worse ones. The limit of `hidden_loss` needs no independence within a pair.

    Examples
    --------
    >>> alike = staged_chances(staged_rule(8, 0.95), 0.05, 0.05)
    >>> round(alike.worse, 3), round(alike.go_on, 2)
    (0.012, 0.92)
    """
    only_new, only_old = new_fails * (1 - in_use_fails), in_use_fails * (1 - new_fails)
    both = new_fails * in_use_fails
    most = stages[-1].pairs + 1
    x, y, z = np.ogrid[:most, :most, :most]  # pairs in which only the new, only the old, both lots failed
    mass = np.zeros((most, most, most))
    mass[0, 0, 0] = 1.0
    ends = dict.fromkeys(("line", "worse", "go_on"), 0.0)
    made, left, pairs = 0, [], 0.0
    for stage in stages:
        pairs += (stage.pairs - made) * mass.sum()
        for _ in range(stage.pairs - made):
            mass = _one_pair_more(mass, only_new, only_old, both)
        made = stage.pairs
        for name, there in (
            ("line", y + z > stage.in_use),
            ("worse", x - y >= stage.worse),
            ("go_on", x <= stage.go_on),
        ):
            ends[name] += float((mass * there).sum())
            mass = mass * ~there  # what has ended takes no further part: the order of the three is that of the rule
        left.append(float(mass.sum()))
    loss = new_fails - in_use_fails
    return StagedChances(loss, ends["worse"], ends["go_on"], ends["line"], left[-1], left[0], float(pairs))


def chances_of_losses(stages: Sequence[Stage], rate: float) -> tuple[StagedChances, ...]:
    """The chances beside a recipe of that pass rate, for new lots that fail as much more often as `LOSSES` says."""
    return tuple(staged_chances(stages, min(1 - rate + loss, 1.0), 1 - rate) for loss in LOSSES)


def _one_pair_more(mass: NDArray[np.float64], only_new: float, only_old: float, both: float) -> NDArray[np.float64]:
    """Chances of all counts, shape (only new, only old, both), after one more pair."""
    made = (1 - only_new - only_old - both) * mass
    made[1:] += only_new * mass[:-1]
    made[:, 1:] += only_old * mass[:, :-1]
    made[:, :, 1:] += both * mass[:, :, :-1]
    return made


def staged_rule(pairs: int, rate: float) -> tuple[Stage, ...]:
    """The rule for a first stage of so many pairs, beside a recipe of that pass rate.

    After stage k *go on carefully* takes at most k - 1 pairs in which only the new lot fails. *Clearly worse* takes the
    least surplus of them, `LEAST_SURPLUS` or more, that keeps what lots that are alike are called so within k parts of
    `FALSE_ALARM`.

    Parameters
    ----------
    pairs : int
        Of each stage.
    rate : float
        Pass rate that the recipe says, below 1.
    """
    stages: tuple[Stage, ...] = ()
    fails = 1 - rate
    for number in range(1, STAGES + 1):
        made = number * pairs
        in_use = next(k for k in range(made + 1) if binom.sf(k, made, fails) <= LINE_ALARM)
        for worse in range(LEAST_SURPLUS, made + 2):
            tried = (*stages, Stage(made, number - 1, worse, in_use))
            if staged_chances(tried, fails, fails).worse <= FALSE_ALARM * number / STAGES:
                break
        stages = tried
    return stages


def worst_false_alarm(stages: Sequence[Stage]) -> float:
    """Most *clearly worse* of lots that are alike, however often both fail; over a grid of whole points.

    Examples
    --------
    >>> round(worst_false_alarm(staged_rule(8, 0.95)), 3)
    0.137
    """
    return max(staged_chances(stages, fails, fails).worse for fails in np.linspace(0, 1, 101))


def hidden_loss(stages: Sequence[Stage], number: int, assurance: float) -> float:
    """The loss that *go on carefully* after a stage can still hide: an upper limit, exact over the stages before.

    Of what share of prints only the new lot may fail, at most. As the loss is that share less the one in which only
    the lot in use fails, it is at most as large.

    Parameters
    ----------
    stages : sequence of Stage
    number : int
        Of the stage at which it was said, from 1.
    assurance : float

    Notes
    -----
    The limit is where *go on* at this stage or an earlier one has the chance 1 - assurance (order of the ends by
    stages). Ends by *clearly worse* or by the line only make that chance smaller, so they are left out.

    References
    ----------
    C. Jennison and B. W. Turnbull (1983), *Technometrics* 25, 49-58: limits after a multistage test, outcomes in the
    order of stages (from memory). With one stage it is the limit of Clopper and Pearson.

    Examples
    --------
    >>> [round(hidden_loss(staged_rule(8, 0.95), number, 0.90), 3) for number in (1, 2, 3)]
    [0.25, 0.27, 0.275]
    """

    def chance(share: float) -> float:
        most = stages[number - 1].pairs + 1
        mass = np.zeros(most)
        mass[0], made, ended = 1.0, 0, 0.0
        for stage in stages[:number]:
            more = stage.pairs - made
            mass = np.convolve(mass, binom.pmf(np.arange(more + 1), more, share))[:most]
            ended += float(mass[: stage.go_on + 1].sum())
            mass[: stage.go_on + 1] = 0.0
            made = stage.pairs
        return ended

    return float(brentq(lambda share: chance(share) - (1 - assurance), 0.0, 1.0, xtol=1e-12))


@dataclass(frozen=True)
class StagedVerdict:
    """How far a staged comparison has come.

    Attributes
    ----------
    verdict : StageVerdict
    stage : int
        At which it was given, or which is under way, from 1.
    pairs, only_new, only_old, both : int
        Settled pairs that count, and those in which only the new lot, only the lot in use, or both failed.
    waiting : int
        Pairs of this stage that wait for a check.
    missing : int
        Pairs of this stage that are not made, or void.
    hides : float or None
        Loss that *go on carefully* can still hide.
    may_go_on : bool
        Whether *go on carefully* can still come out, or has.
    """

    verdict: StageVerdict
    stage: int
    pairs: int
    only_new: int
    only_old: int
    both: int
    waiting: int
    missing: int
    hides: float | None
    may_go_on: bool


def judge_pairs(stages: Sequence[Stage], pairs: Sequence[tuple[str, str]], assurance: float) -> StagedVerdict:
    """Judge pairs in the order in which they were made, stage by stage; later ones than the rule asks for do not count.

    Parameters
    ----------
    stages : sequence of Stage
    pairs : sequence of (new, in use)
        ``passed``, ``failed`` or ``waiting``, void pairs left out.
    assurance : float
        Of the loss that may be hidden.

    Notes
    -----
    A verdict is given before every check is in only where the rest can no longer change it.
    """
    for number, stage in enumerate(stages, 1):
        mine = pairs[: stage.pairs]
        settled = [pair for pair in mine if "waiting" not in pair]
        missing = stage.pairs - len(mine)
        only_new = settled.count(("failed", "passed"))
        in_use_failed = sum(old == "failed" for _, old in mine)
        waiting = len(mine) - len(settled)
        # what still waits, or is still to be made, may yet speak against the lot in use
        against = missing + sum(new != "failed" and old != "passed" for new, old in mine)
        doubtful = missing + sum(old != "passed" for _, old in mine)
        verdict: StageVerdict = "waiting" if waiting else "more pairs"
        if in_use_failed > stage.in_use:
            verdict = "line first"
        elif only_new - against >= stage.worse and doubtful <= stage.in_use:
            verdict = "clearly worse"
        elif not waiting and not missing:
            if only_new <= stage.go_on:
                verdict = "go on carefully"
            elif number < len(stages):
                continue
            else:
                verdict = "not settled"
        is_good = verdict == "go on carefully"
        is_open = verdict in ("waiting", "more pairs")
        return StagedVerdict(
            verdict,
            number,
            len(settled),
            only_new,
            settled.count(("passed", "failed")),
            settled.count(("failed", "failed")),
            waiting,
            missing,
            hidden_loss(stages, number, assurance) if is_good else None,
            is_good or (is_open and only_new <= stages[-1].go_on),
        )
    raise AssertionError("the last stage ends it")
