"""Making a plan, adding a round to it."""

from __future__ import annotations

from typing import SupportsIndex

import numpy as np
import pandas as pd

from doe.domain.coding import round_settings
from doe.domain.errors import InputError, InputErrors, check_seed
from doe.domain.finding import Finding
from doe.domain.masks import is_forbidden
from doe.domain.stack import DEFAULT_LINE, Line
from doe.domain.study import Study
from doe.plans.classical import CLASSICAL, check_kind, classical_points, sizes
from doe.plans.decisions import winner
from doe.plans.notes import note, order_notes
from doe.plans.optimal import Criterion, optimal_points
from doe.plans.order import order_round
from doe.plans.plan import KINDS, ORDERS, REPEAT_CENTRE, Plan, columns
from doe.plans.points import Points, centre_points, coded_of, forbidden_points, settings_of, stack_points
from doe.plans.spread import spread_points
from doe.plans.variance import term_names

LEAST_OPTIMAL = 12


def choose_points(
    study: Study, kind: str, coupons: int, rng: np.random.Generator
) -> tuple[Points, str, tuple[Finding, ...]]:
    """Points of a plan, the kind it turned out to be, and notes. At least two points have the role ``centre``.

    Raises
    ------
    InputError
        If the kind does not exist in this size for this study.
    """
    notes: tuple[Finding, ...] = ()
    if kind == "auto":
        kind, why = suitable_kind(study, coupons)
        notes = (why,)
    if kind in CLASSICAL:
        points, more = classical_points(study, kind, coupons)
        return _check_centre(study, points), kind, (*notes, *more)
    if coupons < LEAST_OPTIMAL:
        raise InputError(
            "coupons",
            coupons,
            f"{LEAST_OPTIMAL} or more for an optimal plan",
            "Make more coupons, or choose a two-level plan for a first look.",
        )
    centre = _check_centre(study, centre_points(study, optimal_centre(coupons)))
    if kind == "spread":
        return stack_points([spread_points(study, coupons - len(centre), rng, fixed=centre), centre]), kind, notes
    criterion: Criterion = "D" if kind == "d-optimal" else "I"
    free = optimal_points(study, coupons - len(centre), rng, criterion=criterion, fixed=centre)
    terms = len(term_names(study, "quadratic"))
    if coupons < terms:
        notes = (*notes, note("fewer coupons than terms", coupons=coupons, terms=terms))
    return stack_points([free, centre]), kind, notes


def optimal_centre(coupons: int) -> int:
    """Centre coupons that are always part of an optimal plan: two for drift, more for a look at pure error."""
    return 2 if coupons < 16 else 3


def _check_centre(study: Study, points: Points) -> Points:
    """The centre points, where they may be made.

    Raises
    ------
    InputError
        If the middle of the ranges is forbidden.
    """
    if forbidden_points(study, points.coded, points.levels).any():
        raise InputError(
            "forbidden combinations",
            "no allowed settings near the centre of the ranges",
            "a region with room in it",
            "Narrow the ranges, or correct the forbidden combinations.",
        )
    return points


def suitable_kind(study: Study, coupons: int) -> tuple[str, Finding]:
    """Kind that suits this many coupons, with the reason: what led to the best setpoints on simulated lines.

    Where as many factors and about as many coupons were tried over ranges as wide, the kind that `decisions.winner`
    names is taken, else the one that `usual_kind` gives.

    Raises
    ------
    InputError
        If no kind has so few coupons.
    """
    kind, why = usual_kind(study, coupons)
    if study.forbidden or coupons < LEAST_OPTIMAL:  # neither was tried
        return kind, why
    possible = [k for k in KINDS if (fits(study, k, coupons) if k in CLASSICAL else k != "auto")]
    best = winner(study, coupons, possible, kind)
    if best is None or best.kind == kind:
        return kind, why
    return best.kind, note("chosen as tried", kind=best.kind, coupons=best.coupons, wide=best.wide)


def usual_kind(study: Study, coupons: int) -> tuple[str, Finding]:
    """Kind for this many coupons where nothing was tried, with the reason.

    The response is expected to bend (too little heat and too much both fail), so a plan that can carry the full
    quadratic is preferred: a face-centred composite where one fits exactly, else an optimal plan. Fewer coupons are
    spread out: on simulated lines that led to better setpoints than a two-level plan (results of `plan_kinds`).
    Below `LEAST_OPTIMAL` a two-level plan with centre coupons is a first look. One setting alone is spread out: three
    places of it would say little of where it begins to fail.

    Raises
    ------
    InputError
        If no kind has so few coupons.
    """
    terms = len(term_names(study, "quadratic"))
    if len(study.numeric) == 1 and coupons >= LEAST_OPTIMAL:
        return "spread", note("chosen as one setting", coupons=coupons)
    special = bool(study.forbidden or study.categorical)
    if not special and fits(study, "composite", coupons):
        return "composite", note("chosen as composite", coupons=coupons)
    if coupons >= LEAST_OPTIMAL and (special or coupons >= terms + 2):
        return "optimal", note(
            "chosen as optimal",
            coupons=coupons,
            room_for_terms=terms if coupons >= terms + 2 else None,
            named_factors=bool(study.categorical),
            forbidden=bool(study.forbidden),
        )
    if coupons >= LEAST_OPTIMAL:
        return "spread", note("chosen as spread out", coupons=coupons, terms=terms)
    for kind in ("full", "half", "quarter"):
        if fits(study, kind, coupons):
            return kind, note("chosen as a first look", coupons=coupons, terms=terms, kind=kind)
    allowed = {kind: sizes(study, kind)[0] for kind in CLASSICAL if _exists(study, kind)}
    least = min((low for low, _ in allowed.values()), default=LEAST_OPTIMAL)
    raise InputError(
        "coupons",
        coupons,
        f"{min(least, LEAST_OPTIMAL)} or more for these factors",
        "Make more coupons, or hold a factor constant.",
    )


def fits(study: Study, kind: str, coupons: int) -> bool:
    """Whether a classical plan of this kind exists with exactly this many coupons in one copy of its points."""
    return _exists(study, kind) and any(low <= coupons <= high for low, high in sizes(study, kind))


def _exists(study: Study, kind: str) -> bool:
    try:
        check_kind(study, kind)
    except InputError:
        return False
    return True


LEAST_COUPONS, MOST_COUPONS = 4, 200


LEAST_WITH_CENTRE = 6


def make_plan(
    study: Study,
    *,
    coupons: int = 20,
    kind: str = "auto",
    seed: int = 0,
    line: Line = DEFAULT_LINE,
    order: str = "batched",
) -> Plan:
    """Plan of this many coupons for a study, in an order a person can run.

    Centre coupons are part of every plan; one is made first and one last, to see drift.

    Parameters
    ----------
    study : Study
    coupons : int
        Exactly this many; where the kind does not exist in this size, the sizes are named.
    kind : {"auto", "half", "quarter", "full", "composite", "box-behnken", "optimal", "d-optimal"}
        ``auto`` chooses by the number of coupons and factors and the width of the ranges, and says in the notes how.
    seed : int
        The same seed gives the same plan.
    line : Line
        Its settle minutes decide the order of the batches, its coupons a stroke the strokes.
    order : {"batched", "repeated", "random"}
        ``batched`` takes the fewest settle minutes; ``repeated`` makes every machine setting in two batches, for
        surer statements about temperatures; ``random`` sets the machines anew for every coupon: the cleanest
        statistics and the longest day.

    Raises
    ------
    InputError
        If the kind, the order or the number of coupons cannot be used.

    Notes
    -----
    All settings are rounded to what the machines can be given, so a plan is balanced up to that rounding.
    """
    _check(kind, order, coupons)
    check_seed(seed)
    rng = np.random.default_rng(seed)
    points, kind, notes = choose_points(study, kind, coupons, rng)
    centre = np.flatnonzero(points.roles == "centre")
    ends = (int(centre[0]), int(centre[1]))
    roles = points.roles.astype(object)
    roles[list(ends)] = REPEAT_CENTRE
    settings = settings_of(study, points.coded, points.levels)
    frame = round_frame(
        study,
        settings,
        roles,
        rng,
        number=1,
        line=line,
        ends=ends,
        order=order,
    )
    return Plan(study, kind, seed, frame, (*notes, *order_notes(study, frame, line, order)))


def add_round(
    plan: Plan,
    settings: pd.DataFrame,
    *,
    seed: int,
    line: Line = DEFAULT_LINE,
    repeat_centre: bool = False,
    roles: tuple[str, ...] | None = None,
) -> Plan:
    """The plan with these settings as a new round: a block of its own, with its own batches and garments.

    Parameters
    ----------
    plan : Plan
    settings : DataFrame
        One row a coupon, every factor in its stored unit; rounded here to machine settings.
    seed : int
        Reproduces the order of the new round.
    line : Line
    repeat_centre : bool
        Add two centre coupons, made first and last, to see drift and the difference between the rounds.
    roles : tuple of str, optional
        Role of each row; ``chosen`` when left out.

    Raises
    ------
    InputError
        If there is no row, or a setting is outside its range, forbidden or not a level.
    """
    study = plan.study
    _check("auto", "batched", max(len(settings), LEAST_COUPONS))
    added = _checked(study, settings)
    check_seed(seed)
    rng = np.random.default_rng([seed, plan.rounds])
    role = np.array(roles or ["chosen"] * len(added), dtype=object)
    ends = None
    if repeat_centre:
        centre = centre_points(study, 2)
        added = pd.concat([added, settings_of(study, centre.coded, centre.levels)], ignore_index=True)
        role = np.concatenate([role, np.array([REPEAT_CENTRE] * 2, dtype=object)])
        ends = (len(added) - 2, len(added) - 1)
    elif (role == REPEAT_CENTRE).sum() == 2:
        first, last = np.flatnonzero(role == REPEAT_CENTRE)
        ends = (int(first), int(last))
    number = plan.rounds + 1
    frame = round_frame(
        study,
        added,
        role,
        rng,
        number=number,
        line=line,
        ends=ends,
        order="batched",
    )
    notes = tuple(note.also(round=number) for note in order_notes(study, frame, line, "batched"))
    for name in ("cure_batch", "press_batch", "garment", "stroke"):
        frame[name] += int(plan.coupons[name].max())
    frame = pd.concat([plan.coupons[columns(study)], frame], ignore_index=True)
    return Plan(study, plan.kind, plan.seed, frame, (*plan.notes, *notes))


def augment_plan(plan: Plan, *, coupons: int, seed: int, line: Line = DEFAULT_LINE) -> Plan:
    """The plan with one more round of this many coupons, placed to predict best together with all earlier ones.

    The new round is a block: it may differ from the earlier ones as a whole. From six coupons on, two of them are
    centre coupons, made first and last.

    Parameters
    ----------
    plan : Plan
    coupons : int
        Coupons of the new round.
    seed : int
    line : Line

    Raises
    ------
    InputError
        If there is no coupon to add.

    Notes
    -----
    Results are not looked at. With results in hand, coupons placed toward the likely window tell more.
    """
    if not 1 <= coupons <= MOST_COUPONS:
        raise InputError("coupons", coupons, f"1 to {MOST_COUPONS}", "Say how many test transfers there can be.")
    study = plan.study
    check_seed(seed)
    rng = np.random.default_rng([seed, plan.rounds, 1])
    centre = centre_points(study, 2 if coupons >= LEAST_WITH_CENTRE else 0)
    coded, levels = coded_of(study, plan.coupons)
    earlier = coded, levels, plan.coupons["round"].to_numpy(dtype=int)
    free = optimal_points(study, coupons - len(centre), rng, fixed=centre, earlier=earlier)
    points = stack_points([free, centre])
    roles = ("chosen",) * len(free) + (REPEAT_CENTRE,) * len(centre)
    return add_round(plan, settings_of(study, points.coded, points.levels), seed=seed, line=line, roles=roles)


def round_frame(
    study: Study,
    settings: pd.DataFrame,
    roles: np.ndarray,
    rng: np.random.Generator,
    *,
    number: int,
    line: Line,
    ends: tuple[int, int] | None,
    order: str,
) -> pd.DataFrame:
    """Coupons of one round in order, as in `Plan.coupons`; batches, strokes and garments are numbered from 1."""
    queue = order_round(study, settings, line, rng, ends=ends, order=order)
    frame = pd.concat([settings.reset_index(drop=True), queue], axis=1)
    frame["round"], frame["role"] = number, roles.astype(str)
    frame = frame.sort_values("cure_order", ignore_index=True)
    width = max(2, len(str(len(frame))))
    frame["coupon"] = [f"R{number}-{i:0{width}d}" for i in frame["cure_order"]]
    return frame[columns(study)]


def _check(kind: str, order: str, coupons: int) -> None:
    """Refuse what no plan can be made of.

    Raises
    ------
    InputError
        If the kind, the order or the number of coupons cannot be used.
    """
    if kind not in KINDS:
        raise InputError("plan", repr(kind), ", ".join(KINDS), "Choose one of these.")
    if order not in ORDERS:
        raise InputError("order", repr(order), ", ".join(ORDERS), "Choose one of these.")
    if not isinstance(coupons, SupportsIndex) or not LEAST_COUPONS <= coupons.__index__() <= MOST_COUPONS:
        raise InputError(
            "coupons", coupons, f"{LEAST_COUPONS} to {MOST_COUPONS}", "Say how many test transfers there can be."
        )


def _checked(study: Study, settings: pd.DataFrame) -> pd.DataFrame:
    """Settings of a new round, rounded; every bad row is named at once.

    Raises
    ------
    InputError
        If there is no row, or a factor has no column.
    InputErrors
        If settings cannot be made, every bad row named.
    """
    missing = [name for name in study.factor_names if name not in settings]
    if missing or not len(settings):
        raise InputError(
            "settings of the round",
            ", ".join(missing) or "no row",
            "one row a coupon with every factor",
            "Give a setting for each factor.",
        )
    problems: list[InputError] = []
    checked: dict[str, np.ndarray] = {}
    for f in study.factors:
        if f.is_categorical:
            values = settings[f.name].astype(str).to_numpy(dtype=object)
            bad = ~np.isin(values.astype(str), f.levels)
            allowed = ", ".join(f.levels)
        else:
            given = settings[f.name].to_numpy(dtype=float)
            bad = ~((given >= f.low - 1e-9) & (given <= f.high + 1e-9))
            values = round_settings(f, given)
            allowed = f"{f.low:g} to {f.high:g} {f.unit}"
        problems += [
            InputError(f"row {i + 1}, {f.name}", settings[f.name].iloc[i], allowed, "Stay inside the tested range.")
            for i in np.flatnonzero(bad)
        ]
        checked[f.name] = values
    frame = pd.DataFrame(checked)
    if not problems:
        problems += [
            InputError(
                f"row {i + 1}",
                ", ".join(f"{v}" for v in frame.iloc[i]),
                "settings outside the forbidden combinations",
                "Choose other settings.",
            )
            for i in np.flatnonzero(is_forbidden(study.forbidden, frame))
        ]
    if problems:
        raise InputErrors(problems)
    return frame
