"""A new material against a released recipe: same recipe holds, retune, or not enough coupons yet."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd
from scipy.stats import binom

from doe.assure.binomial import pass_rate_high
from doe.assure.comparison.equivalence import Equivalence, HandCode, compare_hand, coupons_for_means
from doe.assure.comparison.plan import (
    NonInferiority,
    Pairs,
    RateDifference,
    non_inferior_pairs,
    non_inferior_separate,
    paired_difference,
    separate_difference,
    strokes_for_rates,
)
from doe.assure.comparison.staged import (
    Stage,
    StagedVerdict,
    StageVerdict,
    judge_pairs,
    staged_chances,
    worst_false_alarm,
)
from doe.assure.confirmation.allocation import CORNER_COUPONS, SETPOINT
from doe.assure.confirmation.verdict import CornerResult, coupon_states, judge_corner
from doe.domain.errors import InputError
from doe.domain.finding import Finding, Value
from doe.domain.outcome import hand_columns
from doe.domain.plan_kinds import OPEN_VERDICTS
from doe.domain.spec import Spec

ComparisonVerdict = Literal["same recipe holds", "retune", "not enough coupons yet"] | StageVerdict

Code = (
    HandCode
    | Literal[
        # why the verdict is what it is
        "worse",
        "slightly_worse",
        "misses_rate",
        "softer",
        "stiffer",
        "edge_broken",
        "rate_shown",
        "hand_alike",
        "edge_held",
        "edge_forgiven",
        # what keeps it open
        "in_use_misses_rate",
        "checks_waiting",
        "rate_doubtful",
        "rate_open",
        "rate_waiting",
        "hand_too_near",
        "hand_open",
        "hand_unscored",
        "window_in_doubt",
        "edge_doubtful",
        "edge_still_doubtful",
        # what makes it doubtful
        "in_use_fails",
        "made_apart",
        "edges_untested",
        # in stages: why, what keeps it open
        "pairs_counted",
        "may_hide",
        "enough_worse",
        "line_in_question",
        "hand_so_far",
        "pairs_waiting",
        "pairs_to_make",
        "go_on_gone",
        # scored blind, and still under way
        "kept_back",
    ]
)
"""What a comparison may find; `doe.words.comparison` says with which words."""

NEW, OLD = "new", "old"

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

    @property
    def is_paired(self) -> bool:
        """Whether more coupons are to be made in strokes that hold both materials."""
        return self.pairs is not None or not self.new_units


NOTHING_JUDGED = RateComparison(
    None,
    *(0, 0, 0, 0),
    *(1.0, 1.0),
    RateDifference(0.0, -1.0, 1.0),
    NonInferiority(0.0, 0.5, 1.0, (math.nan, math.nan)),
    is_non_inferior=False,
    is_worse=False,
)
"""Before anything is settled."""


def made_at(edge: CornerResult) -> int:
    """Coupons of one material made at an edge."""
    return edge.passed + edge.failed + edge.waiting


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
        return made_at(self.new)


@dataclass(frozen=True)
class Comparison:
    """Verdict of a comparison.

    Attributes
    ----------
    verdict : {"same recipe holds", "retune", "not enough coupons yet"}, or that of a staged comparison
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
    reasons, missing, notes : tuple of Finding
        Why the verdict is what it is, what keeps it open, what makes it doubtful; codes as in `Code`.
    staged : StagedVerdict or None
        Pairs and stage of a staged comparison; None for a full one.
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
    reasons: tuple[Finding, ...] = ()
    missing: tuple[Finding, ...] = ()
    notes: tuple[Finding, ...] = ()
    staged: StagedVerdict | None = None

    def of_rates(self, code: Code, **values: Value) -> Finding:
        """A finding about the settled units of both materials."""
        counts = {name: getattr(self.rates, name) for name in ("new_passed", "new_units", "old_passed", "old_units")}
        return Finding(code, {**counts, "assurance": 1 - self.risk, **values})

    def of_hand(self, code: Code, hand: Equivalence, **values: Value) -> Finding:
        """A finding about the difference of hand-feel."""
        limits = {"difference": hand.difference, "hand_low": hand.low, "hand_high": hand.high}
        return Finding(code, {**limits, "hand_margin": self.hand_margin, "assurance": 1 - self.risk, **values})


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
        If a material is missing at the setpoint.

    Notes
    -----
    ``same recipe holds`` asks for all of: the pass rate shown to be no worse than the margin, hand-feel shown to be
    equivalent, every tested edge held, nothing waiting. ``retune``: one of them is shown to be broken. No difference
    *found* is not the same as shown to hold.
    """
    risk = (1 - spec.assurance) / looks
    rows = _counting(frame, spec)
    here = rows[rows["role"] == SETPOINT]
    rates, waiting = _rates(here, rate_margin, risk)
    edges = tuple(_edges(rows[rows["role"] != SETPOINT], spec))
    waiting += sum(e.new.waiting for e in edges)
    hand = _hand(here, spec, hand_margin, risk)
    found = Comparison("not enough coupons yet", rates, hand, edges, waiting, 0, rate_margin, hand_margin, risk)
    broken = _broken(found, spec)
    missing, more = _missing(found, spec)
    found = replace(found, reasons=(*broken, *_held(found)), notes=_notes(found, spec))
    if broken or not missing:
        return replace(found, verdict="retune" if broken else "same recipe holds")
    return replace(found, more_units=more, missing=missing)


def compare_in_stages(
    frame: pd.DataFrame, spec: Spec, stages: Sequence[Stage], *, rate: float, hand_margin: float = 0.5
) -> Comparison:
    """Judge a staged comparison: few pairs at the setpoint by a rule fixed before.

    Parameters
    ----------
    frame, spec, hand_margin
        As `compare_materials` takes them; strokes are pairs, in the order of their numbers.
    stages : sequence of Stage
    rate : float
        Pass rate that the recipe says.

    Raises
    ------
    InputError
        If a material is missing at the setpoint.

    Notes
    -----
    Hand-feel decides nothing here, but *go on carefully* waits for it where it is asked for, and is not said where the
    difference is shown to be larger than its margin. So it comes out less often than the rule's chances say.
    """
    found = compare_materials(frame, spec, hand_margin=hand_margin, looks=len(stages))
    rows = _counting(frame, spec)
    pairs = _states_of_pairs(rows[rows["role"] == SETPOINT]).dropna().sort_index()
    staged = judge_pairs(stages, list(zip(pairs[NEW], pairs[OLD], strict=True)), spec.assurance)
    verdict, hand = staged.verdict, found.hand
    if verdict == "go on carefully" and spec.hand_min is not None:
        verdict = "waiting" if hand is None else "not settled" if hand.is_different else verdict
    staged = replace(staged, verdict=verdict, hides=staged.hides if verdict == "go on carefully" else None)
    return replace(
        found,
        verdict=verdict,
        staged=staged,
        waiting=staged.waiting,
        more_units=staged.missing if verdict == "more pairs" else 0,
        reasons=tuple(_staged_reasons(found, staged, stages, rate, spec.assurance)),
        missing=tuple(_staged_missing(staged)),
    )


def kept_back(found: Comparison) -> Comparison:
    """The same without what was scored so far, while it is open and checks wait: whoever scores blind may read it."""
    if found.verdict not in OPEN_VERDICTS or not found.waiting:
        return found
    told = found.staged
    if told is not None:
        told = replace(told, pairs=0, only_new=0, only_old=0, both=0, may_go_on=True)
    return replace(
        found,
        rates=NOTHING_JUDGED,
        hand=None,
        edges=(),
        more_units=0,
        reasons=(),
        missing=(*(m for m in found.missing if m.code in ("checks_waiting", "pairs_waiting")), Finding("kept_back")),
        notes=(),
        staged=told,
    )


def _staged_reasons(
    found: Comparison, staged: StagedVerdict, stages: Sequence[Stage], rate: float, assurance: float
) -> Iterator[Finding]:
    stage, hand = stages[staged.stage - 1], found.hand
    counts = {name: getattr(staged, name) for name in ("pairs", "only_new", "only_old", "both")}
    if staged.pairs:
        yield Finding("pairs_counted", counts)
    if staged.hides is not None:
        yield Finding("may_hide", {"hides": staged.hides, "assurance": assurance})
    if staged.verdict == "clearly worse":
        alike = staged_chances(stages, 1 - rate, 1 - rate).worse
        told = {"least": stage.worse, "pairs": stage.pairs, "alike": alike, "alarm": worst_false_alarm(stages)}
        yield Finding("enough_worse", told)
    if staged.verdict == "line first":
        yield Finding("line_in_question", {"pairs": stage.pairs, "most": stage.in_use})
    if hand is not None:
        yield _felt_apart(found, hand) if hand.is_different else found.of_hand("hand_so_far", hand)


def _staged_missing(staged: StagedVerdict) -> Iterator[Finding]:
    if staged.verdict not in ("waiting", "more pairs"):
        return
    if staged.waiting:
        yield Finding("pairs_waiting", {"waiting": staged.waiting})
    elif staged.verdict == "waiting":
        yield Finding("hand_unscored")
    else:
        yield Finding("pairs_to_make", {"missing": staged.missing})
    if not staged.may_go_on:
        yield Finding("go_on_gone")


def _counting(frame: pd.DataFrame, spec: Spec) -> pd.DataFrame:
    """Rows that count, with role and state filled in.

    Raises
    ------
    InputError
        If one of the materials has no coupon at the setpoint.
    """
    rows = frame[frame["void"].fillna("").astype(str).eq("")] if "void" in frame.columns else frame
    rows = rows.reset_index(drop=True)
    role = rows["role"] if "role" in rows.columns else SETPOINT
    rows = rows.assign(role=role, state=coupon_states(rows, spec.checks))
    for material in (NEW, OLD):
        if not rows.loc[rows["role"] == SETPOINT, "material"].eq(material).any():
            raise InputError(
                "comparison",
                f"no coupon of the {material} material at the setpoint",
                "both materials at the setpoint",
                "Make them side by side in the same strokes.",
            )
    return rows


def _rates(here: pd.DataFrame, margin: float, risk: float) -> tuple[RateComparison, int]:
    """Paired by stroke wherever strokes held both materials; the number of units waiting."""
    wide = _states_of_pairs(here)
    both = wide.dropna()
    paired = len(both) > 0 and len(both) >= len(wide) / 2
    settled = both if paired else wide
    waits = settled == "waiting"
    waiting = int((waits.any(axis=1) if paired else waits).to_numpy().sum())
    settled = settled[~waits.any(axis=1)] if paired else settled.mask(waits)
    new, old = settled[NEW].dropna(), settled[OLD].dropna()
    if not (len(new) and len(old)):
        return NOTHING_JUDGED, waiting
    counts = (int((new == "passed").sum()), len(new), int((old == "passed").sum()), len(old))
    pairs = None
    if paired:
        good, good_old = new == "passed", old == "passed"
        ways = ((good, good_old), (good, ~good_old), (~good, good_old), (~good, ~good_old))
        pairs = Pairs(*(int((one & other).sum()) for one, other in ways))
        limits, test = paired_difference(pairs, 1 - 2 * risk), non_inferior_pairs(pairs, margin=margin)
    else:
        limits, test = separate_difference(*counts, 1 - 2 * risk), non_inferior_separate(*counts, margin=margin)
    new_high, old_high = (pass_rate_high(int((s != "failed").sum()), len(s), 1 - risk) for s in (new, old))
    is_shown, is_worse = test.p_exact <= risk, limits.high < 0
    return RateComparison(pairs, *counts, new_high, old_high, limits, test, is_shown, is_worse), waiting


def _states_of_pairs(here: pd.DataFrame) -> pd.DataFrame:
    """State of both materials stroke by stroke: one column a material, missing where a stroke held one only."""
    strokes = here["stroke"] if "stroke" in here.columns else here.index
    states = here.assign(stroke=strokes).groupby(["stroke", "material"], sort=False)["state"].agg(_unit_state)
    return states.unstack("material")  # noqa: PD010


def _unit_state(states: pd.Series) -> str:
    """State of one material's coupons in one stroke: all passed, all failed, mixed, or waiting."""
    if (states == "failed").any():
        return "failed" if (states == "failed").all() else "mixed"
    return "passed" if (states == "passed").all() else "waiting"


def _edges(rows: pd.DataFrame, spec: Spec) -> Iterator[EdgeComparison]:
    for role, part in rows.groupby("role", sort=True):
        new, old = (part[part["material"] == m] for m in (NEW, OLD))
        if len(new):
            yield EdgeComparison(judge_corner(role, new, spec), judge_corner(role, old, spec) if len(old) else None)


def _hand(here: pd.DataFrame, spec: Spec, margin: float, risk: float) -> Equivalence | None:
    """Equivalence of hand-feel; None where nobody asks for it, or one of the materials is hardly scored."""
    scored = here[hand_columns(here)].notna().any(axis=1)
    fewest = min(int((scored & (here["material"] == m)).sum()) for m in (NEW, OLD))
    return None if spec.hand_min is None or fewest < 2 else compare_hand(here, margin=margin, alpha=risk)


def _of_edge(code: Code, edge: EdgeComparison, **values: Value) -> Finding:
    new = edge.new
    return Finding(code, {"role": new.role, "passed": new.passed, "failed": new.failed, "made": edge.made, **values})


def _broken(found: Comparison, spec: Spec) -> tuple[Finding, ...]:
    """What shows that the new material does not do."""
    rates, hand = found.rates, found.hand
    said = []
    if rates.is_worse and not rates.is_non_inferior:
        drop = -rates.limits.high
        said.append(found.of_rates("worse" if round(drop, 8) >= 0.01 else "slightly_worse", least_drop=drop))
    elif rates.new_high < spec.pass_rate <= rates.old_high:
        said.append(found.of_rates("misses_rate", wanted=spec.pass_rate, new_high=rates.new_high))
    if hand is not None and hand.is_different:
        said.append(_felt_apart(found, hand))
    broken = (e for e in found.edges if e.new.verdict == "not held" and not e.window_in_doubt)
    return (*said, *(_of_edge("edge_broken", edge) for edge in broken))


def _felt_apart(found: Comparison, hand: Equivalence) -> Finding:
    """That hand-feel is shown to differ by more than its margin."""
    least = min(abs(hand.low), abs(hand.high))
    code: Code = "softer" if hand.difference > 0 else "stiffer"
    return found.of_hand(code, hand, hand_apart=abs(hand.difference), hand_least=least)


def _held(found: Comparison) -> tuple[Finding, ...]:
    """What is shown to hold."""
    rates, hand = found.rates, found.hand
    said = []
    if rates.is_non_inferior:
        said.append(found.of_rates("rate_shown", rate_margin=found.rate_margin, p_exact=rates.test.p_exact))
    if hand is not None and hand.is_equivalent:
        said.append(found.of_hand("hand_alike", hand))
    held = (edge for edge in found.edges if edge.new.verdict == "held")
    return (*said, *(_of_edge("edge_forgiven" if edge.new.failed else "edge_held", edge) for edge in held))


def _missing(found: Comparison, spec: Spec) -> tuple[tuple[Finding, ...], int]:
    """What keeps the verdict open, and how many more units would probably settle it."""
    rates, hand = found.rates, found.hand
    said = []
    more = [0]
    if rates.old_high < spec.pass_rate:
        said.append(found.of_rates("in_use_misses_rate", wanted=spec.pass_rate))
    if found.waiting:
        said.append(Finding("checks_waiting", {"units": found.waiting}))
    if not rates.is_non_inferior and (rates.new_units or not found.waiting):
        needed, drop = _units_for_rates(found), -rates.limits.low
        if needed is None:
            said.append(found.of_rates("rate_doubtful"))
        elif found.waiting:
            said.append(found.of_rates("rate_waiting", most_drop=drop))
        else:
            more.append(max(needed - min(rates.new_units, rates.old_units), 1))
            said.append(found.of_rates("rate_open", most_drop=drop, further=more[-1], paired=rates.is_paired))
    if hand is not None and not hand.is_equivalent and not hand.is_different:
        units = _units_for_hand(found, hand)
        if units is None:
            said.append(found.of_hand("hand_too_near", hand))
        else:
            more.append(units)
            said.append(found.of_hand("hand_open", hand, further=units, paired=rates.is_paired))
    for edge in found.edges:
        if edge.window_in_doubt and edge.old is not None:
            said.append(_of_edge("window_in_doubt", edge, old_failed=edge.old.failed, old_made=made_at(edge.old)))
        elif edge.new.verdict == "doubtful":
            said.append(_of_edge("edge_doubtful" if edge.made < 2 * CORNER_COUPONS else "edge_still_doubtful", edge))
    if hand is None and spec.hand_min is not None:
        said.append(Finding("hand_unscored"))
    return tuple(said), max(more)


def _units_for_rates(found: Comparison) -> int | None:
    """Units in all that would show it with probability 0.8, both being alike; None when new looks clearly worse."""
    rates, margin = found.rates, found.rate_margin
    if rates.new_units and rates.limits.difference < -margin:
        return None
    # both alike: their common rate, a little drawn in so that few coupons do not promise too much
    passed, units = rates.new_passed + rates.old_passed, rates.new_units + rates.old_units
    rate = min((passed + 1) / (units + 2), 0.98) if units else 0.95
    return strokes_for_rates(rate, margin=margin, alpha=found.risk, power=0.80, paired=rates.is_paired)


def _units_for_hand(found: Comparison, hand: Equivalence) -> int | None:
    """Further units for equivalent hand-feel, from the standard error so far; None if the difference is too large."""
    room = found.hand_margin - abs(hand.difference)
    if room <= found.hand_margin / 4:
        return None
    have = max(min(found.rates.new_units, found.rates.old_units), 2)
    sd = max(hand.se * math.sqrt(have), 1e-3)
    needed = coupons_for_means("non-inferiority", room, sd=sd, alpha=found.risk, power=0.80, paired=True)
    return max(needed - have, 1)


def _notes(found: Comparison, spec: Spec) -> tuple[Finding, ...]:
    """What makes the verdict doubtful."""
    rates = found.rates
    said = []
    failed = rates.old_units - rates.old_passed
    chance = binom.sf(failed - 1, rates.old_units, 1 - spec.pass_rate) if failed else 1.0
    if chance < SURPRISE:
        said.append(
            Finding(
                "in_use_fails",
                {"failed": failed, "made": rates.old_units, "wanted": spec.pass_rate, "chance": chance},
            )
        )
    if rates.pairs is None and rates.new_units:
        said.append(Finding("made_apart"))
    if not found.edges:
        said.append(Finding("edges_untested"))
    batches = () if found.hand is None else found.hand.notes
    return (*said, *(note for note in batches if note.code in ("batches_of_its_own", "batches_inseparable")))
