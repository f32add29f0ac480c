"""A new material against a released recipe: same recipe holds, retune, or not enough coupons yet."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd
from scipy.stats import binom

from doe.assure.binomial import pass_rate_high
from doe.assure.comparison.equivalence import Equivalence, compare_hand, coupons_for_means
from doe.assure.comparison.rate_difference import (
    NonInferiority,
    Pairs,
    RateDifference,
    non_inferior_pairs,
    non_inferior_separate,
    paired_difference,
    separate_difference,
)
from doe.assure.comparison.sizes import strokes_for_rates
from doe.assure.confirmation.allocation import CORNER_COUPONS, SETPOINT
from doe.assure.confirmation.verdict import CornerResult, coupon_states, judge_corner
from doe.domain.errors import InputError
from doe.domain.outcome import HAND_PREFIX
from doe.domain.spec import Spec

ComparisonVerdict = Literal["same recipe holds", "retune", "not enough coupons yet"]

NEW, OLD = "new", "old"

_WAITING = ("waiting",)

SURPRISE = 0.20
"""Failures of the material in use that are rarer than this on a line that holds the wanted rate are remarked on."""


@dataclass(frozen=True)
class RateComparison:
    """Pass rates at the setpoint.

    Attributes
    ----------
    pairs : Pairs or None
        Strokes that held both, all settled; None when the materials were made apart.
    new_passed, new_units, old_passed, old_units : int
        Settled units: a material's coupons of one stroke are one unit, which passes when all of them do.
    new_high, old_high : float
        Upper limit of each pass rate, from units in which any coupon passed; each at the risk used.
    limits : Difference
        New minus old, two-sided, each limit at the risk used.
    test : NonInferiority
    is_non_inferior, is_worse : bool
        Decided by the exact p and by the upper limit.
    """

    pairs: Pairs | None
    new_passed: int
    new_units: int
    old_passed: int
    old_units: int
    new_high: float
    old_high: float
    limits: RateDifference
    test: NonInferiority
    is_non_inferior: bool
    is_worse: bool


@dataclass(frozen=True)
class EdgeComparison:
    """One edge of the window with the new material, and how the old one did there (None if not made)."""

    new: CornerResult
    old: CornerResult | None

    @property
    def window_in_doubt(self) -> bool:
        """Whether the material in use breaks there too: then the recipe's window is wrong, not the new material."""
        return self.old is not None and self.old.verdict == "not held"

    @property
    def made(self) -> int:
        """Coupons of the new material made there."""
        return self.new.passed + self.new.failed + self.new.waiting


@dataclass(frozen=True)
class Comparison:
    """Verdict of a comparison.

    Attributes
    ----------
    verdict : {"same recipe holds", "retune", "not enough coupons yet"}
    rates : RateComparison
    hand : Equivalence or None
        None where the spec asks for no hand-feel, or too few coupons were scored.
    edges : tuple of EdgeComparison
    waiting : int
        Units still waiting for a check.
    more_units : int
        Strokes (or coupons of each) that would probably settle it; 0 when settled.
    rate_margin, hand_margin, risk : float
        ``risk`` is that of each one-sided decision, after sharing it between the looks.
    reasons, missing, notes : tuple of str
    """

    verdict: ComparisonVerdict
    rates: RateComparison
    hand: Equivalence | None
    edges: tuple[EdgeComparison, ...]
    waiting: int
    more_units: int
    rate_margin: float
    hand_margin: float
    risk: float
    reasons: tuple[str, ...]
    missing: tuple[str, ...]
    notes: tuple[str, ...]


def compare_materials(
    frame: pd.DataFrame, spec: Spec, *, rate_margin: float = 0.15, hand_margin: float = 0.5, looks: int = 1
) -> Comparison:
    """Judge a bridging study.

    Parameters
    ----------
    frame : DataFrame
        One row a coupon: ``material`` (``new`` or ``old``), ``check_<name>`` or ``passed``, optional ``role``
        (``setpoint`` or the name of an edge), ``stroke``, ``cure_batch``, ``hand_<person>``, ``void``.
    spec : Spec
        Of the recipe: checks, pass rate, hand-feel, assurance (its complement is the risk).
    rate_margin : float
        Drop of the pass rate that would do no harm; fixed before the coupons are made.
    hand_margin : float
        Hand-feel points that do not matter.
    looks : int
        How many times the study may be judged in all. The risk is shared between them (Bonferroni), so that adding
        coupons after a "not enough yet" stays honest.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If a material is missing at the setpoint, or a number is out of range.

    Notes
    -----
    ``same recipe holds`` asks for all of: the pass rate shown to be no worse than the margin, hand-feel shown to be
    equivalent, every tested edge held, nothing waiting. ``retune``: one of them is shown to be broken. No difference
    *found* is not the same as shown to hold.
    """
    if looks < 1:
        raise InputError("looks", looks, "1 or more", "Say how often the study may be judged in all.")
    if not 0 < rate_margin < 1:
        raise InputError("margin of the pass rate", rate_margin, "between 0 and 1", "Write 15 points as 0.15.")
    if not hand_margin > 0:
        raise InputError("margin of hand-feel", hand_margin, "above 0", "Say which difference would not matter.")
    risk = (1 - spec.assurance) / looks
    rows = _counting(frame, spec)
    here = rows[rows["role"] == SETPOINT]
    rates, waiting = _rates(here, rate_margin, risk)
    edges = tuple(_edges(rows[rows["role"] != SETPOINT], spec))
    waiting += sum(e.new.waiting for e in edges)
    hand, hand_missing = _hand(here, spec, hand_margin, risk)
    broken = _broken(rates, hand, edges, spec, hand_margin, risk)
    held = _held(rates, hand, edges, rate_margin, risk)
    missing, more = _missing(rates, hand, edges, spec, waiting, rate_margin, hand_margin, risk)
    missing += hand_missing
    verdict: ComparisonVerdict = "same recipe holds"
    if broken or missing:
        verdict = "retune" if broken else "not enough coupons yet"
    settled = verdict != "not enough coupons yet"
    return Comparison(
        verdict=verdict,
        rates=rates,
        hand=hand,
        edges=edges,
        waiting=waiting,
        more_units=0 if settled else more,
        rate_margin=rate_margin,
        hand_margin=hand_margin,
        risk=risk,
        reasons=(*broken, *held),
        missing=() if settled else missing,
        notes=_notes(rates, hand, edges, spec),
    )


def _counting(frame: pd.DataFrame, spec: Spec) -> pd.DataFrame:
    """Rows that count, with role and state filled in.

    Raises
    ------
    InputError
        If the material is not said, or one of the two has no coupon at the setpoint.
    """
    if "material" not in frame.columns:
        raise InputError(
            "comparison",
            ", ".join(map(str, frame.columns)),
            "a column material (new or old)",
            "Say which coupon is of which material.",
        )
    odd = sorted(set(frame["material"].astype(str)) - {NEW, OLD})
    if odd:
        raise InputError("comparison, material", ", ".join(odd), "new or old", "Correct the material.")
    rows = frame[frame["void"].fillna("").astype(str).eq("")] if "void" in frame.columns else frame
    rows = rows.reset_index(drop=True)
    role = rows["role"] if "role" in rows.columns else pd.Series(SETPOINT, index=rows.index)
    rows = rows.assign(role=role, state=coupon_states(rows, spec.checks))
    here = rows[rows["role"] == SETPOINT]
    for material in (NEW, OLD):
        if not (here["material"] == material).any():
            raise InputError(
                "comparison",
                f"no coupon of the {material} material at the setpoint",
                "both materials at the setpoint",
                "Make them side by side in the same strokes.",
            )
    return rows


def _rates(here: pd.DataFrame, margin: float, risk: float) -> tuple[RateComparison, int]:
    """Paired by stroke wherever strokes held both materials; the number of units waiting."""
    strokes = here["stroke"] if "stroke" in here.columns else pd.Series(range(len(here)), index=here.index)
    states = here.assign(stroke=strokes).groupby(["stroke", "material"], sort=False)["state"].agg(_unit_state)
    # one column a material, missing where a stroke held one only
    wide = states.unstack("material")  # noqa: PD010
    both = wide.dropna()
    paired = len(both) > 0 and len(both) >= len(wide) / 2
    if paired:
        waiting = int(both.isin(_WAITING).any(axis=1).sum())
        both = both[~both.isin(_WAITING).any(axis=1)]
        new, old = both[NEW], both[OLD]
    else:
        new, old = wide[NEW].dropna(), wide[OLD].dropna()
        waiting = int(new.isin(_WAITING).sum() + old.isin(_WAITING).sum())
        new, old = new[~new.isin(_WAITING)], old[~old.isin(_WAITING)]
    if not (len(new) and len(old)):
        return _nothing_settled(), waiting
    counts = (int((new == "passed").sum()), len(new), int((old == "passed").sum()), len(old))
    pairs = None
    if paired:
        good, good_old = new == "passed", old == "passed"
        pairs = Pairs(
            int((good & good_old).sum()),
            int((good & ~good_old).sum()),
            int((good_old & ~good).sum()),
            int((~good & ~good_old).sum()),
        )
        limits, test = paired_difference(pairs, 1 - 2 * risk), non_inferior_pairs(pairs, margin=margin)
    else:
        limits, test = separate_difference(*counts, 1 - 2 * risk), non_inferior_separate(*counts, margin=margin)
    highs = [pass_rate_high(int((s != "failed").sum()), len(s), 1 - risk) for s in (new, old)]
    found = RateComparison(pairs, *counts, highs[0], highs[1], limits, test, test.p_exact <= risk, limits.high < 0)
    return found, waiting


def _nothing_settled() -> RateComparison:
    nothing = NonInferiority(0.0, 0.5, 1.0, (math.nan, math.nan))
    return RateComparison(None, 0, 0, 0, 0, 1.0, 1.0, RateDifference(0.0, -1.0, 1.0), nothing, False, False)


def _unit_state(states: pd.Series) -> str:
    """State of one material's coupons in one stroke: all passed, all failed, mixed, or waiting."""
    if (states == "failed").any():
        return "failed" if (states == "failed").all() else "mixed"
    return "passed" if (states == "passed").all() else "waiting"


def _edges(rows: pd.DataFrame, spec: Spec) -> list[EdgeComparison]:
    found = []
    for role, part in rows.groupby("role", sort=True):
        new, old = (part[part["material"] == m] for m in (NEW, OLD))
        if len(new):
            old_result = judge_corner(role, old, spec) if len(old) else None
            found.append(EdgeComparison(judge_corner(role, new, spec), old_result))
    return found


def _hand(here: pd.DataFrame, spec: Spec, margin: float, risk: float) -> tuple[Equivalence | None, tuple[str, ...]]:
    if spec.hand_min is None:
        return None, ()
    columns = [c for c in here.columns if str(c).startswith(HAND_PREFIX)]
    scored = here[columns].notna().any(axis=1) if columns else pd.Series(False, index=here.index)
    fewest = min(int((scored & (here["material"] == m)).sum()) for m in (NEW, OLD))
    if fewest < 2:
        return None, ("Hand-feel is in the spec: score at least some coupons of each material for it.",)
    return compare_hand(here, margin=margin, alpha=risk), ()


def _broken(
    rates: RateComparison,
    hand: Equivalence | None,
    edges: Sequence[EdgeComparison],
    spec: Spec,
    hand_margin: float,
    risk: float,
) -> tuple[str, ...]:
    said = []
    sure = _sure(risk)
    if rates.is_worse and not rates.is_non_inferior:
        said.append(
            f"The new material passes less often: {_counts(rates)}; {sure}, it is at least "
            f"{-_ceil(rates.limits.high)} points worse."
            if _ceil(rates.limits.high) < 0
            else f"The new material passes less often: {_counts(rates)}."
        )
    elif rates.new_high < spec.pass_rate <= rates.old_high:
        said.append(
            f"The new material misses the wanted {_share(spec.pass_rate)}: {_counts(rates)}; {sure}, its pass rate is "
            f"at most {_ceil(rates.new_high)} %."
        )
    if hand is not None and hand.is_different:
        word = "softer" if hand.difference > 0 else "stiffer"
        least = min(abs(hand.low), abs(hand.high))
        said.append(
            f"The new material is {word} by {abs(hand.difference):.1f} points; {sure}, by at least "
            f"{math.floor(10 * least) / 10:.1f}, more than the {hand_margin:g} that do not matter."
        )
    for edge in edges:
        if edge.new.verdict == "not held" and not edge.window_in_doubt:
            said.append(f"{_capital(edge.new.role)}: {edge.new.failed} of {edge.made} failed with the new material.")
    return tuple(said)


def _held(
    rates: RateComparison, hand: Equivalence | None, edges: Sequence[EdgeComparison], margin: float, risk: float
) -> tuple[str, ...]:
    said = []
    sure = _sure(risk)
    if rates.is_non_inferior:
        said.append(
            f"Pass rate: {sure}, no more than {100 * margin:g} points below the material in use ({_counts(rates)}; "
            f"exact p {rates.test.p_exact:.3f})."
        )
    if hand is not None and hand.is_equivalent:
        said.append(
            f"Hand-feel: alike; {sure} each way, the difference is {_tenths(hand.low, math.floor)} to "
            f"{_tenths(hand.high, math.ceil)} points."
        )
    for e in edges:
        if e.new.verdict == "held":
            said.append(
                f"{_capital(e.new.role)}: held with the new material, {e.new.passed} of {e.made} passed"
                + (", which is no more than chance." if e.new.failed else ".")
            )
    return tuple(said)


def _missing(
    rates: RateComparison,
    hand: Equivalence | None,
    edges: Sequence[EdgeComparison],
    spec: Spec,
    waiting: int,
    rate_margin: float,
    hand_margin: float,
    risk: float,
) -> tuple[tuple[str, ...], int]:
    """What keeps the verdict open, and how many more units would probably settle it."""
    said = []
    more = [0]
    many = "strokes" if rates.pairs is not None or not rates.new_units else "coupons of each"
    one = "stroke" if many == "strokes" else "coupon of each"
    if rates.old_high < spec.pass_rate:
        said.append(
            f"The material in use itself misses the wanted {_share(spec.pass_rate)} ({_counts(rates)}): check line "
            "and gauges, then make the strokes again."
        )
    if waiting:
        said.append(f"{waiting} {'units wait' if waiting > 1 else 'unit waits'} for a check.")
    if not rates.is_non_inferior and (rates.new_units or not waiting):
        needed = _units_for_rates(rates, rate_margin, risk)
        have = min(rates.new_units, rates.old_units)
        if needed is None:
            said.append(
                f"Pass rate: as things stand ({_counts(rates)}) the new material looks worse than the one in use; more "
                "coupons would more likely show a difference than remove the doubt."
            )
        else:
            extra = 0 if waiting else max(needed - have, 1)
            more.append(extra)
            below = -_floor(rates.limits.low)
            doubt = f"{_counts(rates)}; {_sure(risk)}, it may be up to {below} points worse"
            more_said = (
                f"; if both are alike, about {extra} more {many if extra > 1 else one} show it 4 times in 5."
                if extra
                else "."
            )
            said.append(f"Pass rate: not shown yet ({doubt}){more_said}")
    if hand is not None and not hand.is_equivalent and not hand.is_different:
        further = _units_for_hand(hand, rates, hand_margin, risk)
        if further is None:
            said.append(
                f"Hand-feel: the difference of {hand.difference:+.1f} points lies too near the margin of "
                f"{hand_margin:g} to be settled by more coupons."
            )
        else:
            more.append(further)
            said.append(
                f"Hand-feel: not shown yet ({_sure(risk)} each way, {_tenths(hand.low, math.floor)} to "
                f"{_tenths(hand.high, math.ceil)} points); about {further} more {many if further > 1 else one} would."
            )
    for edge in edges:
        if edge.window_in_doubt and edge.old is not None:
            tried = edge.old.passed + edge.old.failed + edge.old.waiting
            said.append(
                f"{_capital(edge.new.role)}: {edge.old.failed} of {tried} failed with the material in use too, and "
                f"{edge.new.failed} of {edge.made} with the new one: the recipe's own window is in doubt there. Check "
                "line and gauges, and confirm the window again before the new material is judged at it."
            )
        elif edge.new.verdict == "doubtful":
            enough = edge.made >= 2 * CORNER_COUPONS
            said.append(
                f"{_capital(edge.new.role)}: {edge.new.failed} of {edge.made} failed, which chance alone allows; "
                + ("draw the window in on that side, or retune." if enough else "make as many again there.")
            )
    return tuple(said), max(more)


def _units_for_rates(rates: RateComparison, margin: float, risk: float) -> int | None:
    """Units in all that would show it with probability 0.8, both being alike; None when new looks clearly worse."""
    if rates.new_units and rates.limits.difference < -margin:
        return None
    # both alike: their common rate, a little drawn in so that few coupons do not promise too much
    passed, units = rates.new_passed + rates.old_passed, rates.new_units + rates.old_units
    rate = min((passed + 1) / (units + 2), 0.98) if units else 0.95
    paired = rates.pairs is not None or not rates.new_units
    return strokes_for_rates(rate, margin=margin, alpha=risk, power=0.80, paired=paired)


def _units_for_hand(hand: Equivalence, rates: RateComparison, margin: float, risk: float) -> int | None:
    """Further units for equivalent hand-feel, from the standard error so far; None if the difference is too large."""
    room = margin - abs(hand.difference)
    if room <= margin / 4:
        return None
    have = max(min(rates.new_units, rates.old_units), 2)
    sd = max(hand.se * math.sqrt(have), 1e-3)
    return max(coupons_for_means("non-inferiority", room, sd=sd, alpha=risk, power=0.80, paired=True) - have, 1)


def _notes(
    rates: RateComparison, hand: Equivalence | None, edges: Sequence[EdgeComparison], spec: Spec
) -> tuple[str, ...]:
    said = []
    failed = rates.old_units - rates.old_passed
    chance = float(binom.sf(failed - 1, rates.old_units, 1 - spec.pass_rate)) if failed else 1.0
    if chance < SURPRISE:
        said.append(
            f"The material in use failed in {failed} of {rates.old_units} units. A line that holds the wanted "
            f"{_share(spec.pass_rate)} shows so many failures less than {math.ceil(100 * chance)} times in 100: look "
            "at line and gauges before the new material is blamed or cleared."
        )
    if rates.pairs is None and rates.new_units:
        said.append(
            "The materials were not made side by side in the same strokes: a drift of the press between them "
            "would look like a difference of the materials."
        )
    if not edges:
        said.append("No edge of the window was tested with the new material: the recipe is shown at its setpoint only.")
    if hand is not None:
        said += [note for note in hand.notes if "cannot be told" in note]
    return tuple(said)


def _counts(rates: RateComparison) -> str:
    return f"new {rates.new_passed} of {rates.new_units}, in use {rates.old_passed} of {rates.old_units}"


def _sure(risk: float) -> str:
    return f"with {100 * (1 - risk):.3g} % assurance"


def _share(share: float) -> str:
    return f"{100 * share:.10g} %"


def _floor(share: float) -> int:
    return math.floor(round(100 * share, 6))


def _ceil(share: float) -> int:
    return math.ceil(round(100 * share, 6))


def _tenths(value: float, toward: Callable[[float], int]) -> str:
    """To a tenth, outward: a limit is never told better than it is."""
    return f"{toward(round(10 * value, 6)) / 10 + 0.0:+.1f}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
