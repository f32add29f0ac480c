"""Agreement of the people who score, as a page: what it means first, then who differs on what."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from doe.assure.people.agreement import HandAgreement, PassAgreement, Repeat, band_of
from doe.domain.finding import Finding
from doe.domain.spec import HAND_STEP
from doe.domain.study import Study
from doe.domain.units import fixed
from doe.words.people import agreement_words, finding, missing_words
from doe.words.wording import count, date_and_time, percent
from reports.study.figures import draw_effects
from reports.study.proof import words
from reports.views import PageTable, Picture, heads

METHOD = (
    "Pass and fail: kappa of every two people on the coupons both judged (Cohen), of all together (Fleiss); above 0.75 "
    "is called good, below 0.40 poor (bands usual for attributes, from memory).",
    "Hand-feel: kappa with quadratic weights of every two people, Kendall's W of their rankings, intraclass "
    "correlations after Shrout and Fleiss (1979), on coupons that everybody scored.",
    "A first look counts for whoever recorded it. A further look is kept beside it and never changes a result.",
    "Limits are two-sided at 90 %. With few coupons they are wide, and that is the truth about them.",
)


@dataclass(frozen=True)
class PeoplePage:
    """Everything on the page.

    Attributes
    ----------
    page_title, study_name : str
    headline, lead : str
        How far the pair agrees that agrees least, and what to do about it.
    facts : tuple of str
        Who scored how much; sentences.
    sentences, missing : tuple of str
        What it means and what to do; what cannot be told yet.
    pictures : tuple of Picture
        Who leans which way; empty without common scores.
    differ_table : Table or None
        Coupons they differ on.
    tables : tuple of Table
        Pairs on pass/fail and hand-feel, correlations, every person with herself.
    again_lines : tuple of str
        Coupons to look at again, and how.
    method_lines : tuple of str
    """

    page_title: str
    study_name: str
    headline: str
    lead: str
    facts: tuple[str, ...]
    sentences: tuple[str, ...]
    missing: tuple[str, ...]
    pictures: tuple[Picture, ...]
    differ_table: PageTable | None
    tables: tuple[PageTable, ...]
    again_lines: tuple[str, ...]
    method_lines: tuple[str, ...]


def people_page(
    study: Study,
    judged: pd.DataFrame,
    passes: PassAgreement | None,
    hand: HandAgreement | None,
    repeats: Sequence[Repeat],
    *,
    again: Sequence[str],
    missing: Sequence[Finding],
    made_at: datetime,
    made_by: str = "",
) -> PeoplePage:
    """Agreement of people as a page.

    Parameters
    ----------
    study : Study
    judged : DataFrame
        Indexed by coupon, a column a person or look: True, False or missing.
    passes, hand, repeats
        As `doe.assure` judged them; None where they could not be.
    again : sequence of str
        Coupons to look at again, in this order.
    missing : sequence of Finding
        What cannot be told yet.
    made_at : datetime
    made_by : str
    """
    headline, lead = finding(passes, hand)
    common = f"{count(hand.coupons, 'coupon')} felt by everybody" if hand else "no hand-feel in common"
    tables = [_pass_table(passes), _hand_table(hand), _icc_table(hand), _repeat_table(repeats)]
    return PeoplePage(
        page_title=f"People who score, {study.name}",
        study_name=study.name,
        headline=headline,
        lead=lead,
        facts=(
            f"{count(len(judged), 'coupon')} judged more than once; {common}.",
            f"Report made {date_and_time(made_at)}{' by ' + made_by if made_by else ''}.",
        ),
        sentences=agreement_words(passes, hand, repeats),
        missing=missing_words(missing),
        pictures=_lean_picture(hand),
        differ_table=_differ_table(judged),
        tables=tuple(t for t in tables if t is not None),
        again_lines=_again_lines(again),
        method_lines=METHOD,
    )


def _again_lines(again: Sequence[str]) -> tuple[str, ...]:
    if not again:
        return ()
    return (
        "Somebody else hands over the coupons in this order, by number, without settings and without the first scores: "
        f"{', '.join(again)}.",
        "Enter what is seen with doe record STUDY --again; it is kept beside the first scores and changes no result.",
    )


def _lean_picture(hand: HandAgreement | None) -> tuple[Picture, ...]:
    if hand is None:
        return ()
    lean = hand.lean
    leaning = lean[lean["verdict"] != "like the others"]
    title = (
        "Nobody is shown to be harsher or kinder than the others"
        if leaning.empty
        else "; ".join(f"{row['person']} is {row['verdict']}" for row in leaning.to_dict("records"))
    )
    said = "Mean hand-feel minus the mean of all, on the same coupons, with 90 % limits. Left: harsh. Right: kind."
    told = "; ".join(f"{r['person']} {fixed(r['lean'], 1, '+')}" for r in lean.to_dict("records"))
    svg = draw_effects(
        lean.rename(columns={"person": "term", "lean": "effect"}),
        "points of hand-feel",
        reach=HAND_STEP,
        name="lean",
        title=title,
        description=f"{told}. {said}",
    )
    return (Picture(svg, title, said),)


def _number(value: float) -> str:
    return "cannot be told" if math.isnan(value) else fixed(value, 2)


def _limits(low: float, high: float) -> str:
    return "" if math.isnan(low) else f"{fixed(low, 2)} to {fixed(high, 2)}"


def _pass_table(passes: PassAgreement | None) -> PageTable | None:
    if passes is None:
        return None
    rows = tuple(
        (
            f"{p.first} and {p.second}",
            fixed(p.kappa.coupons),
            percent(p.kappa.agreement),
            _number(p.kappa.kappa),
            _limits(p.kappa.low, p.kappa.high),
            band_of(p.kappa),
            str(p.only_first),
            str(p.only_second),
        )
        for p in passes.pairs
    )
    columns = heads(
        "People | Coupons: | Agree: | Kappa: | 90 % limits: |  | Only the first passes: | Only the second passes:"
    )
    return PageTable("Pass and fail, two by two", columns, rows)


def _hand_table(hand: HandAgreement | None) -> PageTable | None:
    if hand is None:
        return None
    rows = tuple((f"{a} and {b}", _number(k.kappa), _limits(k.low, k.high), band_of(k)) for a, b, k in hand.pairs)
    w = hand.ranks
    note = (
        f"All together rank the coupons alike with a Kendall's W of {fixed(w.w, 2)} "
        f"({_limits(w.low, w.high)}); 1 is the "
        "same ranking by all."
    )
    columns = heads("People | Weighted kappa: | 90 % limits: | ")
    return PageTable("Hand-feel, two by two", columns, rows, note)


def _icc_table(hand: HandAgreement | None) -> PageTable | None:
    if hand is None:
        return None
    kinds = {
        "any such people": "any such people would give the same number",
        "these very people": "these people, once each one's habit is taken out",
    }
    rows = tuple(
        (
            kinds[str(r["kind"])],
            "one score" if r["scores"] == 1 else f"mean of {r['scores']}",
            _number(float(r["icc"])),
            _limits(float(r["low"]), float(r["high"])),
        )
        for r in hand.scores.table.to_dict("records")
        if r["kind"] in kinds
    )
    note = (
        "Share of what differs between scores that is the coupons' own. 1: a score stands for its coupon. Limits for "
        "any such people are generalized limits: they never lie below 0, where textbook limits may."
    )
    return PageTable(
        "What a hand-feel score is worth",
        heads("For | Score | Correlation: | 90 % limits:"),
        rows,
        note,
    )


def _repeat_table(repeats: Sequence[Repeat]) -> PageTable | None:
    if not repeats:
        return None
    rows = tuple(
        (
            r.person,
            str(r.coupons),
            str(r.turned),
            "" if r.kappa is None else _number(r.kappa.kappa),
            str(r.hand_coupons),
            "" if math.isnan(r.hand_sd) else f"±{fixed(2 * r.hand_sd, 1)}",
            "" if math.isnan(r.hand_shift) else fixed(r.hand_shift, 1, "+"),
        )
        for r in repeats
    )
    columns = heads("Person | Judged twice: | Changed: | Kappa: | Felt twice: | Repeats to: | Second minus first:")
    return PageTable("Every person with herself", columns, rows)


def _differ_table(judged: pd.DataFrame) -> PageTable | None:
    """Coupons that were judged otherwise by somebody: the ones to look at together."""
    rows = []
    for coupon, row in judged.iterrows():
        known = row.dropna().astype(bool)
        if known.any() and not known.all():
            rows.append((str(coupon), *("" if pd.isna(v) else "pass" if v else "fail" for v in row)))
    if not rows:
        return None
    columns = (words("Coupon"), *(words(str(c)) for c in judged.columns))
    return PageTable("Coupons they differ on: look at these together", columns, tuple(rows))
