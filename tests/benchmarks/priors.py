"""What the priors believe before any coupon, and how hard they pull at answers.

Usage::

    python -m tests.benchmarks.priors                       # what is believed, a second a column
    python -m tests.benchmarks.priors --pulls 28 --first 7000   # how hard they pull, and what that says; minutes

Believed: draws of the model from its priors over the usual ranges, asked like a fit is asked (best of 512 points
spread over the region, so with six factors the true best is higher). Pulls: tuning lines are planned, fitted and
answered; each answer's pull (`doe/setpoint/priors.py`) is held against how far its stated rate is from the true one.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

import doe
from doe.practice.lines import make_line
from doe.setpoint.priors import LARGE
from doe.setpoint.robust import RobustRate
from doe.setpoint.standing import ask
from doe.surfaces.window_model import WindowDraws
from tests.benchmarks.decision_case import true_rate, usual_study
from tests.benchmarks.results import LINE_KINDS, Figures, arguments, table, written

FloatArray = NDArray[np.float64]

DRAWS, POINTS, WALKED = 1000, 512, 150

FACTORS = {
    2: ("press_temp", "dwell"),
    4: ("cure_temp", "cure_time", "press_temp", "dwell"),
    6: ("cure_temp", "cure_time", "press_temp", "dwell", "pressure", "powder_amount"),
}


def believed(names: tuple[str, ...]) -> dict[str, str]:
    """Each statement about draws from the priors, as text."""
    study = replace(usual_study(), factors=tuple(doe.usual_factor(n) for n in names))
    ranges = {f.name: [f.low, f.high] for f in study.factors}
    one = pd.DataFrame(ranges).assign(passed=[True, False], hand_ana=[3.5, np.nan], side=["", "unknown"])
    surfaces = doe.fit(study, one, particles=20)  # only for its model; its draws are not looked at
    assert surfaces.model is not None
    draws = surfaces.model.unpack(np.random.default_rng(1).standard_normal((DRAWS, surfaces.model.parameters)))
    rate = RobustRate(study, surfaces)
    spread = qmc.Sobol(len(names), rng=2).random(POINTS)
    region = pd.DataFrame(
        surfaces.scaling.natural(2 * spread - 1), columns=[f.name for f in study.factors]
    )  # even in the model's own scale
    robust = np.concatenate([rate.draws(region, nodes=16, draws=some(draws, part)) for part in blocks()])
    checks = np.concatenate([rate.draws(region, nodes=16, draws=some(draws, part), hand=False) for part in blocks()])
    best = robust.max(axis=1)
    said = {
        "draws whose best robust rate is 0.95 or more": f"{(best >= 0.95).mean():.2f}",
        "... 0.90 or more": f"{(best >= 0.90).mean():.2f}",
        "... below 0.50": f"{(best < 0.50).mean():.2f}",
        "best robust rate: 10, 50, 90 % of draws": quantiles(best),
        "the same for the checks alone, hand-feel left aside": quantiles(checks.max(axis=1)),
        "share of the region where a coupon passes (mean): 10, 50, 90 %": quantiles(checks.mean(axis=1)),
        "share of the region with a robust rate of 0.95: 10, 50, 90 %": quantiles((robust >= 0.95).mean(axis=1)),
        "peak outside the tested region (any factor)": f"{(np.abs(draws.peak[0]) > 1).any(axis=1).mean():.2f}",
        "prints that fail whatever the settings: 10, 50, 90 %": quantiles(draws.lapse, 3),
        "symptoms on the wrong side: 10, 50, 90 %": quantiles(draws.wrong_side, 2),
    }
    able = np.flatnonzero(best >= 0.95)[:WALKED]
    widths = np.array(
        [walk(study, rate, some(draws, slice(i, i + 1)), region.iloc[[int(robust[i].argmax())]]) for i in able]
    )
    for j, f in enumerate(study.factors):
        said[f"width at 0.95 through the best place, {f.label}, setting errors: 10, 50, 90 %"] = quantiles(
            widths[:, j] / f.setting_sd, 1
        )
    return said


def blocks(size: int = 250) -> list[slice]:
    """Draws at a time, to spare memory."""
    return [slice(start, start + size) for start in range(0, DRAWS, size)]


def some(draws: WindowDraws, part: slice) -> WindowDraws:
    """Some of the draws."""
    stacked = {"logit", "heat", "hand", "peak"}
    return WindowDraws(
        **{
            f.name: getattr(draws, f.name)[:, part] if f.name in stacked else getattr(draws, f.name)[part]
            for f in fields(WindowDraws)
        }
    )


def walk(study: doe.Study, rate: RobustRate, draw: WindowDraws, place: pd.DataFrame) -> FloatArray:
    """Length in each factor, in its unit, of the tested settings through a place at which one draw holds 0.95."""
    widths = []
    for f in study.factors:
        values = np.linspace(f.low, f.high, 61)
        line = pd.concat([place] * len(values), ignore_index=True).assign(**{f.name: values})
        holds = rate.draws(line, nodes=16, draws=draw)[0] >= 0.95
        widths.append(holds.mean() * (f.high - f.low))
    return np.array(widths)


def quantiles(values: FloatArray, digits: int = 2) -> str:
    """Three quantiles of draws."""
    return ", ".join(f"{v:.{digits}f}" for v in np.quantile(values, [0.1, 0.5, 0.9]))


def beliefs() -> str:
    """One column a number of factors."""
    columns = {k: believed(names) for k, names in FACTORS.items()}
    rows = list(dict.fromkeys(row for column in columns.values() for row in column))
    head = [f"before any coupon ({DRAWS} draws)", *(f"{k} factors" for k in columns)]
    return table(head, [[row, *(column.get(row, "") for column in columns.values())] for row in rows])


PULLED = (12, 20, 28)
"""Coupons of the answers whose pulls are looked at."""


def pulls(lines: int, first: int) -> tuple[str, Figures]:
    """How far off answers are, by how hard the priors pull at them and whether they could change the verdict."""
    study = usual_study()
    moved, errors, changed = [], [], []
    for i in range(first, first + lines):
        line = make_line(LINE_KINDS[i % len(LINE_KINDS)], i, study)
        for coupons in PULLED:
            plan = doe.make_plan(study, coupons=coupons, seed=i)
            surfaces = doe.fit(study, line.run(plan.coupons, i), seed=i)
            answer = doe.recommend(study, surfaces, seed=i)
            asked, _ = ask(study, surfaces, answer)
            assert surfaces.traces is not None
            every, now = asked.pulls(surfaces.traces.priors)[0], asked.as_answered()
            others = {*asked.prior_verdicts(now, every)} - {now.verdict}
            moved.append(every.rate)
            errors.append(abs(answer.pass_rate - true_rate(line, answer.setpoint)))
            changed.append(bool(others) and every.reliable)
    hard, off, turns = np.abs(moved) >= LARGE, np.array(errors), np.array(changed)
    body, figures = [], {}
    for name, label, which in (
        ("pulled", f"pulled at by {LARGE} or more", hard),
        ("others", "others", ~hard),
        ("turned", "others whose verdict would change", ~hard & turns),
        ("rest", "others whose verdict would not", ~hard & ~turns),
    ):
        far, count = int((off[which] > 0.10).sum()), int(which.sum())
        figures |= {f"answers_{name}": count, f"far_off_{name}": far}
        body.append([label, str(count), str(far), f"{off[which].mean():.3f}" if count else "none"])
    head = ["answers", "number", "stated rate more than 10 points off", "mean distance"]
    return table(head, body), figures


def main() -> None:
    """Print what is believed, or how hard the priors pull."""
    parser = arguments(__doc__)
    parser.add_argument("--pulls", type=int, default=0, metavar="LINES", help="lines to answer; 0 for none")
    parser.add_argument("--first", type=int, default=7000, help="seed of the first line")
    given = parser.parse_args()
    if not given.pulls:
        with written(given, __file__, __doc__, cases=f"{DRAWS} draws, seed 1; {POINTS} points"):
            print(beliefs())
        return
    cases = f"{given.pulls} tuning lines from seed {given.first}, {PULLED} coupons each"
    with written(given, __file__, __doc__, cases=cases, part="pulls") as figures:
        text, found = pulls(given.pulls, given.first)
        print(text)
        figures.update(found)


if __name__ == "__main__":
    main()
