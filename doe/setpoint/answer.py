"""What a recommendation says: plain results, no wording and no pictures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from doe.domain.finding import Finding

if TYPE_CHECKING:
    import pandas as pd

Verdict = Literal["ready", "more coupons", "not reachable"]


EVERY = "every"
"""All the priors together, beside each group of them."""

BOTH_ONCE = "once_in_both"
"""Setting error is taken out of the trial and put in for production, in passes and hand-feel alike."""

LINKED_FROM = 6
"""Coupons of a round from which two of them are centre coupons, first and last: they show drift and tie the rounds."""


@dataclass(frozen=True)
class Window:
    """Box around the setpoint in which the target holds.

    Attributes
    ----------
    bounds : DataFrame
        Index: numeric factors; columns ``low``, ``high`` in stored units, rounded inward to machine settings.
    kind : {"expected", "assured"}
        ``expected``: the expected pass rate holds the target everywhere in the box; ``assured``: its lower bound does.
    pass_rate : float
        The lowest pass rate of that kind (expected, or lower bound) found in the box.
    setting_errors : float
        Half-width of the box in setting errors, the least over the factors.
    """

    bounds: pd.DataFrame
    kind: Literal["expected", "assured"]
    pass_rate: float
    setting_errors: float


@dataclass(frozen=True)
class SettingRoom:
    """How far one setting may move alone from the setpoint while the expected pass rate holds the target.

    ``low`` and ``high`` are machine settings (stored unit) inside the tested range; ``lower`` and ``higher`` how far
    they lie from the setpoint in setting errors (NaN when the factor has none).
    """

    factor: str
    low: float
    high: float
    lower: float
    higher: float


@dataclass(frozen=True)
class Cliff:
    """Where the expected pass rate falls 10 points below the setpoint's, moving one factor alone.

    ``at`` is the first setting (stored unit) beyond it, ``distance`` how far that is from the setpoint, in
    ``setting_errors`` too (NaN when the factor has no setting error); ``side`` says how prints fail there.
    """

    factor: str
    direction: Literal["lower", "higher"]
    at: float
    distance: float
    setting_errors: float
    side: Literal["under", "over"]


@dataclass(frozen=True)
class Answer:
    """A robust setpoint with its certainty, or the reason why there is none.

    Attributes
    ----------
    setpoint : mapping
        Factor name to value in its stored unit (or level), rounded to machine settings.
    window, assured_window : Window or None
        None when no box holds that has room on both sides of every setting, one machine step at least.
    pass_rate, pass_rate_low : float
        Expected share of prints that meet the whole spec at the setpoint with setting error, and its lower bound
        at the spec's assurance.
    checks_pass_rate : float
        Expected share that passes the checks alone, hand-feel left aside.
    hand, hand_low, hand_high : float or None
        Mean hand-feel at the setpoint with its interval (two-sided, coverage = assurance); None without scores.
    verdict : {"ready", "more coupons", "not reachable"}
    p_target : float
        Probability that the true pass rate at the setpoint reaches the wanted one.
    best_pass_rate : float
        Expected best pass rate anywhere in the tested region, were the line known.
    p_reachable : float
        Probability that some setting in the tested region reaches the wanted pass rate.
    next_coupons : DataFrame
        Settings of the coupons that would help most, one row a coupon; empty when ready.
    cliffs : tuple of Cliff
        Nearest first, in setting errors.
    limits_on_certainty : tuple of Finding or str
        What keeps the statement from being surer, most important first. A string is a sentence that an older version
        kept, or that was added after the answer was given; it is shown as it is, and nothing is decided by it.
    changes : tuple of Finding or str
        What could be changed when the target is not reachable.
    warnings : tuple of Finding or str
    method : mapping
        What reproduces the answer, and the error rates of the verdicts. ``model``: kind of surface, empty where it was
        put together by hand; ``draws``; ``setting_error``: `BOTH_ONCE`, or ``once`` where an older version
        left the trial's in hand-feel; ``ready_rate``, ``ready_shortfall``, ``reach_chance``, ``reach_gap``: thresholds
        of the verdict; and what `doe.setpoint.verdict.error_rates` gives. An older version kept labels in words.
    seed : int
    room : tuple of SettingRoom
        One a numeric factor; empty when the target is not expected to hold at the setpoint, or no coupon varied some
        setting. Older versions kept none.
    """

    setpoint: Mapping[str, float | str]
    window: Window | None
    assured_window: Window | None
    pass_rate: float
    pass_rate_low: float
    checks_pass_rate: float
    hand: float | None
    hand_low: float | None
    hand_high: float | None
    verdict: Verdict
    p_target: float
    best_pass_rate: float
    p_reachable: float
    next_coupons: pd.DataFrame
    cliffs: tuple[Cliff, ...]
    limits_on_certainty: tuple[Finding | str, ...]
    changes: tuple[Finding | str, ...]
    warnings: tuple[Finding | str, ...]
    method: Mapping[str, float | str]
    seed: int
    room: tuple[SettingRoom, ...] = ()
