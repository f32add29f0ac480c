"""The comparison report: verdict first, both materials side by side in pictures, then the proof. One HTML file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from markupsafe import Markup
from numpy.typing import NDArray

from doe.assure.comparison.plan import ComparisonPlan
from doe.assure.comparison.staged import chances_of_losses
from doe.assure.comparison.verdict import Comparison
from doe.assure.confirmation.allocation import SETPOINT
from doe.assure.confirmation.verdict import CHECK_PREFIX, coupon_states
from doe.domain.finding import Finding
from doe.domain.outcome import HAND_PREFIX, hand_columns
from doe.domain.recipe import PARTS
from doe.domain.stack import Line, Material, Stack
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, fixed
from doe.words.comparison import (
    CHANCE_CAPTION,
    CHANCE_HEADS,
    KINDS,
    RULE_CAPTION,
    RULE_HEADS,
    chance_rows,
    count_rows,
    hand_limits,
    lead,
    method_lines,
    points,
    rule_lines,
    rule_rows,
    said,
    steps,
)
from doe.words.recipe.card import DIFFERS
from doe.words.wording import amount_both, at_most_of_hundred, count, date_and_time, percent, score, sentence, stated
from reports.drawing.palette import ACCENT, RULE, SOFT, round_numbers
from reports.drawing.plot import Plot
from reports.drawing.rows import draw_rows
from reports.names import given_names
from reports.pages import render
from reports.sheet.page import Pair, limit_pairs
from reports.study.inputs import HistoryRow, Provenance
from reports.study.proof import headed, history_table, made_pairs, number, words
from reports.views import Column, PageTable, Picture, heads

_MARKS = (
    "Open circle: passed. Triangle pointing down: failed by too little heat; up: by too much. Square: failed for "
    "another reason. Cross: side unknown. Dashed: a check is open. Bar: only one of the pair passed."
)


@dataclass(frozen=True)
class ComparisonReport:
    """What a comparison report is made from.

    Attributes
    ----------
    study, stack, line
        Of the comparison; ``stack`` is the new one.
    in_use : Stack or None
        That of the recipe; None when the recipe is no longer in the book.
    plan : ComparisonPlan
        What was decided before the coupons were made.
    judged : Comparison
    results : DataFrame
        Coupons with material, pair, role and scores, void ones included.
    rounds, looks_left : int
    cautions : tuple of Finding
        What makes the verdict doubtful.
    provenance : Provenance
    made_at : datetime
    history : tuple of HistoryRow
    shown : Shown
    """

    study: Study
    stack: Stack
    line: Line
    in_use: Stack | None
    plan: ComparisonPlan
    judged: Comparison
    results: pd.DataFrame
    rounds: int
    looks_left: int
    cautions: tuple[Finding, ...]
    provenance: Provenance
    made_at: datetime
    history: tuple[HistoryRow, ...] = ()
    shown: Shown = METRIC


@dataclass(frozen=True)
class ComparisonPage:
    """Everything on the page.

    Attributes
    ----------
    page_title, comparison_name : str
    facts : tuple of str
        What is compared with what, how many coupons, when; sentences.
    verdict_kind, headline, lead : str
        Style of the frame and the verdict.
    reasons, missing : tuple of str
        Why the verdict is what it is, and what keeps it open.
    count_table : Table
        Passed of each material, place by place.
    steps : tuple of str
        What to do now.
    doubts : tuple of str
        What makes the verdict doubtful.
    pair_picture : Picture or None
        Every pair; None while the key of a comparison scored blind is kept back.
    pictures : tuple of Picture
        Limits against margins, hand-feel pair by pair; only what was judged.
    pair_table : Table or None
        How the pairs came out; None when the materials were made apart.
    rule_tables : tuple of Table
        Of a staged comparison: how often it comes to what, and its rule.
    stack_table : Table
        Both stacks, part by part.
    place_table : Table
        Settings of the setpoint and the edges.
    method_lines : tuple of str
    coupon_table : Table
        Every coupon.
    limit_pairs, provenance_pairs : tuple of Pair
    history_table : Table or None
    """

    page_title: str
    comparison_name: str
    facts: tuple[str, ...]
    verdict_kind: str
    headline: str
    lead: str
    reasons: tuple[str, ...]
    missing: tuple[str, ...]
    count_table: PageTable
    steps: tuple[str, ...]
    doubts: tuple[str, ...]
    pair_picture: Picture | None
    pictures: tuple[Picture, ...]
    pair_table: PageTable | None
    rule_tables: tuple[PageTable, ...]
    stack_table: PageTable
    place_table: PageTable
    method_lines: tuple[str, ...]
    coupon_table: PageTable
    limit_pairs: tuple[Pair, ...]
    provenance_pairs: tuple[Pair, ...]
    history_table: PageTable | None


def comparison_report(report: ComparisonReport) -> str:
    """A comparison as one HTML document that needs no network.

    Parameters
    ----------
    report : ComparisonReport
        Nothing is judged again: all numbers come from here.
    """
    return render("comparison.html", comparison_page(report), names=given_names(report))


def comparison_page(report: ComparisonReport) -> ComparisonPage:
    """View-model of `comparison_report`."""
    plan, judged = report.plan, report.judged
    return ComparisonPage(
        page_title=f"Comparison, {report.study.name}",
        comparison_name=report.study.name,
        facts=_facts(report),
        verdict_kind=KINDS[judged.verdict],
        headline=judged.verdict.capitalize(),
        lead=lead(plan, judged),
        reasons=said(judged.reasons),
        missing=said(judged.missing),
        count_table=PageTable(
            "Passed of those judged",
            heads("Place | New: | In use: | New material"),
            tuple(count_rows(judged)),
            "At the setpoint a pair counts only when both of its coupons are judged.",
        ),
        steps=steps(judged, looks_left=report.looks_left),
        doubts=said(report.cautions),
        pair_picture=None if _is_kept_back(report) else _pair_picture(report),
        pictures=(*_rate_picture(report), *_hand_pictures(report)),
        pair_table=_pair_table(judged),
        rule_tables=rule_tables(plan),
        stack_table=_stack_table(report),
        place_table=_place_table(report),
        method_lines=method_lines(plan, judged),
        coupon_table=_coupon_table(report),
        limit_pairs=limit_pairs(report.study, report.shown),
        provenance_pairs=(
            Pair("sum of the inputs", report.provenance.inputs_hash),
            Pair("assurance of each statement", percent(1 - judged.risk if plan.stages is None else plan.assurance, 1)),
            *made_pairs(report.provenance, report.made_at),
        ),
        history_table=history_table(report.history),
    )


def _facts(report: ComparisonReport) -> tuple[str, ...]:
    plan, rows = report.plan, report.results
    void = int((rows["void"] != "").sum())
    spoiled = f", {void} of them void" if void else ""
    return (
        f"New: {plan.new}. In use: {plan.in_use}, recipe {plan.recipe}, revision {plan.revision}. Line: "
        f"{report.line.name}.",
        f"{count(len(rows), 'coupon')} in {count(report.rounds, 'round')}{spoiled}, half of each material; wanted are "
        f"{stated(report.study.spec.pass_rate)} of prints.",
        f"Report made {date_and_time(report.made_at)}"
        + (f" by {report.provenance.made_by}." if report.provenance.made_by else "."),
    )


def _states(report: ComparisonReport) -> pd.DataFrame:
    """Outcome of every coupon as the picture's marks: ``pass``, a side, ``waiting``; ``missing`` where it is void."""
    rows = report.results
    state = coupon_states(rows.drop(columns=["passed"]), report.study.spec.checks)
    side = np.where(rows["side"].astype(str) == "", "unknown", rows["side"].astype(str))
    outcome = np.where(state == "failed", side, np.where(state == "passed", "pass", state))
    outcome = np.where((rows["void"] != "").to_numpy(), "missing", outcome)
    return rows.assign(outcome=outcome)


KEPT_BACK = "on the key"
"""Said instead of a material while somebody still scores blind."""


def _is_kept_back(report: ComparisonReport) -> bool:
    """Whether the page must not tell which coupon is of which material: somebody still scores blind."""
    return any(found.code == "kept_back" for found in report.judged.missing)


def _places(report: ComparisonReport) -> list[str]:
    roles = list(dict.fromkeys(report.results["role"]))
    return sorted(roles, key=lambda role: (role != SETPOINT, role))


def _pair_picture(report: ComparisonReport) -> Picture:
    states = _states(report)
    places = {}
    for role in _places(report):
        part = states[states["role"] == role].sort_values("pair")
        wide = part.pivot_table(index="pair", columns="material", values="outcome", aggfunc="first")
        wide = wide.reindex(columns=["incumbent", "new"]).fillna("missing")
        places[headed(str(role))] = list(wide.itertuples(index=False, name=None))
    rates = report.judged.rates
    title = (
        f"At the setpoint {rates.new_passed} of {rates.new_units} new and {rates.old_passed} of {rates.old_units} in "
        "use passed"
        if rates.new_units
        else "Nothing is judged at the setpoint yet"
    )
    told = "; ".join(
        f"{place}: {sum(new == 'pass' for _, new in pairs)} of {count(len(pairs), 'new coupon')} passed, "
        f"{sum(old == 'pass' for old, _ in pairs)} of those in use"
        for place, pairs in places.items()
    )
    return Picture(
        draw_rows(places, heads=("in use", "new"), title=title, description=f"{told}. {_MARKS}"), title, _MARKS
    )


def _rate_picture(report: ComparisonReport) -> Iterator[Picture]:
    judged, margin = report.judged, report.plan.rate_margin
    rates = judged.rates
    if not rates.new_units or judged.staged is not None:
        return
    below = at_most_of_hundred(-rates.limits.low)
    how = f"up to {count(below, 'point')} less often" if below > 0 else "no less often"
    inside = "inside" if rates.is_non_inferior else "not yet inside" if not rates.is_worse else "worse, against"
    yield draw_limits(
        100 * rates.limits.difference,
        (100 * rates.limits.low, 100 * rates.limits.high),
        (-100 * margin, None),
        unit="the pass rate, points",
        name="rate",
        title=f"Pass rate: {how} than in use, {inside} the margin of {points(margin)}",
        caption=f"New minus in use at the setpoint, with limits that each hold with {percent(1 - judged.risk, 1)} "
        "assurance. Hatched: worse by the margin or more. The exact test decides; see the method.",
    )


def _hand_pictures(report: ComparisonReport) -> Iterator[Picture]:
    judged, margin = report.judged, report.plan.hand_margin
    hand = judged.hand
    if hand is None:
        return
    inside = "inside" if hand.is_equivalent else "outside" if hand.is_different else "not wholly inside"
    yield draw_limits(
        hand.difference,
        (hand.low, hand.high),
        (-margin, margin),
        unit="hand-feel, points",
        name="hand",
        title=f"Hand-feel: {hand_limits(hand.low, hand.high)} against the one in use, {inside} ±{margin:g}",
        caption="New minus in use; people, pairs, cure batches allowed for. Each limit holds with "
        f"{percent(1 - judged.risk, 1)} assurance. Hatched: a difference that would matter.",
    )
    rows = report.results[(report.results["role"] == SETPOINT) & (report.results["void"] == "")]
    mean = rows.filter(regex=f"^{HAND_PREFIX}").astype(float).mean(axis=1)
    wide = rows.assign(mean=mean).pivot_table(index="pair", columns="material", values="mean", aggfunc="first")
    old, new = (wide[material].to_numpy(dtype=float) for material in ("incumbent", "new"))
    means = f"new {score(float(np.nanmean(new)))}, in use {score(float(np.nanmean(old)))}"
    title = f"Hand-feel at the setpoint, on average: {means}"
    how = "Open: in use. Filled: new. A line joins the two coupons of a pair."
    wanted, told = report.study.spec.hand_min, f"{means}. {how}"
    yield Picture(draw_hand(old, new, wanted=wanted, name="hand-pairs", title=title, description=told), title, how)


def _pair_table(judged: Comparison) -> PageTable | None:
    pairs = judged.rates.pairs
    if pairs is None:
        return None
    rows = (
        ("both passed", str(pairs.both)),
        ("only the one in use passed", str(pairs.only_old)),
        ("only the new one passed", str(pairs.only_new)),
        ("neither passed", str(pairs.neither)),
    )
    p_exact = f"Exact p that the new material is worse by the margin or more: {fixed(judged.rates.test.p_exact, 3)}."
    note = p_exact if judged.staged is None else ""
    return PageTable("Pairs at the setpoint", heads("Outcome | Pairs:"), rows, note)


def rule_tables(plan: ComparisonPlan) -> tuple[PageTable, ...]:
    """What was said of a staged comparison before a coupon was made; empty for a full one."""
    if plan.stages is None:
        return ()
    chances, lines = chances_of_losses(plan.stages, plan.supposed_rate), rule_lines(plan)
    return (
        PageTable(CHANCE_CAPTION, _texts(CHANCE_HEADS), tuple(chance_rows(chances)), lines[0]),
        PageTable(RULE_CAPTION, _texts(RULE_HEADS), tuple(rule_rows(plan.stages, plan.assurance)), " ".join(lines[1:])),
    )


def _texts(names: Iterable[str]) -> tuple[Column, ...]:
    return tuple(words(sentence(name).rstrip(".")) for name in names)


def _stack_table(report: ComparisonReport) -> PageTable:
    rows = []
    for part in PARTS:
        new: Material | None = getattr(report.stack, part)
        old: Material | None = getattr(report.in_use, part) if report.in_use else None
        if new is None and old is None:
            continue
        kind = report.plan.differs.get(part, "same")
        rows.append((part, _material(old) if report.in_use else "", _material(new), DIFFERS[kind]))
    return PageTable("Both stacks", heads("Part | In use | New | Differs by"), tuple(rows))


def _material(material: Material | None) -> str:
    if material is None:
        return "not named"
    return f"{material}{', ' + material.detail if material.detail else ''}"


def _place_table(report: ComparisonReport) -> PageTable:
    first = report.results.drop_duplicates("role").set_index("role").to_dict("index")
    factors = report.study.factors
    rows = tuple(
        (str(role), *(amount_both(f, first[role][f.name], report.shown) for f in factors)) for role in _places(report)
    )
    columns = (words("Place"), *(words(headed(f.label)) for f in factors))
    return PageTable("Where the coupons were made", columns, rows)


def _coupon_table(report: ComparisonReport) -> PageTable:
    kept_back = KEPT_BACK if _is_kept_back(report) else ""
    states = _states(report).sort_values(["pair", "coupon" if kept_back else "material"])
    hands = hand_columns(states)
    checks = [c.name for c in report.study.spec.checks if CHECK_PREFIX + c.name in states.columns]
    marks = {True: "pass", False: "fail"}
    rows = tuple(
        (
            str(row["pair"]),
            str(row["coupon"]),
            kept_back or ("new" if row["material"] == "new" else "in use"),
            str(row["role"]),
            *(marks.get(row[CHECK_PREFIX + c], "") if row[CHECK_PREFIX + c] is not None else "" for c in checks),
            str(row["symptom"]),
            *("" if pd.isna(row[h]) else f"{float(row[h]):g}" for h in hands),
            "; ".join(t for t in (f"void: {row['void']}" if row["void"] else "", str(row["note"])) if t),
        )
        for row in states.to_dict("records")
    )
    columns = (
        *heads("Pair: | Coupon | Material | Place"),
        *(words(c.replace("_", " ")) for c in checks),
        words("Symptom"),
        *(number(h.removeprefix(HAND_PREFIX)) for h in hands),
        words("Note"),
    )
    return PageTable("Every coupon", columns, rows)


def draw_limits(
    difference: float,
    limits: tuple[float, float],
    margins: tuple[float | None, float | None],
    *,
    unit: str,
    name: str,
    title: str,
    caption: str,
) -> Picture:
    """A difference with its limits on a line; what lies beyond a margin is hatched.

    Parameters
    ----------
    difference : float
    limits : (float, float)
    margins : (float or None, float or None)
        Lower and upper margin; None where a side has none.
    unit : str
        What the difference is of, and its unit.
    name, title, caption : str
        See `reports.drawing.plot.Plot` and `reports.views.Picture`.
    """
    plot = Plot(name, "limits")
    known = [v for v in (*limits, *margins, difference, 0.0) if v is not None]
    pad = 0.15 * (max(known) - min(known))
    first, last = min(known) - pad, max(known) + pad

    def at(value: float) -> float:
        return (value - first) / (last - first)

    for margin, end in zip(margins, (0.0, 1.0), strict=True):
        if margin is not None:
            plot.box(at(margin), end, 0, 1, fill=plot.hatched())
            plot.line([at(margin)] * 2, [0, 1], width=1.6)
            plot.text(at(margin), 1, "margin", dy=-6)
    plot.line([at(0)] * 2, [0, 1], stroke=SOFT, width=1, stroke_dasharray="4 3")
    plot.text(at(0), 1, "no difference", dy=-6, look="soft")
    plot.line([at(v) for v in limits], [0.5, 0.5], stroke=ACCENT, width=4)
    for limit in limits:
        plot.line([at(limit)] * 2, [0.36, 0.64], stroke=ACCENT, width=2.4)
    plot.mark(at(difference), 0.5, "open", size=1.4)
    plot.line([0, 1], [0, 0], stroke=SOFT, width=1)
    plot.along_x([(at(float(t)), (f"{t:g}",)) for t in round_numbers(first, last)], f"difference of {unit}")
    told = (
        f"Difference {fixed(difference, 2, '+')}, limits {fixed(limits[0], 2, '+')} to "
        f"{fixed(limits[1], 2, '+')}. {caption}"
    )
    return Picture(plot.svg(title=title, description=told), title, caption)


def draw_hand(
    in_use: NDArray[np.float64],
    new: NDArray[np.float64],
    *,
    wanted: float | None,
    name: str,
    title: str,
    description: str,
) -> Markup:
    """Mean hand-feel of both coupons of each pair, joined; the words stand beside the last pair.

    Parameters
    ----------
    in_use, new : array, shape (pairs,)
        NaN where nobody scored the coupon.
    wanted : float or None
        Least hand-feel of the spec.
    name, title, description : str
        See `reports.drawing.plot.Plot`.
    """
    plot, pairs = Plot(name, "order"), len(new)
    across = 0.02 + 0.8 * np.arange(pairs) / max(pairs - 1, 1)  # room for the words at the right

    def up(value: float) -> float:
        return (value - 0.8) / 4.4

    plot.frame()
    plot.along_y([(up(score), (str(score),)) for score in range(1, 6)], "hand-feel, mean of people")
    ticks = [t for t in round_numbers(1, pairs, 6) if t == round(t)] if pairs > 1 else [1]
    plot.along_x([(across[int(t) - 1], (f"{t:g}",)) for t in ticks], "pair, in the order of pressing")
    both = np.isfinite(in_use) & np.isfinite(new)
    if wanted is not None:
        last_pair = np.flatnonzero(both)[-1:]
        beside = (in_use[last_pair] + new[last_pair]) / 2  # its words stand there, at the same end
        plot.level(up(wanted), "wanted", below=bool((beside >= wanted).any()))
    for i in np.flatnonzero(both):
        plot.line([across[i]] * 2, [up(in_use[i]), up(new[i])], stroke=RULE, width=2)
    for values, key in ((in_use, "open"), (new, "full")):
        for i in np.flatnonzero(np.isfinite(values)):
            plot.mark(across[i], up(values[i]), key)
    if both.any():
        last = np.flatnonzero(both)[-1]
        middle, apart = (in_use[last] + new[last]) / 2, max(abs(in_use[last] - new[last]), 0.4) / 2
        new_is_above = new[last] > in_use[last]
        for words, side in (("new", 1 if new_is_above else -1), ("in use", -1 if new_is_above else 1)):
            plot.text(across[last], up(middle + side * apart), words, dx=10, anchor="start", look="halo")
    return plot.svg(title=title, description=description)
