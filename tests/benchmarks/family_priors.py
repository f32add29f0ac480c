"""Priors of hand-feel, of scores and of machines, held against the population, and what other priors do to answers.

Usage::

    python -m tests.benchmarks.family_priors --lines 16 --first 2000 --tried 120 --out family.jsonl --write

What lines have: hand-feel nearest to a line's truth as the model writes it (a parabola of the shape of the closing
window nearest to the line's pass rates, see `steepness.py`, its top, depth and place free, by least squares where a
coupon passes at least once in ten); the spread of one score, of coupons and people as the line has them and of what
the parabola leaves over, as the width of the model's Student's t; stray failures and sides taken for the other one, as
drawn; what a batch shares: part of the setting error of its machine, root of the part of the variance, as drawn.
Within: share of lines in the central part of the tool's prior.

What it does: each line of a second set is planned, made and fitted with 20 coupons under the tool's priors, and under
those that the lines of all *other* families give for one group of parameters, the tool's for the rest. Differences are
paired, line by line. The group of hand-feel is tried where hand-feel is wanted, the others by checks alone. Beside them
stand two of the tool's former ways: priors of hand-feel and sides too narrow for the lines, and batches that move the
logit of the surface by the same amount everywhere instead of the temperature of their machine.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares, minimize_scalar
from scipy.stats import norm, qmc

import doe
from doe.practice.lines import SimulatedLine
from doe.practice.population.draw import FAMILIES
from doe.surfaces import window_model
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import Priors, student_log_density
from tests.benchmarks.decision_case import line_of, true_hand, true_rate, warm_up
from tests.benchmarks.results import (
    Figures,
    Record,
    append_records,
    arguments,
    cell,
    commit_now,
    made_at,
    mean,
    read_records,
    share,
    table,
    tuning_only,
    written,
)
from tests.benchmarks.steepness import POINTS, chosen_on, nearest_window

FloatArray = NDArray[np.float64]

TOOL, COUPONS, POSSIBLE = Priors(), 20, 0.97
PEOPLE = 2
ROUGH = 0.2
"""Points that a parabola may miss a line's hand-feel by."""
FELT = 0.1
"""Least pass rate at which hand-feel counts."""
NARROW = replace(TOOL, logit_wrong_side=(-2.4, 0.6), hand_top=(4.1, 0.5), log_hand_depth=(-1.0, 1.0))
"""Priors of the tool before they were held against the population."""


@dataclass(frozen=True)
class LineFacts:
    """What the model's parameters would be on a line.

    Attributes
    ----------
    family : str
    steepness : array, shape (factors,)
        Logarithms.
    hand_top, hand_depth, hand_sd : float
        Points of the scale at the best place; logarithms of the depth and of the spread of one score.
    lapse, wrong_side : float
        Shares.
    batches : float
        Logarithm of what a batch shares of its machine's setting error.
    """

    family: str
    steepness: FloatArray
    hand_top: float
    hand_depth: float
    hand_sd: float
    lapse: float
    wrong_side: float
    batches: float


def facts(line: SimulatedLine) -> LineFacts:
    """What the model's parameters would be on a line."""
    model, found = nearest_window(line)
    middle, sd = model.priors.log_steepness
    top, depth, left = _hand(line, model.unpack(found[None]))
    habits = line.habits
    spread = np.sqrt(habits.hand_coupon_sd**2 + habits.hand_scorer_sd**2 / PEOPLE + left**2)
    one = spread / np.sqrt(0.5 + 0.5 / PEOPLE)  # as `hand_scores.mean_hand` takes the mean of two people
    return LineFacts(
        line.kind,
        np.asarray(middle + sd * found[model.columns_of("steepness")]),
        top,
        float(np.log(max(depth, 1e-3))),
        float(np.log(one * student_width())),
        habits.lapse,
        habits.wrong_side,
        float(0.5 * np.log(habits.batch_share)),
    )


def student_width() -> float:
    """Width of the model's Student's t that is nearest to a normal of standard deviation 1."""
    z = norm.ppf((np.arange(2000) + 0.5) / 2000)
    found = minimize_scalar(lambda s: -float(student_log_density(z, np.array(s)).mean()), bounds=(0.3, 1.5))
    return float(found.x)


def _spots(line: SimulatedLine) -> FloatArray:
    return np.asarray(2 * qmc.Sobol(len(line.study.factors), rng=7).random(POINTS) - 1)


def _hand(line: SimulatedLine, window: window_model.WindowDraws) -> tuple[float, float, float]:
    """Top and depth of the parabola nearest to a line's hand-feel, and what it leaves over (rms)."""
    scaling, z = Scaling(line.study.factors), _spots(line)
    frame = line.frame(z)
    z = scaling.z(frame)
    true, rate = line.true_hand(frame), line.true_pass(frame)
    felt = rate >= min(FELT, float(np.quantile(rate, 0.8)))
    z, true = z[felt], true[felt]
    peak, shape = window.peak[0, 0], window.shape[0]

    def left(x: FloatArray) -> FloatArray:
        away = z - peak - x[2:]
        return np.asarray(x[0] - np.exp(x[1]) * np.einsum("nk,kl,nl->n", away, shape, away) - true)

    def held_back(x: FloatArray) -> FloatArray:
        # a trend has its top as far off as one likes; the tool's prior of the place says how far that is
        return np.concatenate([left(x) / ROUGH, x[2:] / TOOL.hand_place_sd])

    starts = [np.array([true.max(), at, *np.zeros(z.shape[1])]) for at in (-4.0, -1.0)]
    ends = [least_squares(held_back, start, loss="soft_l1", f_scale=2.5, max_nfev=400) for start in starts]
    best = min(ends, key=lambda end: float(end.cost))
    return float(best.x[0]), float(np.exp(best.x[1])), float(np.median(np.abs(left(best.x))) / 0.6745)


@dataclass(frozen=True)
class Held:
    """A parameter: its name, the tool's normal prior on the scale of its values, and its values on a line."""

    name: str
    prior: tuple[float, float]
    of: Callable[[LineFacts], FloatArray]
    shown: Callable[[float], float] = np.exp


def _logit(share_of: float) -> FloatArray:
    p = np.clip(share_of, 1e-6, 1 - 1e-6)
    return np.array([np.log(p / (1 - p))])


HELD = (
    Held("hand-feel at its best, points", TOOL.hand_top, lambda x: np.array([x.hand_top]), float),
    Held("depth of hand-feel, points", TOOL.log_hand_depth, lambda x: np.array([x.hand_depth])),
    Held("spread of one score, points", TOOL.log_hand_sd, lambda x: np.array([x.hand_sd])),
    Held("stray failures", TOOL.logit_lapse, lambda x: _logit(x.lapse), lambda v: 1 / (1 + np.exp(-v))),
    Held(
        "sides taken for the other",
        TOOL.logit_wrong_side,
        lambda x: _logit(x.wrong_side),
        lambda v: 1 / (1 + np.exp(-v)),
    ),
    Held("what a batch shares, setting errors", TOOL.log_batch_error, lambda x: np.array([x.batches])),
)


def held(found: Sequence[LineFacts]) -> tuple[str, Figures]:
    """Each parameter on the lines beside the tool's prior: 5, 50 and 95 %, and what lies within."""
    rows, figures = [], Figures()
    for p in HELD:
        values = np.concatenate([p.of(line) for line in found])
        middle, sd = p.prior
        at = (0.05, 0.5, 0.95)
        own = [f"{p.shown(v):.3g}" for v in np.quantile(values, at)]
        prior = [f"{p.shown(middle + sd * norm.ppf(q)):.3g}" for q in at]
        inside = [share(np.abs(values - middle) <= sd * norm.ppf((1 + part) / 2)) for part in (0.5, 0.9)]
        above = share(values > middle + sd * norm.ppf(0.95))
        rows.append([p.name, ", ".join(own), ", ".join(prior), *(cell(x) for x in (*inside, above))])
        figures[f"within_90_{re.sub('[^a-z]+', '_', p.name.split(',')[0])}"] = inside[1][0]
    head = [
        "parameter",
        "lines: 5, 50, 95 %",
        "prior: 5, 50, 95 %",
        "within 50 %",
        "within 90 %",
        "above the prior's 95 %",
    ]
    return table(head, rows), figures


def others(found: Sequence[LineFacts]) -> dict[str, Priors]:
    """The tool's priors with one group as these lines have it."""

    def normal(values: Sequence[FloatArray]) -> tuple[float, float]:
        v = np.concatenate(values)
        return float(v.mean()), float(v.std(ddof=1))

    steep = chosen_on(np.stack([x.steepness for x in found]))
    mean_of = {p.name: normal([p.of(x) for x in found]) for p in HELD}
    top, depth, spread, _, wrong, batch = (mean_of[p.name] for p in HELD)
    return {
        "steepness": replace(TOOL, log_steepness=(steep.mean, steep.sd), log_steepness_common_sd=steep.common),
        "sides": replace(TOOL, logit_wrong_side=wrong),
        "batches": replace(TOOL, log_batch_error=batch),
        "hand-feel": replace(TOOL, hand_top=top, log_hand_depth=depth, log_hand_sd=spread),
    }


WITH_HAND = ("hand-feel",)
BEFORE = {"narrow": (NARROW, window_model.displaced), "batches in logits": (TOOL, lambda *_: None)}
"""Former ways: their priors, and what batches displace."""


def one(family: str, seed: int, priors: Mapping[str, Priors], commit: str) -> list[Record]:
    """Every answer on one line; ``priors`` are those that the other families give."""
    warm_up()
    records = []
    for hand in (False, True):
        line = line_of(family, seed, hand=hand)
        study = line.study
        results = line.run(doe.make_plan(study, coupons=COUPONS, seed=seed).coupons, seed)
        others_give = {name: p for name, p in priors.items() if (name in WITH_HAND) == hand}
        tried = {name: (p, window_model.displaced) for name, p in ({"the tool's": TOOL} | others_give).items()} | BEFORE
        for name, (p, moves) in tried.items():
            with patch.object(window_model, "Priors", lambda p=p: p), patch.object(window_model, "displaced", moves):
                answer = doe.recommend(study, doe.fit(study, results, seed=seed), seed=seed)
            true = true_rate(line, answer.setpoint)
            felt = true_hand(line, answer.setpoint)
            records.append(
                {
                    "family": family,
                    "seed": seed,
                    "commit": commit,
                    "hand": hand,
                    "way": name,
                    "best": line.best().robust_pass,
                    "true": true,
                    "bound": bool(true >= answer.pass_rate_low),
                    "said": answer.p_target,
                    "ready": answer.verdict == "ready",
                    "inside": None
                    if answer.hand_low is None or answer.hand_high is None
                    else bool(answer.hand_low <= felt <= answer.hand_high),
                }
            )
    return records


def decisions(records: Sequence[Record]) -> tuple[str, Figures]:
    """What each group's priors lead to beside the tool's, line by line."""
    rows, figures = [], Figures()
    for hand in (False, True):
        of = [r for r in records if r["hand"] == hand]
        tool = {r["seed"]: r for r in of if r["way"] == "the tool's"}
        for way in dict.fromkeys(r["way"] for r in of):
            found = {r["seed"]: r for r in of if r["way"] == way}
            able = [s for s in found if tool[s]["best"] >= POSSIBLE]
            reached = np.array([found[s]["true"] >= 0.95 for s in able])
            before = np.array([tool[s]["true"] >= 0.95 for s in able])
            gain = mean(reached.astype(float) - before)
            rate = mean(found[s]["true"] - tool[s]["true"] for s in able)
            inside = share(r["inside"] for r in found.values() if r["inside"] is not None)
            error = mean((r["said"] - (r["true"] >= 0.95)) ** 2 for r in found.values())
            rows.append(
                [
                    "yes" if hand else "no",
                    way,
                    str(len(able)),
                    cell(share(reached)),
                    *(["", ""] if way == "the tool's" else [cell(gain), cell(rate, 3)]),
                    cell(share(found[s]["true"] < 0.80 for s in able)),
                    cell(share(r["bound"] for r in found.values())),
                    cell(error, 3),
                    cell(inside) if hand else "",
                ]
            )
            if way != "the tool's":
                name = re.sub("[^a-z]+", "_", way) + ("_hand" if hand and way in BEFORE else "")
                figures |= {f"gain_{name}": gain[0], f"gain_{name}_se": gain[1]}
    head = ["hand-feel wanted", "priors of", "lines with 0.97 possible", "true >= 0.95", "minus the tool's"]
    head += ["mean true minus the tool's", "true < 0.80", "90 % bound holds", "squared error of the chance said"]
    return table([*head, "hand-feel's limits hold"], rows), figures


def main() -> None:
    """Print both tables."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=16, help="of each family, to take priors from")
    parser.add_argument("--first", type=int, default=2000)
    parser.add_argument("--tried", type=int, default=120, help="lines to answer under other priors")
    parser.add_argument("--from", dest="tried_from", type=int, default=5400)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.lines)
    tried = range(given.tried_from, given.tried_from + given.tried)
    records = list(tuning_only(read_records(given.out)))
    cases = f"{given.lines} lines of each tuning family, seeds {seeds[0]} to {seeds[-1]}; {len(tried)} lines answered, "
    cases += f"seeds {tried.start} to {tried.stop - 1}{made_at(records)}"
    with written(given, __file__, __doc__, cases=cases) as figures:
        found = [facts(line_of(family, seed)) for family in FAMILIES for seed in seeds]
        text, more = held(found)
        print(f"{text}\n")
        figures.update(more)
        priors = {family: others([x for x in found if x.family != family]) for family in FAMILIES}
        done, families, commit = {r["seed"] for r in records}, list(FAMILIES), commit_now()
        for seed in tried:
            if seed in done:
                continue
            family = families[seed % len(families)]
            made = one(family, seed, priors[family], commit)
            records += made
            append_records(given.out, made)
        text, more = decisions([r for r in records if r["seed"] in tried])
        print(text)
        figures.update(more)


if __name__ == "__main__":
    main()
