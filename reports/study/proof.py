"""The proof part of a study report: tables, what was assumed, methods and where everything comes from."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.domain.factors import Factor
from doe.domain.outcome import HANDLED_COLUMN, hand_columns
from doe.domain.space import Forbidden
from doe.domain.study import Study
from doe.domain.units import Shown, fixed, show
from doe.setpoint.answer import Answer
from doe.setpoint.robust import RobustRate
from doe.setpoint.why import explain_answer
from doe.surfaces.fitted import Surfaces
from doe.surfaces.outcomes import OTHER_BLAMED, OTHER_SEEN
from doe.surfaces.window_model import HAND_FREEDOM, TRIAL_ERROR, WindowModel
from doe.words.study.why import WhyPart, differences, rough_note, why_parts
from doe.words.wording import (
    GRADED,
    SIDE_WORDS,
    amount,
    amount_both,
    at_least_of_hundred,
    count,
    date_and_time,
    difference_both,
    listing,
    move,
    percent,
    percent_at_least,
    range_both,
    score,
    sentence,
    spread_both,
    stated,
)
from reports.sheet.page import Pair
from reports.study.inputs import HistoryRow, Provenance, StudyReport
from reports.views import Column, PageTable, Reason, frame_csv, heads

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


def number(text: str) -> Column:
    """Head of a column of numbers."""
    return Column(text, is_number=True)


def words(text: str) -> Column:
    """Head of a column of words."""
    return Column(text, is_number=False)


def headed(text: str) -> str:
    """A label as the head of a column."""
    return sentence(text).rstrip(".")


def settings_table(report: StudyReport, frame: pd.DataFrame, caption: str) -> PageTable:
    """Settings of coupons to make, temperatures in both units."""
    study = report.study
    return PageTable(
        caption,
        (number("No."), *(number(headed(f.label)) for f in study.factors)),
        tuple(
            (str(i), *(amount_both(f, row[f.name], report.shown) for f in study.factors))
            for i, (_, row) in enumerate(frame.iterrows(), start=1)
        ),
    )


def rated(report: StudyReport, settings: Sequence[Mapping[str, float | str]], digits: int = 0) -> list[tuple[str, ...]]:
    """Expected pass rate, its lower bound and hand-feel at some settings, counted as the answer is."""
    frame = pd.DataFrame(list(settings))
    rates = RobustRate(report.study, report.surfaces).draws(frame, nodes=64)
    low = np.quantile(rates, 1 - report.study.spec.assurance, axis=0)
    feel = report.surfaces.hand_draws(frame)
    hand = ["not scored"] * len(frame) if feel is None else [score(float(v)) for v in feel.mean(axis=0)]
    return [
        (percent(float(mean), digits), f"{at_least_of_hundred(float(least))} %", felt)
        for mean, least, felt in zip(rates.mean(axis=0), low, hand, strict=True)
    ]


def level_table(report: StudyReport) -> PageTable | None:
    """Other levels of each categorical factor at the setpoint; None without such factors."""
    setpoint = report.answer.setpoint
    levels = [(f, level) for f in report.study.categorical for level in f.levels]
    if not levels:
        return None
    found = rated(report, [{**setpoint, f.name: level} for f, level in levels])
    return PageTable(
        "Other levels at the same settings, counted as the setpoint is",
        heads("Factor | Level | Expected pass rate: | At least: | Hand-feel:"),
        tuple(
            (f.label, f"{level} (setpoint)" if level == setpoint[f.name] else level, *rates)
            for (f, level), rates in zip(levels, found, strict=True)
        ),
    )


def cliff_table(report: StudyReport) -> PageTable:
    """Every cliff, nearest first."""
    rows = []
    for c in report.answer.cliffs:
        f = report.study.factor(c.factor)
        errors = "not stated" if math.isnan(c.setting_errors) else fixed(c.setting_errors, 1)
        amounts = amount_both(f, c.at, report.shown), difference_both(f, c.distance, report.shown)
        rows.append((f.label, move(f, c.direction), *amounts, errors, SIDE_WORDS[c.side]))
    return PageTable(
        "Where it breaks, one setting moved alone: the expected pass rate has dropped by 10 points",
        heads("Setting | Move | Breaks at: | Distance: | Setting errors: | How"),
        tuple(rows),
    )


def coupon_table(report: StudyReport) -> PageTable:
    """Every coupon with settings, result, hand-feel and what was seen; waiting and void ones too."""
    study, results = report.study, report.results
    people = hand_columns(results)
    said = ("symptom", HANDLED_COLUMN, "note", "void")
    texts = [c for c in said if c in results and results[c].fillna("").astype(str).any()]

    def setting(f: Factor, row: pd.Series) -> str:
        # a measured value replaces the set value in the fit, so the table says where one was taken
        text, taken = amount(f, row[f.name], report.shown), row.get(f"actual_{f.name}")
        if f.is_categorical or pd.isna(taken):
            return text
        return f"{text} (measured {show(float(taken), f.unit, report.shown)})"

    rows = [
        (
            str(row.get("coupon", i)),
            *(setting(f, row) for f in study.factors),
            _result(row),
            *(score(float(row[c])) if pd.notna(row[c]) else "–" for c in people),
            *(str(row[c]).replace("_", " ") if pd.notna(row[c]) else "" for c in texts),
        )
        for i, (_, row) in enumerate(results.iterrows(), start=1)
    ]
    return PageTable(
        "Every coupon (settings in the reader's unit; all temperatures also stand in both units on the bench sheet)",
        (
            words("Coupon"),
            *(number(headed(f.label)) for f in study.factors),
            words("Result"),
            *(number("Hand, " + c.removeprefix("hand_")) for c in people),
            *(words(headed(c)) for c in texts),
        ),
        tuple(rows),
        "Saved as CSV, settings are in °C, s, bar and g/m², with every digit and every column kept.",
        frame_csv(results),
    )


def _result(row: pd.Series) -> str:
    void, side = row.get("void", ""), row.get("side", "")
    if pd.notna(void) and void not in ("", False):
        return "void, left out of the fit"
    if pd.isna(row["passed"]):
        return "waiting"
    graded = GRADED.get(str(row.get("grade", "")))
    if bool(row["passed"]):
        return graded or "passed"
    return f"{graded or 'failed'}, {SIDE_WORDS['unknown' if pd.isna(side) or side == '' else str(side)]}"


def target_pairs(study: Study) -> tuple[Pair, ...]:
    """The spec in words."""
    spec = study.spec
    hand = "does not matter" if spec.hand_min is None else f"{score(spec.hand_min)} or more (5 is softest)"
    return (
        Pair("pass rate wanted", stated(spec.pass_rate)),
        Pair("hand-feel wanted", hand),
        Pair("assurance of each statement", stated(spec.assurance)),
        *(Pair(f"check: {c.name.replace('_', ' ')}", c.label) for c in spec.checks),
    )


def range_pairs(report: StudyReport) -> tuple[Pair, ...]:
    """Tested range and setting error of each factor."""
    shown = report.shown

    def told(f: Factor) -> str:
        if f.is_categorical:
            return " or ".join(f.levels)
        error = f"setting error {spread_both(f, f.setting_sd, shown)}" if f.setting_sd else "no setting error stated"
        trial = "" if f.trial_sd is None else f" (of the trial {spread_both(f, f.trial_sd, shown)})"
        return f"{range_both(f, f.low, f.high, shown)}, {error}{trial}"

    return tuple(Pair(f.label, told(f)) for f in report.study.factors)


_COMPARISONS = {">=": "{} or more", "<=": "{} or less", ">": "above {}", "<": "below {}", "=": "{}"}


def forbidden_words(study: Study, combination: Forbidden, shown: Shown) -> str:
    """A forbidden combination in words and in both temperature units."""
    parts = []
    for clause in combination.clauses:
        f = study.factor(clause.factor)
        parts.append(f"{f.label} {_COMPARISONS[clause.compare].format(amount_both(f, clause.value, shown))}")
    return sentence(listing(parts) + (f": {combination.reason}" if combination.reason else ""))


def sure_pairs(study: Study, answer: Answer) -> tuple[Pair, ...]:
    """The numbers behind "how sure"."""
    pairs = [
        Pair("expected pass rate", percent(answer.pass_rate, 1)),
        Pair(f"lower bound, {stated(study.spec.assurance)} assurance", percent_at_least(answer.pass_rate_low)),
        Pair(f"chance that it reaches {stated(study.spec.pass_rate)}", percent(answer.p_target)),
        Pair("checks alone, hand-feel left aside", percent(answer.checks_pass_rate, 1)),
        Pair("best anywhere in the tested region, if the line were known", percent(answer.best_pass_rate, 1)),
        Pair(f"chance that some tested setting reaches {stated(study.spec.pass_rate)}", percent(answer.p_reachable)),
    ]
    if answer.hand is not None and answer.hand_low is not None and answer.hand_high is not None:
        pairs.append(
            Pair("mean hand-feel", f"{score(answer.hand)} ({score(answer.hand_low)} to {score(answer.hand_high)})")
        )
    return tuple(pairs)


PASS_LINES = {
    "closing window": "Pass or fail is described by a closing window: the logit of the pass rate falls off with the "
    "squared distance from a best place, measured in one over the absolute temperature and the logarithm of "
    "time. Failures are split into too little and too much heat by a direction through that place. Hand-feel is a "
    "curved surface with its own top and robust errors.",
    "dose mechanisms": "Pass or fail is described by walls of too little and of too much heat at each machine, "
    "measured in one over the absolute temperature and the logarithm of time; a coupon is sound when it escapes them "
    "all. Hand-feel is a curved surface with its own top and robust errors.",
}
"""What each kind of pass surface is."""

METHOD_LINES = (
    "All unknowns are estimated together by tempered sequential Monte Carlo; the numbers of the answer, the maps and "
    "the windows are averages or quantiles over the draws it leaves. Few coupons leave wide quantiles; that is the "
    "point of them. The classical checks are separate fits of the same coupons.",
    "The pass rate of a setting is averaged over the stated setting error of every factor. Oven and press batches may "
    "differ in the fit; the pass rate is that of a batch like the middle one. The hand-feel in it is the mean at the "
    "settings a print really got; the feel of single prints scatters about that mean.",
    "The setpoint is the setting whose lower bound is highest among several hundred looked at, never outside tested "
    "ranges, limits or forbidden combinations. Among settings within half a point of it, the one expected to do "
    "better is taken, then the quicker one. A window is checked at its corners, at the middle of its faces and at "
    "points inside.",
    "Measured actual temperatures replace set values where they were taken. Void coupons are left out and stay listed. "
    "Hand-feel rests on coupons that transferred; those that did not are missing for a reason and are not filled in.",
)


def method_lines(surfaces: Surfaces | None = None) -> tuple[str, ...]:
    """How the numbers were computed; with the closing window where no surfaces are given."""
    kind = WindowModel.name if surfaces is None or surfaces.model is None else surfaces.model.name
    return (PASS_LINES.get(kind, f"Pass or fail is described by another kind of surface: {kind}."), *METHOD_LINES)


def prior_pairs(used: DataclassInstance) -> tuple[Pair, ...]:
    """What was assumed before any coupon was scored, mean and standard deviation (or the latter alone)."""

    values = asdict(used)

    def text(name: str) -> str:
        value = values[name]
        if name.startswith("trade_"):  # means, with one spread in common
            return f"{0 if name == 'trade_sd' else value:g} ± {values['trade_sd']:g}"
        if isinstance(value, tuple):
            # an odd-looking third number is the spread above the middle
            return f"{value[0]:g} ± {value[1]:g}" if len(value) == 2 else f"{value[0]:g} − {value[1]:g} + {value[2]:g}"
        return f"{value:g}"

    labels = {"trade_sd": "trade, factors that do not both heat"}
    fixed = (
        ("share of failures for other reasons that are named so", OTHER_SEEN),
        ("share of heat failures put down to other reasons", OTHER_BLAMED),
        ("degrees of freedom of the errors of hand-feel", HAND_FREEDOM),
        ("share of the trial's setting error taken out of the coupons", TRIAL_ERROR),
    )
    return (
        *(Pair(labels.get(name, name.replace("_", " ")), text(name)) for name in values),
        *(Pair(name, f"{value:g} (fixed)") for name, value in fixed),
    )


def belief_pairs(report: StudyReport) -> tuple[Pair, ...]:
    """Leave-one-out score and predictive check."""
    belief = report.surfaces.belief
    return (
        Pair("left-out coupons called right", f"{belief.right} of {report.surfaces.results.coupons}"),
        Pair("log score of left-out coupons", fixed(belief.score, 1)),
        Pair("the same, knowing only the share of passes", fixed(belief.score_no_factor, 1)),
        Pair("predictive check (below 0.05: the surface misses something)", fixed(belief.fit_p_value, 2)),
        *(
            Pair(f"learned about the best {report.study.factor(name).label}", percent(max(share, 0.0)))
            for name, share in belief.learned.items()
        ),
    )


def made(report: StudyReport) -> str:
    """When the report was made, and by whom."""
    by = report.provenance.made_by
    return f"{date_and_time(report.made_at)} by {by}" if by else date_and_time(report.made_at)


def provenance_pairs(report: StudyReport) -> tuple[Pair, ...]:
    """Where the numbers come from."""
    source = report.provenance
    fitted = report.surfaces.results
    waiting = f", {fitted.waiting} waiting" if fitted.waiting else ""
    return (
        Pair("coupons fitted", count(fitted.coupons, "coupon") + waiting),
        Pair("sum of the inputs", source.inputs_hash),
        Pair("seed of the fit", str(report.surfaces.seed)),
        Pair("seed of the recommendation", str(report.answer.seed)),
        Pair("draws behind every number", str(report.surfaces.draws.count)),
        *made_pairs(source, report.made_at),
    )


def made_pairs(source: Provenance, made_at: datetime) -> Iterator[Pair]:
    """Version of the tool, and when the analysis and the report were made."""
    yield Pair("version of the tool", source.version)
    if source.analysed_at:
        yield Pair("analysed", date_and_time(source.analysed_at))
    if source.seal:
        yield Pair("seal of the book", source.seal)
    yield Pair("report made", date_and_time(made_at) + (f" by {source.made_by}" if source.made_by else ""))


HISTORY = "Who did what, and when"


def history_table(history: Sequence[HistoryRow], caption: str = HISTORY, *, what: str = "What") -> PageTable | None:
    """Who did what, when and why; None when nothing was done. Other tables than the history say why if it is known."""
    if not history:
        return None
    whys = caption == HISTORY or any(h.why for h in history)
    rows = tuple((date_and_time(h.when), h.who, h.what, *((h.why,) if whys else ())) for h in history)
    return PageTable(caption, heads(f"When | Who | {what}" + (" | Why" if whys else "")), rows)


PRINTED = (
    "Which coupons carry them",
    "Whether any setting reaches the target",
    "Hand-feel",
    "What would change them",
)
"""Parts that stand on paper too; the others are left to the file, so that a printed report stays short."""


def why_reasons(report: StudyReport) -> tuple[tuple[str, ...], tuple[Reason, ...]]:
    """What must be known first, and the reasons, number by number; none for a fit put together by hand."""
    if report.surfaces.traces is None:
        return (), ()
    why = explain_answer(report.study, report.surfaces, report.answer)
    parts = why_parts(report.study, why, report.shown)
    return (*differences(report.answer, why), *rough_note(parts)), tuple(_reason(report, part) for part in parts)


def _reason(report: StudyReport, part: WhyPart) -> Reason:
    is_printed = part.title in PRINTED
    if not part.rows:
        return Reason(part.title, part.lines, None, is_printed)
    columns = tuple((words if head in part.texts else number)(headed(head)) for head in part.heads)
    rows = part.rows
    if part.heads[0] == "factor":
        rows = tuple((report.study.factor(row[0]).label, *row[1:]) for row in rows)
    return Reason(part.title, part.lines, PageTable(part.title, columns, rows, part.note), is_printed)
