"""What a plan costs, what it can tell and what it cannot, before any coupon is made."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.domain.coding import code
from doe.domain.stack import DEFAULT_LINE, Line
from doe.domain.study import Study
from doe.plans.confusion import Confusion, confusion
from doe.plans.effects import ALPHA, BATCH_RATIO, POWER, Effect, main_effects
from doe.plans.model import MODEL_LABELS, Model
from doe.plans.plan import KIND_LABELS, Plan
from doe.plans.settle import machine_of
from doe.plans.timing import CURE_HANDLING_MIN, PRESS_HANDLING_MIN, Hours, hours_at_machines
from doe.plans.variance import Precision, precision

USUAL_STEP_DEGC = 10.0
"""Least step between temperature levels where the uncertainty of the machine is not known (common practice, no
source)."""

_MODELS: tuple[Model, ...] = ("quadratic", "interactions", "main")


@dataclass(frozen=True)
class PlanJudgement:
    """A plan's price and worth.

    Attributes
    ----------
    kind, label : str
    coupons, garments, strokes, rounds : int
    hours : float
        At the machines: settling, curing, pressing and handling, for one person.
    time : Hours
        The same in its parts, in minutes.
    hours_random : float
        The same coupons in a fully random order.
    oven_changes, press_changes : float
        Changes of a hard-to-change setting.
    settle_minutes, settle_minutes_random : float
        Both machines, in the order of the plan, and on average in a fully random order.
    resolution : int or None
        Of a two-level plan; None without aliases, or for a plan with more levels.
    alias_chains : tuple of str
        Complete chains of a two-level plan, such as ``cure_temp = cure_time × press_temp × dwell``.
    alias_sentences : tuple of str
        Which main effects and two-factor interactions cannot be told apart, in words.
    model : {"main", "interactions", "quadratic"}
        The richest model the coupons can carry; precision is that of this model.
    quadratic, interactions : Precision
        ``rank`` of ``terms`` says how much of each model can be estimated.
    precision : Precision
        Of ``model``.
    effects : tuple of Effect
        Smallest effects likely seen, a factor at a time, in residual standard deviations.
    smallest_effect : float
        The largest of these over the factors: an effect of this size is likely seen whichever factor has it.
    warnings, can_tell, cannot_tell, assumptions : tuple of str
        Full sentences.
    """

    kind: str
    label: str
    coupons: int
    garments: int
    strokes: int
    rounds: int
    hours: float
    time: Hours
    hours_random: float
    oven_changes: float
    press_changes: float
    settle_minutes: float
    settle_minutes_random: float
    resolution: int | None
    alias_chains: tuple[str, ...]
    alias_sentences: tuple[str, ...]
    model: Model
    quadratic: Precision
    interactions: Precision
    precision: Precision
    effects: tuple[Effect, ...]
    smallest_effect: float
    warnings: tuple[str, ...]
    can_tell: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    assumptions: tuple[str, ...]


def judge_plan(plan: Plan, *, line: Line = DEFAULT_LINE) -> PlanJudgement:
    """Judge a plan of any number of rounds on a line.

    Parameters
    ----------
    plan : Plan
    line : Line
        Its settle minutes price the changes, the uncertainty of its machines the steps between temperatures.
    """
    study, coupons = plan.study, plan.coupons
    time = hours_at_machines(study, coupons, line)
    models = {model: precision(study, coupons, model) for model in _MODELS}
    richest = _richest(models, len(coupons), plan.rounds)
    aliases = confusion(study, coupons)
    effects = main_effects(study, coupons, richest)
    return PlanJudgement(
        kind=plan.kind,
        label=KIND_LABELS.get(plan.kind, plan.kind),
        coupons=len(coupons),
        garments=int(coupons["garment"].nunique()),
        strokes=int(coupons["stroke"].nunique()),
        rounds=plan.rounds,
        hours=time.minutes / 60,
        time=time,
        hours_random=time.random_minutes / 60,
        oven_changes=time.oven_changes,
        press_changes=time.press_changes,
        settle_minutes=time.settle_oven + time.settle_press,
        settle_minutes_random=time.random_settle_oven + time.random_settle_press,
        resolution=aliases.resolution,
        alias_chains=aliases.chains,
        alias_sentences=aliases.sentences,
        model=richest,
        quadratic=models["quadratic"],
        interactions=models["interactions"],
        precision=models[richest],
        effects=effects,
        smallest_effect=max(e.smallest for e in effects),
        warnings=(*step_warnings(study, coupons, line), *_leverage_warnings(coupons, models[richest])),
        can_tell=_can_tell(study, coupons, models, effects),
        cannot_tell=_cannot_tell(study, coupons, models, aliases, effects),
        assumptions=_assumptions(richest),
    )


def _richest(models: dict[Model, Precision], coupons: int, rounds: int) -> Model:
    """The richest model whose every term is estimated and that leaves two degrees of freedom for error."""
    for model in _MODELS:
        found = models[model]
        if found.rank == found.terms and coupons >= found.terms + rounds - 1 + 2:
            return model
    return "main"


def step_warnings(study: Study, coupons: pd.DataFrame, line: Line) -> tuple[str, ...]:
    """Neighbouring temperature levels that lie closer together than the machine can be trusted to.

    A step must be at least twice the expanded uncertainty U (k = 2) of the machine; without a known U, 10 degC.
    """
    found = []
    for f in study.numeric:
        if not f.is_temperature:
            continue
        machine = machine_of(line, f.stage or "press")
        levels = np.unique(coupons[f.name].to_numpy(dtype=float))
        if len(levels) < 2:
            continue
        step = float(np.diff(levels).min())
        if machine.uncertainty_degc is None:
            if step < USUAL_STEP_DEGC:
                found.append(
                    f"{f.label}: neighbouring levels are only {step:g} °C ({step * 1.8:g} °F) apart, and the "
                    f"uncertainty of {machine.name} is not known. Measure it, or keep at least "
                    f"{USUAL_STEP_DEGC:g} °C ({USUAL_STEP_DEGC * 1.8:g} °F)."
                )
        elif step < 2 * machine.uncertainty_degc:
            least = 2 * machine.uncertainty_degc
            found.append(
                f"{f.label}: neighbouring levels are {step:g} °C ({step * 1.8:g} °F) apart, less than twice the "
                f"uncertainty of {machine.name} ({least:g} °C, {least * 1.8:g} °F): they may not differ in truth."
            )
    return tuple(found)


def _leverage_warnings(coupons: pd.DataFrame, found: Precision) -> tuple[str, ...]:
    alone = coupons["coupon"].to_numpy()[found.leverage > 1 - 1e-6]
    if not len(alone):
        return ()
    shown = ", ".join(map(str, alone[:5])) + (" ..." if len(alone) > 5 else "")
    return (
        f"The fit of the {MODEL_LABELS[found.model]} follows {shown} whatever the result is: "
        "a mistake there cannot be noticed.",
    )


def _can_tell(
    study: Study, coupons: pd.DataFrame, models: dict[Model, Precision], effects: tuple[Effect, ...]
) -> tuple[str, ...]:
    found = []
    if models["main"].rank == models["main"].terms and any(math.isfinite(e.smallest) for e in effects):
        sizes = [(study.factor(e.factor).label, e.smallest) for e in effects if math.isfinite(e.smallest)]
        found.append(
            "Which factors matter: likely seen are main effects, in residual standard deviations, of "
            f"{', '.join(f'{size:.1f} for {label}' for label, size in sizes)} "
            f"(power {POWER:g}, two-sided level {ALPHA:g})."
        )
    if models["interactions"].rank == models["interactions"].terms:
        found.append("Which pairs of factors act together: every two-factor interaction has an estimate of its own.")
    if models["quadratic"].rank == models["quadratic"].terms:
        found.append("Where the best settings lie inside the ranges: each factor may bend.")
    elif _sees_curvature(study, coupons):
        found.append("Whether the response bends at all between the ends of the ranges.")
    if (coupons["role"] == "repeat centre").sum() >= 2:
        found.append(
            "Drift over the round, if it is large: a centre coupon is made first and last, and the errors of their "
            "batches stand between them."
        )
    for stage, machine in (("cure", "oven"), ("press", "press")):
        names = [f.name for f in study.factors if f.stage == stage and f.hard_to_change]
        first = coupons.drop_duplicates(f"{stage}_batch")
        repeats = len(first) - (len(first.drop_duplicates(names)) if names else 1)
        if repeats > 0:
            found.append(
                f"Batch-to-batch error at the {machine}: {repeats} repeated "
                f"{'batch' if repeats == 1 else 'batches'} of a setting."
            )
    return tuple(found)


def _sees_curvature(study: Study, coupons: pd.DataFrame) -> bool:
    """Whether some numeric factor takes a value clearly between the ends."""
    return any((np.abs(code(f, coupons[f.name].to_numpy(dtype=float))) < 0.9).any() for f in study.numeric)


def _cannot_tell(
    study: Study,
    coupons: pd.DataFrame,
    models: dict[Model, Precision],
    aliases: Confusion,
    effects: tuple[Effect, ...],
) -> tuple[str, ...]:
    found = list(aliases.sentences)
    found += [
        f"Anything about {f.label}: every coupon has the same setting of it, its range is narrower than a machine step."
        for f in study.factors
        if len(coupons[f.name].unique()) == 1
    ]
    quadratic = models["quadratic"]
    if quadratic.rank < quadratic.terms:
        if _sees_curvature(study, coupons):
            found.append(
                "Which factor bends: curvature is seen for some factors together, so the best settings inside the "
                f"ranges are not located ({quadratic.rank} of {quadratic.terms} terms of the full quadratic)."
            )
        else:
            found.append("Whether the response bends: there is no coupon between the ends of the ranges.")
    elif len(coupons) < quadratic.terms + 3:
        found.append("How well the full quadratic fits: nearly every coupon is used up by its terms.")
    blind = [study.factor(e.factor).label for e in effects if not math.isfinite(e.smallest)]
    if blind:
        found.append(f"The main effect of {' or '.join(blind)} from chance: nothing is left over to judge it by.")
    found.append(
        "Smaller effects than those, or effects of that size from pass or fail alone: such a result says less than a "
        "score."
    )
    found.append(
        f"A pass rate by counting: {len(coupons)} coupons at different settings locate a window, confirmation "
        "coupons at the chosen settings prove it."
    )
    return tuple(found)


def _assumptions(model: Model) -> tuple[str, ...]:
    return (
        f"Handling: {CURE_HANDLING_MIN:g} minutes a coupon at the oven and {PRESS_HANDLING_MIN:g} at the press "
        "(common practice, no source).",
        "One person, one film or one stroke at a time; warming up from cold, washing and scoring are not counted. "
        "Times that are neither varied nor held: cure 150 s, dwell 15 s, wait before peel 10 s, second press 7 s "
        "(common practice, no source).",
        f"Precision and smallest effects are those of the {MODEL_LABELS[model]} for a response that is a number, with "
        f"a batch-to-batch variance at each machine of {BATCH_RATIO:g} times the coupon-to-coupon variance "
        "(common practice, no source).",
    )
