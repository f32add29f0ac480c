"""What is decided before the coupons of a comparison are made: margins, sizes, what the first round may say."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import binom, norm

from doe.assure.comparison.rate_difference import (
    Pairs,
    non_inferior_pairs,
    paired_difference,
    paired_p_values,
    separate_p_values,
    trinomial,
)
from doe.domain.finding import Finding, Value
from doe.domain.spec import Spec

MOST_EXACT = 160
"""Up to so many strokes or coupons sizes are found by counting outcomes; above, by normal theory."""

FirstRoundCode = Literal["may_hold", "cannot_hold", "may_retune", "may_go_on", "may_end_open"]
"""What the first round may say; `doe.words.comparison` says with which words."""


@dataclass(frozen=True)
class ComparisonPlan:
    """What is decided before the coupons are made, and never changed after.

    Attributes
    ----------
    recipe, revision
        The released recipe that is compared with.
    in_use, new : str
        Names of the parts that differ; ``differs`` says how, part by part.
    stack : str
        Name of the new stack.
    rate_margin, hand_margin : float
        Drop of the pass rate, and difference of hand-feel, that would do no harm.
    power, assurance, looks
        Chance of showing it when both are alike; how sure the verdict is meant to be over all looks together.
    supposed_rate : float
        Pass rate that the sizes suppose of both.
    strokes, edge_strokes : int
        Pairs at the setpoint, and at each of the ``edges``, in the first round.
    """

    recipe: str
    revision: int
    in_use: str
    new: str
    differs: Mapping[str, str]
    stack: str
    rate_margin: float
    hand_margin: float
    power: float
    assurance: float
    looks: int
    supposed_rate: float
    strokes: int
    edge_strokes: int
    edges: tuple[str, ...]

    @property
    def risk(self) -> float:
        """Risk of each one-sided decision, the looks sharing what is left beside the assurance."""
        return (1 - self.assurance) / self.looks


def first_round(plan: ComparisonPlan, spec: Spec) -> tuple[Finding, ...]:
    """What may come out of the first round, a verdict each; codes as in `FirstRoundCode`.

    ``may_hold``: strokes in which only the new material may fail while the verdict still stands (``spare``), how often
    the pass rate is shown where both materials pass as supposed (``power``), and how often the edges show no failure
    where each just holds the wanted rate (``edge_power``, None without edges). ``cannot_hold``: the least strokes from
    which on it could. ``may_retune``: strokes in which only the new material fails, from which on it is *retune*
    (``worse``, None where that cannot come out). ``may_go_on``: rounds that may follow.
    """
    n, risk, margin = plan.strokes, plan.risk, plan.rate_margin
    edges, hand = bool(plan.edges), spec.hand_min is not None
    least = math.ceil(math.log(risk) / math.log1p(-margin))

    def only_new_fails(strokes: int) -> Pairs:
        return Pairs(n - strokes, 0, strokes, 0)

    def still_holds(strokes: int) -> bool:
        return non_inferior_pairs(only_new_fails(strokes), margin=margin).p_exact <= risk

    def is_worse(strokes: int) -> bool:
        return paired_difference(only_new_fails(strokes), 1 - 2 * risk).high < 0

    def finding(code: FirstRoundCode, **values: Value) -> Finding:
        return Finding(code, values)

    holds = finding("cannot_hold", strokes=n, least=least, rate_margin=margin)
    if n >= least:
        holds = finding(
            "may_hold",
            strokes=n,
            spare=next((k for k in range(n) if not still_holds(k + 1)), n),
            power=paired_power(n, plan.supposed_rate, margin=margin, alpha=risk),
            supposed=plan.supposed_rate,
            edge_power=spec.pass_rate ** (plan.edge_strokes * len(plan.edges)) if edges else None,
            wanted=spec.pass_rate,
            hand=hand,
        )
    worse = next((k for k in range(1, n + 1) if is_worse(k)), None)
    rounds = plan.looks - 1
    rest = finding("may_go_on", rounds=rounds) if rounds else finding("may_end_open")
    return holds, finding("may_retune", worse=worse, edges=edges, hand=hand), rest


def paired_power(strokes: int, rate: float, *, margin: float, alpha: float = 0.10) -> float:
    """Probability that the exact paired test shows non-inferiority when both materials pass alike.

    Parameters
    ----------
    strokes : int
    rate : float
        True pass rate of both.
    margin, alpha : float
    """
    p = paired_p_values(strokes, margin)
    b, c = np.nonzero(p <= alpha)  # NaN compares false
    differ = rate * (1 - rate)
    return float(trinomial(b, c, strokes, [differ], [differ]).sum())


def separate_power(coupons: int, rate: float, *, margin: float, alpha: float = 0.10) -> float:
    """Probability that the exact test on separate coupons shows non-inferiority when both pass alike."""
    p = separate_p_values(coupons, coupons, margin)
    chance = binom.pmf(np.arange(coupons + 1), coupons, rate)
    return float(chance @ (p <= alpha) @ chance)


def strokes_for_rates(
    rate: float, *, margin: float, alpha: float = 0.10, power: float = 0.80, paired: bool = True
) -> int:
    """Strokes (paired) or coupons of each material to show non-inferiority of the pass rate.

    Parameters
    ----------
    rate : float
        True pass rate supposed of both materials.
    margin : float
        Drop that would do no harm.
    alpha : float
        Risk of calling a worse material good enough.
    power : float
        Chance of showing it when both are alike.
    paired : bool

    Returns
    -------
    int
        The smallest number from which on the exact test keeps the power for three numbers in a row (its power moves in
        a saw-tooth); above `MOST_EXACT` by normal theory.

    Examples
    --------
    >>> strokes_for_rates(0.98, margin=0.15)
    25
    """
    power_of = paired_power if paired else separate_power

    def reached(n: int) -> bool:
        return power_of(n, rate, margin=margin, alpha=alpha) >= power

    normal = math.ceil((norm.ppf(1 - alpha) + norm.ppf(power)) ** 2 * (2 * rate * (1 - rate)) / margin**2)
    if normal > MOST_EXACT:
        return normal
    # no outcome of fewer coupons can show it: nothing failing at all has probability (1 - margin)^n at least
    least = max(math.ceil(math.log(alpha) / math.log1p(-margin)) if paired else 2, normal // 2, 2)
    sizes = range(least, MOST_EXACT + 41)  # the exact test may need a few more than normal theory says
    return next((n for n in sizes if all(reached(n + i) for i in range(3))), MOST_EXACT + 41)
