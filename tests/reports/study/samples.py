"""Studies on simulated lines for the tests of the pages; invented shop, lots and people."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from typing import Any

import pandas as pd

from doe.domain.factors import usual_factor
from doe.domain.limits import Limits
from doe.domain.space import Forbidden
from doe.domain.spec import Spec
from doe.domain.stack import Line, Machine, Material, Stack
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.plans.build import make_plan
from doe.plans.plan import Plan
from doe.practice.lines import make_line
from doe.setpoint.answer import Window
from doe.setpoint.recommendation import recommend
from doe.surfaces.fitted import fit
from reports.names import given_names
from reports.pages import render
from reports.sheet.labels import labels_page
from reports.sheet.page import sheet_page
from reports.study.inputs import HistoryRow, Provenance, StudyReport

FOUR = ("cure_temp", "cure_time", "press_temp", "dwell")
MADE_AT = datetime(2031, 3, 4, 15, 7, tzinfo=UTC)
STACK = Stack(
    "navy blend, hot film, medium powder",
    Material("navy 60/40 tee", "Example Knits", "K-204"),
    Material("hot-peel film", "Example Films", "F-88"),
    Material("powder 80-160 um", "Example Powders", "P-1203"),
)
LINE = Line("line one", Machine("tunnel", 10, 15), Machine("swing press", 4, 12), gauge="probe 2", coupons_per_stroke=2)
LIMITS = Limits(
    film_max_degc=175,
    powder_max_degc=180,
    fabric_max_degc=185,
    oven_max_degc=180,
    press_max_degc=190,
    min_cure_time_s=60,
    min_dwell_s=5,
    max_pressure_bar=6,
    sources={"film_max_degc": "film sheet, edition 3"},
)


def bench_sheet(*inputs: Any, **others: Any) -> str:
    """`sheet_page` as a document."""
    return render("sheet.html", sheet_page(*inputs, **others), names=given_names(*inputs, *others.values()))


def label_sheets(*inputs: Any, **others: Any) -> str:
    """`labels_page` as a document."""
    return render("labels.html", labels_page(*inputs, **others), names=given_names(*inputs))


def make_study(names: tuple[str, ...] = FOUR, *, forbidden: str = "", spec: Spec | None = None) -> Study:
    """A study over usual factors, with limits and held settings."""
    factors = tuple(usual_factor(name) for name in names)
    usual = {"peel_wait": 10.0, "second_press_time": 5.0, "pressure": 3.0}
    held = {name: value for name, value in usual.items() if name not in names}
    rules = (Forbidden.parse(forbidden, factors, "scorch"),) if forbidden else ()
    return Study("Navy tee, soft film", factors, spec or Spec(), LIMITS, rules, held)


@cache
def plan_of(names: tuple[str, ...] = FOUR, coupons: int = 20, seed: int = 3) -> Plan:
    """A plan on the sample line."""
    return make_plan(make_study(names), coupons=coupons, seed=seed, line=LINE)


def sample(
    kind: str = "smooth",
    names: tuple[str, ...] = FOUR,
    *,
    coupons: int = 20,
    seed: int = 3,
    forbidden: str = "",
    shown: Shown | None = None,
    change: Callable[[pd.DataFrame], pd.DataFrame] | None = None,
) -> StudyReport:
    """Inputs of a report: a plan run on a simulated line, fitted with few draws and answered."""
    study = make_study(names, forbidden=forbidden)
    plan = make_plan(study, coupons=coupons, seed=seed, line=LINE)
    results = make_line(kind, seed, study).run(plan.coupons, seed)  # type: ignore[arg-type]
    if change is not None:
        results = change(results)
    surfaces = fit(study, results, seed=seed, particles=200)
    return StudyReport(
        study=study,
        stack=STACK,
        line=LINE,
        surfaces=surfaces,
        answer=recommend(study, surfaces, seed=seed),
        coupons=plan.coupons,
        results=results,
        provenance=Provenance("0f3a9c41", "0.1.0", "Ana"),
        made_at=MADE_AT,
        history=(HistoryRow(MADE_AT, "Ben", "20 coupons scored", "first look"),),
        plan_notes=plan.notes,
        shown=shown or Shown(),
    )


def with_checks(report: StudyReport, **changes: Any) -> StudyReport:
    """The report with other classical checks."""
    return replace(report, checks=replace(report.classical, **changes))


def without_hand(frame: pd.DataFrame) -> pd.DataFrame:
    """Results in which nobody scored the hand-feel."""
    return frame.drop(columns=[c for c in frame.columns if str(c).startswith("hand_")])


@cache
def samples() -> dict[str, StudyReport]:
    """One report input for each case a page has to cope with."""
    base = sample()
    centre = dict(base.answer.setpoint)
    numeric = [f.name for f in base.study.numeric]

    def box(kind: str, errors: float) -> Window:
        rows = {
            n: (
                max(base.study.factor(n).low, float(centre[n]) - errors * base.study.factor(n).setting_sd),
                min(base.study.factor(n).high, float(centre[n]) + errors * base.study.factor(n).setting_sd),
            )
            for n in numeric
        }
        bounds = pd.DataFrame.from_dict(rows, orient="index", columns=["low", "high"])
        return Window(bounds, kind, 0.953, errors)  # type: ignore[arg-type]

    ready = replace(
        base,
        answer=replace(
            base.answer,
            verdict="ready",
            pass_rate=0.968,
            pass_rate_low=0.921,
            p_target=0.8,
            next_coupons=base.answer.next_coupons.head(0),
            window=box("expected", 2.0),
            assured_window=box("assured", 1.0),
        ),
    )
    more = replace(
        base,
        answer=replace(base.answer, verdict="more coupons", next_coupons=base.surfaces.results.settings.head(8)),
    )
    unreachable = replace(
        base,
        answer=replace(
            base.answer,
            verdict="not reachable",
            pass_rate=0.7,
            pass_rate_low=0.55,
            p_reachable=0.02,
            window=None,
            assured_window=None,
            next_coupons=base.answer.next_coupons.head(0),
            changes=("The best dwell seems to lie above the tested 20 s.", "Try another powder."),
        ),
    )
    return {
        "ready": ready,
        "more coupons": more,
        "not reachable": unreachable,
        "no hand-feel": sample(change=without_hand),
        "all pass": sample("easy", change=lambda r: r.assign(passed=True, side="")),
        "all fail": sample(change=lambda r: r.assign(passed=False, side="under")),
        "two factors": sample(names=("press_temp", "dwell"), shown=Shown("degF", "psi")),
        "six factors": sample(names=(*FOUR, "pressure", "film_type"), coupons=28),
        "forbidden": sample("thermal", seed=8, forbidden="press_temp >= 163 and dwell >= 16"),
    }
