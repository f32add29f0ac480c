"""Which settings matter: swings of the fitted surfaces, and the classical effects beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.surfaces.classical import half_normal_points
from reports.coupon_figures import EffectBars, draw_effects, draw_half_normal
from reports.study_inputs import StudyReport
from reports.study_views import Column, Picture, Table
from reports.wording import listing, percent, sentence

_POINTS = 25
_MOST = 10  # effects drawn; the table has them all


@dataclass(frozen=True)
class Swings:
    """How far a response moves while one factor runs through its tested range, the others at the setpoint.

    ``factors`` largest first; ``middle``, ``low``, ``high`` of shape (factors,): mean and interval over the draws.
    """

    factors: tuple[Factor, ...]
    middle: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


def swings_of(report: StudyReport) -> Swings:
    """Swing of the checks' pass rate in points of 100, setting error not added."""
    study = report.study
    share = 1 - study.spec.assurance
    swings = []
    for f in study.factors:
        values = list(f.levels) if f.is_categorical else list(np.linspace(f.low, f.high, _POINTS))
        frame = pd.DataFrame({n: [report.answer.setpoint[n]] * len(values) for n in study.factor_names})
        frame[f.name] = values
        swing = 100 * np.ptp(report.surfaces.pass_draws(frame), axis=1)
        swings.append([swing.mean(), *np.quantile(swing, [share, 1 - share])])
    numbers = np.array(swings)
    order = np.argsort(-numbers[:, 0], kind="stable")
    middle, low, high = numbers[order].T
    return Swings(tuple(study.factors[int(i)] for i in order), middle, low, high)


def effect_lines(report: StudyReport) -> tuple[str, ...]:
    """What matters, in sentences."""
    swings = swings_of(report)
    said = [
        sentence(
            f"{swings.factors[0].label} decides most: over its tested range, the rest at the setpoint, the pass rate "
            f"of the checks swings by about {swings.middle[0]:.0f} points ({swings.low[0]:.0f} to {swings.high[0]:.0f})"
        )
    ]
    checks = report.checks
    if checks.effects is not None:
        said += [sentence(note) for note in checks.effects.notes]
    if checks.curvature is not None:
        said.append(_curvature_line(report))
    return tuple(said)


def _curvature_line(report: StudyReport) -> str:
    found = report.checks.curvature
    if found is None or found.p is None:
        return "" if found is None else sentence(f"Curvature of the hand-feel: {found.note}")
    word = "above" if found.difference < 0 else "below"
    verdict = "more than chance explains" if found.p < 0.05 else "no more than chance explains"
    return sentence(
        f"Centre coupons lie {abs(found.difference):.1f} hand-feel points {word} the corners, {verdict} (p "
        f"{found.p:.2g})"
    )


def effect_pictures(report: StudyReport) -> tuple[Picture, ...]:
    """Swings of the fitted surface, and the classical effects on hand-feel where the plan carries them."""
    return (_swing_picture(report), *_classical_pictures(report))


def _swing_picture(report: StudyReport) -> Picture:
    swings = swings_of(report)
    title = sentence(f"{swings.factors[0].label} decides most, {swings.factors[-1].label} least").rstrip(".")
    return Picture(
        draw_effects(
            EffectBars(tuple(f.label for f in swings.factors), swings.middle, swings.low, swings.high),
            name="swings", title=title,
            description="Swing of the pass rate over the tested range of each setting: "
            + listing([f"{f.label} {m:.0f} points" for f, m in zip(swings.factors, swings.middle, strict=True)]),
            axis="swing of the pass rate, points of 100", margin=None,
        ),
        title,
        "How far the pass rate of the checks swings while one setting runs through its tested range and the others "
        "stay at "
        f"the setpoint. Line: {percent(report.study.spec.assurance)} assurance at each end.",
    )  # fmt: skip


def _classical_pictures(report: StudyReport) -> tuple[Picture, ...]:
    effects = report.checks.effects
    if effects is None:
        return ()
    table = effects.table.reindex(effects.table["effect"].abs().sort_values(ascending=False).index)
    labels = {f.name: f.label for f in report.study.factors}
    terms = [_term_words(str(term), labels) for term in table["term"]]
    size = table["effect"].to_numpy(dtype=float)
    largest = f"{terms[0]} moves the hand-feel most: {size[0]:+.1f} points from low to high"
    if effects.error is None and effects.lenth is not None:
        points = half_normal_points(size, terms)
        out = int((np.abs(size) > effects.lenth.margin).sum())
        title = sentence(
            f"{out or 'No'} effect{'s' if out != 1 else ''} on hand-feel stand{'s' if out == 1 else ''} out"
        ).rstrip(".")
        return (
            Picture(
                draw_half_normal(
                    points["term"].tolist(), points["size"].to_numpy(dtype=float),
                    points["quantile"].to_numpy(dtype=float),
                    name="half-normal", title=title, description=sentence(largest), margin=effects.lenth.margin,
                    simultaneous=effects.lenth.simultaneous_margin, axis="size of the effect, hand-feel points",
                ),
                title,
                "No setting was repeated, so the effects are judged against each other (Lenth's margin): those in line "
                "with the origin are noise.",
            ),
        )  # fmt: skip
    shown = slice(0, _MOST)
    bars = EffectBars(
        tuple(terms[shown]),
        size[shown],
        table["low"].to_numpy(dtype=float)[shown],
        table["high"].to_numpy(dtype=float)[shown],
    )
    title = sentence(largest).rstrip(".")
    return (
        Picture(
            draw_effects(bars, name="effects", title=title, description=sentence(largest),
                         axis="change of hand-feel from low to high, points", margin=None),
            title,
            "Filled: the interval leaves out zero. Each interval holds for one effect at a time.",
        ),
    )  # fmt: skip


def _term_words(term: str, labels: dict[str, str]) -> str:
    parts = [(part.rstrip("²"), "²" * part.count("²")) for part in term.split(" × ")]
    return " × ".join(labels.get(name, name) + square for name, square in parts)


def effect_tables(report: StudyReport) -> tuple[Table, ...]:
    """Classical checks as tables, for those who want to recompute."""
    checks = report.checks
    tables = []
    if checks.effects is not None:
        tables.append(_frame_table(checks.effects.table, "Effects on hand-feel (two-level plan)", report))
    if checks.hand_model is not None:
        model = checks.hand_model
        tables.append(
            _frame_table(model.coefficients, "Hand-feel: quadratic with batch errors (coded settings)", report)
        )
        tables.append(_frame_table(model.components, "Hand-feel: where the scatter comes from", report))
    if checks.firth is not None:
        caption = f"Pass or fail: penalised logistic quadratic, a check only. {checks.firth.separation}"
        tables.append(_frame_table(checks.firth.coefficients, caption, report))
    return tuple(tables)


_HEADS = {
    "term": "Term", "effect": "Effect", "estimate": "Estimate", "se": "Standard error", "low": "Low", "high": "High",
    "t": "t", "p": "p", "df": "Degrees of freedom", "ss": "Sum of squares", "chain": "Stands for", "chi2": "χ²",
    "component": "Part", "batches": "Batches", "spare": "Spare", "variance": "Variance", "sd": "Standard deviation",
    "share": "Share", "at_zero": "At zero", "used": "Used",
}  # fmt: skip


def _frame_table(frame: pd.DataFrame, caption: str, report: StudyReport) -> Table:
    labels = {f.name: f.label for f in report.study.factors}
    columns = [str(c) for c in frame.columns]

    def text(value: object) -> str:
        if isinstance(value, (bool, np.bool_)):
            return "yes" if value else "no"
        if isinstance(value, (int, float, np.integer, np.floating)):
            return "not set" if not np.isfinite(float(value)) else f"{float(value):.3g}"
        return _term_words(str(value), labels)

    return Table(
        caption,
        tuple(Column(_HEADS.get(c, c), is_number=pd.api.types.is_numeric_dtype(frame[c])) for c in columns),
        tuple(tuple(text(v) for v in row) for row in frame.itertuples(index=False)),
    )
