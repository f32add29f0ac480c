"""Which settings matter: swings of the fitted surfaces, and the classical effects beside them."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.spec import HAND_HIGH, HAND_LOW
from doe.domain.units import fixed
from doe.surfaces.classical.batch_errors import Judged
from doe.surfaces.classical.effects import Effects, half_normal_points
from doe.surfaces.classical.firth import FirthFit
from doe.words.wording import listing, sentence, stated
from reports.study.figures import draw_effects, draw_half_normal
from reports.study.inputs import StudyReport
from reports.study.proof import headed
from reports.views import Column, PageTable, Picture, frame_csv

_POINTS = 25
_MOST = 10  # effects drawn; the table has them all

_AGREED = 0.9
"""Share of draws that must agree on the factor that decides most before it is said flatly."""

_BATCH_CAUTION = (
    "Errors that a whole oven or press batch shares are not allowed for here, so settings that were changed once a "
    "batch look surer than they are."
)

_ORDINAL_NOTE = (
    "Each coupon counts once, its people's scores averaged and rounded to quarter steps. Left out: "
    "interactions, squares and errors that a whole oven or press batch shares, so settings that were changed once a "
    "batch look surer than they are."
)

_SCALE = HAND_HIGH - HAND_LOW
"""An interval of hand-feel wider than its whole scale says nothing."""


@dataclass(frozen=True)
class Swings:
    """How far a response moves while one factor runs through its tested range, the others at the setpoint.

    ``factors`` largest first; ``middle``, ``low``, ``high`` of shape (factors,): mean and interval over the draws;
    ``first`` the share of draws in which the first factor swings most.
    """

    factors: tuple[Factor, ...]
    middle: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    first: float

    @property
    def decides(self) -> str:
        """What may be said of the first factor: only what nearly all draws agree on is said flatly."""
        return "decides most" if self.first >= _AGREED else "seems to decide most"


def swings_of(report: StudyReport) -> Swings:
    """Swing of the checks' pass rate in points of 100, setting error not added."""
    study = report.study
    share = 1 - study.spec.assurance
    swings, every = [], []
    for f in study.factors:
        values = list(f.levels) if f.is_categorical else list(np.linspace(f.low, f.high, _POINTS))
        frame = pd.DataFrame({n: [report.answer.setpoint[n]] * len(values) for n in study.factor_names})
        frame[f.name] = values
        swing = 100 * np.ptp(report.surfaces.pass_draws(frame), axis=1)
        every.append(swing)
        swings.append([swing.mean(), *np.quantile(swing, [share, 1 - share])])
    numbers = np.array(swings)
    order = np.argsort(-numbers[:, 0], kind="stable")
    middle, low, high = numbers[order].T
    first = float((np.argmax(every, axis=0) == order[0]).mean())
    return Swings(tuple(study.factors[int(i)] for i in order), middle, low, high, first)


def effect_lines(report: StudyReport) -> tuple[str, ...]:
    """What matters, in sentences."""
    swings = swings_of(report)
    checks = report.classical
    said = [
        f"{swings.factors[0].label} {swings.decides}: over its tested range, the rest at the setpoint, the pass rate "
        f"of the checks swings by about {fixed(swings.middle[0])} points ({fixed(swings.low[0])} to "
        f"{fixed(swings.high[0])})"
    ]
    if checks.curvature is not None:
        said.append(_curvature_words(checks.curvature))
    if checks.drift is not None:
        said.append(_drift_words(checks.drift))
    return tuple(sentence(line) for line in said)


def check_lines(report: StudyReport) -> tuple[str, ...]:
    """What the classical checks say in words, and what they cannot say."""
    checks = report.classical
    said = [*checks.notes]
    if checks.hand_model is not None:
        said += [f"Hand-feel model: {note[0].lower()}{note[1:]}" for note in checks.hand_model.notes]
    if checks.effects is not None:
        said += checks.effects.notes
    if checks.lack_of_fit is not None:
        lack = checks.lack_of_fit
        said.append(
            f"Lack of fit of the hand-feel model cannot be judged: {lack.note}"
            if lack.p is None
            else f"Lack of fit of the hand-feel model is {_beside_chance(lack.p)}, judged by repeats on "
            f"{lack.pure_df} degrees of freedom; few repeats miss a lot, and repeats within a batch agree too well"
        )
    if checks.shape is not None:
        shape = "saddle (up one way, down the other)" if checks.shape.shape == "saddle" else checks.shape.shape
        said.append(f"Shape of the hand-feel quadratic: {shape}")
    if checks.ordinal is not None and checks.ordinal.problem:
        said.append(f"Proportional odds of the hand-feel scores: {checks.ordinal.problem}")
    return tuple(dict.fromkeys(sentence(_in_words(line, report)) for line in said))


def _beside_chance(p: float) -> str:
    return f"{'more than chance explains' if p < 0.05 else 'no more than chance may explain'} (p {p:.2g})"


def _curvature_words(found: Judged) -> str:
    if found.estimate is None or found.p is None:
        return f"Curvature of the hand-feel: {found.note}"
    word = "above" if found.estimate < 0 else "below"
    between = ""
    if found.low is not None and found.high is not None:
        if _says_nothing(found.low, found.high):
            return f"Curvature of the hand-feel cannot be told with these batches and coupons. {found.note}"
        between = f" (corners less centre: {fixed(found.low, 1, '+')} to {fixed(found.high, 1, '+')})"
    return (
        f"Centre coupons lie {fixed(abs(found.estimate), 1)} hand-feel points {word} the corners{between}, "
        f"{_beside_chance(found.p)}. {found.note}"
    ).strip()


def _drift_words(found: Judged) -> str:
    if found.estimate is None:
        return f"Drift of the hand-feel: {found.note}"
    told = (
        "From the first coupon pressed to the last, settings being equal, the hand-feel moved by "
        f"{fixed(round(found.estimate, 1) + 0.0, 1, '+')} points"  # no minus before a zero
    )
    if found.p is None or found.low is None or found.high is None:
        return f"{told}. {found.note}"
    if _says_nothing(found.low, found.high):
        return (
            "Drift of the hand-feel from the first coupon pressed to the last cannot be told with these batches and "
            f"coupons: settings being equal, anything from {fixed(found.low, 1, '+')} to "
            f"{fixed(found.high, 1, '+')} points would fit. "
            f"{found.note}"
        )
    return (
        f"{told} ({fixed(found.low, 1, '+')} to {fixed(found.high, 1, '+')}), {_beside_chance(found.p)}. {found.note}"
    ).strip()


def _says_nothing(low: float, high: float) -> bool:
    return low <= 0 <= high and high - low > _SCALE


def _in_words(text: str, report: StudyReport) -> str:
    """Factors and batches as people call them, all in one pass: a label may hold another factor's name."""
    labels = {f.name: f.label for f in report.study.factors} | {f"{s}_batch": f"{s} batch" for s in ("cure", "press")}
    names = "|".join(sorted(labels, key=len, reverse=True))
    return re.sub(rf"(?<![a-z0-9_])({names})(?![a-z0-9_])", lambda found: labels[found[1]], text)


def effect_pictures(report: StudyReport) -> tuple[Picture, ...]:
    """Swings of the fitted surface, and the classical effects on hand-feel where the plan carries them."""
    checks = report.classical
    known = (
        (checks.effects, "hand-feel", "effects-hand"),
        (checks.pass_effects, "share that passes", "effects-pass"),
    )
    classical = (_effects_picture(report, effects, of, name) for effects, of, name in known if effects is not None)
    return (_swing_picture(report), *classical)


def _swing_picture(report: StudyReport) -> Picture:
    swings = swings_of(report)
    labels = [f.label for f in swings.factors]
    bars = pd.DataFrame({"term": labels, "effect": swings.middle, "low": swings.low, "high": swings.high})
    told = listing([f"{label} {fixed(size)} points" for label, size in zip(labels, swings.middle, strict=True)])
    return _bars(
        bars,
        "swing of the pass rate, points of 100",
        name="swings",
        title=headed(f"{labels[0]} {swings.decides}, {labels[-1]} least"),
        description=f"Swing of the pass rate over the tested range of each setting: {told}",
        caption="How far the pass rate of the checks swings while one setting runs through its tested range and the "
        f"others stay at the setpoint. Line: {stated(report.study.spec.assurance)} assurance at each end.",
    )


def _bars(bars: pd.DataFrame, axis: str, *, name: str, title: str, description: str, caption: str) -> Picture:
    return Picture(draw_effects(bars, axis, name=name, title=title, description=description), title, caption)


def _effects_picture(report: StudyReport, effects: Effects, of: str, name: str) -> Picture:
    table = effects.table.reindex(effects.table["effect"].abs().sort_values(ascending=False).index)
    scale, unit = (1.0, "points") if of == "hand-feel" else (100.0, "points of 100")
    untold: list[str] = []
    if effects.batches:  # an interval wider than the scale would make all others too small to see
        told = ((table["high"] - table["low"]) <= _SCALE).to_numpy(dtype=bool)
        untold = [_in_words(str(term), report) for term in table["term"][~told]]
        table = table[told]
    terms = [_in_words(str(term), report) for term in table["term"]]
    size = scale * table["effect"].to_numpy(dtype=float)
    if not terms:
        largest = f"No effect on the {of} can be told with these batches and coupons."
    else:
        most = f"{size[0]:+.{1 if scale == 1 else 0}f} {unit} from low to high"
        largest = sentence(
            f"Of the effects on the {of} that can be judged, {terms[0]} has the largest: {most}"
            if untold
            else f"{terms[0]} moves the {of} most: {most}"
        )
    if effects.error is None and effects.lenth is not None:
        margin, simultaneous = scale * effects.lenth.margin, scale * effects.lenth.simultaneous_margin
        out = int((np.abs(size) > margin).sum())
        title = f"{out or 'No'} effect{'s' if out != 1 else ''} on the {of} stand{'s' if out == 1 else ''} out"
        if margin == 0:  # most effects are exactly zero, as with passes and fails: no yardstick
            title = f"Effects on the {of} cannot be judged against each other"
        points = half_normal_points(size, terms)
        axis = f"size of the effect, {unit}"
        svg = draw_half_normal(
            points,
            margin=margin,
            simultaneous=simultaneous,
            axis=axis,
            name=name,
            title=title,
            description=largest,
        )
        return Picture(
            svg,
            title,
            "There is no scatter between repeats to judge by, so the effects are judged against each other "
            "(Lenth's margin): those in line with the origin look like noise. One beyond the margin may still be "
            f"chance when many are looked at. {_BATCH_CAUTION}",
        )
    bars = scale * table[["effect", "low", "high"]].astype(float)
    return _bars(
        bars.assign(term=terms)[:_MOST],
        f"change from low to high, {unit}",
        name=name,
        title=largest.rstrip("."),
        description=largest,
        caption="From the coupons at the ends of the ranges. Filled: the interval leaves out zero. Each interval holds "
        f"for one effect at a time. {_batch_words(effects)}{_untold_words(untold)}",
    )


def _batch_words(effects: Effects) -> str:
    """Whether the intervals of effects count errors that batches share."""
    if not effects.batches:
        return _BATCH_CAUTION
    batches = listing([f"{name.replace('_', ' ')}es" for name in effects.batches])
    return f"Errors that {batches} share are counted in."


def _untold_words(untold: list[str]) -> str:
    if not untold:
        return ""
    return (
        f" Not drawn, because these batches and coupons cannot tell {'it' if len(untold) == 1 else 'them'}: "
        f"{listing(untold)}."
    )


def effect_tables(report: StudyReport) -> tuple[PageTable, ...]:
    """Classical checks as tables, for those who want to recompute."""
    checks, tables = report.classical, []

    def add(caption: str, frame: pd.DataFrame, note: str = "") -> None:
        tables.append(_frame_table(frame, _in_words(caption, report), report, note))

    for effects, caption in (
        (checks.effects, "Effects on hand-feel (coupons at the ends of the ranges)"),
        (checks.pass_effects, "Effects on the share that passes (same coupons, failed ones too)"),
    ):
        if effects is not None:
            add(caption, effects.table, _batch_words(effects))
    if checks.hand_model is not None:
        add(f"Hand-feel: {checks.hand_kind} model with batch errors, coded settings", checks.hand_model.coefficients)
        add("Hand-feel: where the scatter comes from", checks.hand_model.components)
    if checks.ordinal is not None and not checks.ordinal.problem:
        add("Hand-feel scores: proportional odds, coded settings", checks.ordinal.coefficients, _ORDINAL_NOTE)
    if checks.firth is not None:
        separation, coefficients = _penalised(checks.firth)
        note = f"{sentence(_in_words(separation, report))} {_BATCH_CAUTION}".strip()
        add("Pass or fail: penalised logistic fit, a check only", coefficients, note)
    return tuple(tables)


def _penalised(fit: FirthFit) -> tuple[str, pd.DataFrame]:
    """Separation and coefficients: hundreds of searches, made here and nowhere else."""
    return str(fit.separation), fit.coefficients


_HEADS = {
    "se": "Standard error",
    "df": "Degrees of freedom",
    "ss": "Sum of squares",
    "chain": "Stands for",
    "chi2": "χ²",
    "component": "Part",
    "sd": "Standard deviation",
    "se_expected": "Standard error, expected",
}
"""Heads of columns that are not their names; a letter alone is a symbol."""


def _frame_table(frame: pd.DataFrame, caption: str, report: StudyReport, note: str) -> PageTable:
    columns = [str(c) for c in frame.columns]

    def head(c: str) -> str:
        return _HEADS.get(c) or (c if len(c) == 1 else c.replace("_", " ").capitalize())

    def text(value: object) -> str:
        if isinstance(value, (bool, np.bool_)):
            return "yes" if value else "no"
        if isinstance(value, (int, float, np.integer, np.floating)):
            return "not set" if not np.isfinite(float(value)) else f"{float(value):.3g}"
        return _in_words(str(value), report).replace("_", " ")

    return PageTable(
        caption,
        tuple(Column(head(c), is_number=pd.api.types.is_numeric_dtype(frame[c])) for c in columns),
        tuple(tuple(text(v) for v in row) for row in frame.itertuples(index=False)),
        note=note,
        exact=frame_csv(frame),
    )
