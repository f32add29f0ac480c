"""The verdict, and the plain reasons that go with it.

Thresholds were chosen on simulated lines (tuning seeds), not by taste; the error rates they lead to are
printed by the decisions benchmark and kept in `ERROR_RATES`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.study import Study
from doe.setpoint.answer import Verdict
from doe.setpoint.gaps import Gaps
from doe.surfaces.fitted import Surfaces
from doe.surfaces.scorers import doubt_scorers
from doe.surfaces.unvaried import unvaried_sentences

FloatArray = NDArray[np.float64]

READY_LOW_SHORTFALL = 0.10
"""Ready: the expected pass rate reaches the wanted one, so there is a window, and its lower bound falls short of it by
no more than this."""

LEAST_INSIDE = 0.5
"""... and no fewer than this share of the coupons was made in or near the tested region: else the rate is a guess."""

OUT_OF_REACH = 0.25
"""Not reachable: the probability that any tested setting reaches the wanted pass rate is below this ...

On some 160 tuning lines (20 and 28 coupons) it says so in 93 and 87 of 100 where it is true, in 9 and 5 where it is
not; at 0.35 in 95 and 89, and 14 and 8."""

FEW_COUPONS, OUT_OF_REACH_FEW = 20, 0.15
"""... or below this with fewer coupons than the first number: three failures in four leave a quarter and prove nothing
..."""

OUT_OF_REACH_GAP = 0.05
"""... and even the best setting of a typical draw falls short by more than this."""


ERROR_RATES: dict[str, str] = {
    "simulated lines behind the error rates": "903 of seven kinds, on seeds that no prior was chosen on; four "
    "factors, wanted rate 95 %, one round",
    "called ready, truly below the wanted rate": "11 of 100 (20 coupons), 11 of 100 (28 coupons)",
    "called ready, truly below 90 %": "3 of 100 (20 coupons), 3 of 100 (28 coupons)",
    "lower bound held": "93 of 100 (20 coupons), 94 of 100 (28 coupons); stated: 90",
    "not reachable said although a setting existed": "8 of 100 (20 coupons), 6 of 100 (28 coupons)",
    "not reachable said where none existed": "85 of 100 (20 coupons), 85 of 100 (28 coupons)",
}
"""What the thresholds lead to with a wanted rate of 95 % and four factors, as
`tests/benchmarks/decisions.py --lines 903 --coupons 20,28 --seeds published` printed it on 2026-11-28."""

WORSE_RATES: dict[str, str] = {
    f"fewer than {FEW_COUPONS} coupons": "the rates are worse: with 12, about 29 of 100 called ready fell short of the "
    "wanted rate, 10 of 100 of 90 %, and the lower bound held in 85 of 100",
}
"""Goes with the rates above when an answer rests on fewer coupons than they were counted with."""


@dataclass(frozen=True)
class Chance:
    """What the draws say about the target.

    ``p_target``: probability that the setpoint reaches it; ``p_reachable``: that any tested setting does;
    ``best``: expected best rate anywhere in the tested region.
    """

    p_target: float
    p_reachable: float
    best: float


def chances(study: Study, rates: FloatArray, best: FloatArray) -> Chance:
    """Chances from the rates at the setpoint and the best of each draw, each of shape (draws,)."""
    target = study.spec.pass_rate
    return Chance(float((rates >= target).mean()), float((best >= target).mean()), float(best.mean()))


def judge(
    study: Study,
    chance: Chance,
    pass_rate: float,
    pass_rate_low: float,
    *,
    inside: float = 1.0,
    coupons: int = FEW_COUPONS,
) -> Verdict:
    """Verdict by the thresholds above.

    Parameters
    ----------
    study, chance, pass_rate, pass_rate_low
        What is wanted, and what the draws say.
    inside : float
        Share of the coupons in or near the tested region.
    coupons : int
        Coupons behind the draws.
    """
    target = study.spec.pass_rate
    if inside >= LEAST_INSIDE and pass_rate >= target and pass_rate_low >= target - READY_LOW_SHORTFALL:
        return "ready"
    if chance.p_reachable < reach_threshold(coupons) and chance.best < target - OUT_OF_REACH_GAP:
        return "not reachable"
    return "more coupons"


def reach_threshold(coupons: int) -> float:
    """Chance that any setting reaches the target below which it is called not reachable, with so many coupons."""
    return OUT_OF_REACH if coupons >= FEW_COUPONS else OUT_OF_REACH_FEW


def error_rates(coupons: int) -> dict[str, str]:
    """How often such verdicts are wrong on simulated lines, and whether that holds with so few coupons."""
    return ERROR_RATES if coupons >= FEW_COUPONS else ERROR_RATES | WORSE_RATES


def share_inside(surfaces: Surfaces) -> float:
    """Share of the scored coupons in the tested region, or at most a quarter of a range outside it."""
    z = surfaces.scaling.z(surfaces.results.settings)
    return float((np.abs(z) <= 1.5).all(axis=1).mean())


def certainty_limits(
    study: Study, surfaces: Surfaces, pass_rate: float, pass_rate_low: float, gaps: Gaps
) -> tuple[str, ...]:
    """What keeps the statement from being surer, most important first."""
    said = [*unvaried_sentences(gaps.unvaried)]
    n = surfaces.results.coupons
    gap = pass_rate - pass_rate_low
    if gap > 0.02:
        said.append(
            f"{n} pass/fail coupon{'s' if n != 1 else ''} leave the pass rate at the setpoint open by "
            f"{100 * gap:.0f} points below its expected value."
        )
    lapse = float(surfaces.window.lapse.mean())
    if lapse > 0.03:
        said.append(
            f"About {100 * lapse:.0f} of 100 coupons seem to fail for reasons that no heat setting mends "
            "(powder, moisture, handling); finding that cause is worth more than another setting."
        )
    if not surfaces.results.measured.to_numpy().any():
        said.append(
            "No coupon's real temperature was measured: the answer is as good as the displays, or as their correction."
        )
    return tuple(dict.fromkeys((*said, *surfaces.warnings)))


def possible_changes(study: Study, surfaces: Surfaces, checks_best: float) -> tuple[str, ...]:
    """What could be changed when no tested setting reaches the target.

    Parameters
    ----------
    study, surfaces
    checks_best : float
        Expected best robust rate of the checks alone, hand-feel left aside.
    """
    said = []
    if surfaces.has_hand and study.spec.hand_min is not None and checks_best >= study.spec.pass_rate - 0.03:
        fails = "The checks alone can be met; hand-feel is what fails"
        softer = "sk whether a stiffer hand is acceptable, or try a softer powder or less of it."
        doubt = doubt_scorers(surfaces.everything)
        if doubt is None:
            said.append(f"{fails}. A{softer}")
        else:
            said += [
                f"{fails}, and its scores are in doubt. First {doubt.remedy}; no new coupon is needed for it.",
                f"If the scores stand: a{softer}",
            ]
    peak = surfaces.window.peak.reshape(-1, len(surfaces.scaling.numeric))
    for j, f in enumerate(surfaces.scaling.numeric):
        for share, end, word, limit in (
            (float((peak[:, j] > 1).mean()), f.high, "above", 1),
            (float((peak[:, j] < -1).mean()), f.low, "below", 0),
        ):
            if share < 0.5:
                continue
            bound = study.limits.bounds(f.name)[limit] if study.limits else None
            room = "" if bound is None else f" (limit {bound:g} {f.symbol})"
            said.append(
                f"The best {f.label} seems to lie {word} the tested {end:g} {f.symbol}: "
                f"move the range if the limits permit{room}."
            )
    wide = [f.label for f in study.numeric if f.setting_sd > (f.high - f.low) / 6]
    if wide:
        said.append(
            f"The stated setting error of {', '.join(wide)} is large against its range: "
            "a steadier machine widens every window."
        )
    said.append("Try another powder, film or pre-treatment of the fabric; or agree on a lower wanted pass rate.")
    return tuple(said)
