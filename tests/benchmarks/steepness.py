"""The prior of how fast a window closes, chosen on all families but one and held against the one left out.

Usage::

    python -m tests.benchmarks.steepness --lines 24 --first 2000

Nothing is fitted to coupons. The steepness of a simulated line is that of the closing window nearest to its truth: the
pass rates at points spread over the region are each given as a passing and a failing part of a coupon, without errors
of settings, and the window of the highest posterior is taken under a prior of the steepness five times as wide as the
tool's, with nothing in common between factors; the other priors are the tool's. What families give is the mean of the
logarithms over factors and lines, the spread that the factors of a line have in common, and that of each factor, from
the mean squares within and between lines. Within: share of the left-out family's factors in the central part of the
prior of one factor. Log score: of a line's factors together, under the prior of the others and under the tool's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import multivariate_normal, norm, qmc

from doe.domain.results import read_results
from doe.practice.lines import SimulatedLine
from doe.practice.population.draw import FAMILIES, draw_line
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_gradient import TemperedWindow
from doe.surfaces.window_model import Priors, WindowModel
from tests.benchmarks.population import draw_study
from tests.benchmarks.results import Figures, arguments, cell, mean, share, table, written

FloatArray = NDArray[np.float64]

POINTS = 256
WIDE = Priors(log_steepness=(Priors().log_steepness[0], 2.0), log_steepness_common_sd=0.0)


@dataclass(frozen=True)
class SteepnessPrior:
    """Logarithms of the steepness: mean, spread of each factor by itself, spread all of a line have in common."""

    mean: float
    sd: float
    common: float

    @property
    def spread(self) -> float:
        """Standard deviation of one factor."""
        return float(np.hypot(self.sd, self.common))

    def log_score(self, lines: FloatArray) -> FloatArray:
        """Log density of each line's factors, (lines, k), together, shape (lines,)."""
        k = lines.shape[1]
        covariance = self.sd**2 * np.eye(k) + self.common**2
        return np.atleast_1d(multivariate_normal(np.full(k, self.mean), covariance).logpdf(lines))

    def within(self, lines: FloatArray, part: float) -> NDArray[np.bool_]:
        """Which factors of the lines lie in the central part of the prior of one factor, (lines, k)."""
        return np.asarray(np.abs(lines - self.mean) <= norm.ppf((1 + part) / 2) * self.spread)


IN_THE_TOOL = SteepnessPrior(*Priors().log_steepness, Priors().log_steepness_common_sd)


def chosen_on(lines: FloatArray) -> SteepnessPrior:
    """The prior that lines, (lines, k), give: components of variance of one way of grouping."""
    k = lines.shape[1]
    inside = float(lines.var(axis=1, ddof=1).mean())
    between = float(lines.mean(axis=1).var(ddof=1)) - inside / k
    return SteepnessPrior(float(lines.mean()), np.sqrt(inside), np.sqrt(max(between, 0.0)))


def steepness(line: SimulatedLine) -> FloatArray:
    """Logarithm of the steepness of the closing window nearest to a line's truth, shape (factors,)."""
    model, found = nearest_window(line)
    middle, sd = model.priors.log_steepness
    return np.asarray(middle + sd * found[model.columns_of("steepness")])


def nearest_window(line: SimulatedLine) -> tuple[WindowModel, FloatArray]:
    """The closing window nearest to a line's truth: the model, and its parameters, shape (parameters,)."""
    scaling = Scaling(line.study.factors)
    z = 2 * qmc.Sobol(len(scaling.factors), rng=7).random(POINTS) - 1
    frame = pd.DataFrame(scaling.natural(z), columns=[f.name for f in line.study.factors])
    rate = line.true_pass(frame.copy())
    both = pd.concat(
        [frame.assign(passed=True, side=""), frame.assign(passed=False, side="unknown")], ignore_index=True
    )
    results = read_results(line.study, both)
    weights = np.concatenate([rate, 1 - rate])
    model = WindowModel(scaling, results, mean_hand(results), WIDE, trial_error=0.0, weights=weights)
    return model, nearest(model, z[int(rate.argmax())])


def nearest(model: WindowModel, place: FloatArray) -> FloatArray:
    """The mode of a model's posterior, searched from the middle and from a place, shape (parameters,)."""
    tempered = TemperedWindow(model)

    def away(xi: FloatArray) -> tuple[float, FloatArray]:
        value, slopes = tempered.slopes(xi[None])
        return float(0.5 * (xi**2).sum() - value[0]), xi - slopes[0]

    starts = np.zeros((2, model.parameters))
    starts[1, model.columns_of("place")] = place / WIDE.peak_place_sd
    found = [minimize(away, start, jac=True, method="L-BFGS-B", options={"maxiter": 300}) for start in starts]
    return np.asarray(min(found, key=lambda end: float(end.fun)).x)


def left_out(by_family: dict[str, FloatArray]) -> tuple[str, Figures]:
    """Each family beside the prior that the others give, and the tool's."""
    rows, chosen, own, inside = [], [], [], {0.5: [], 0.9: []}  # type: ignore[var-annotated]
    for family, here in by_family.items():
        prior = chosen_on(np.concatenate([lines for name, lines in by_family.items() if name != family]))
        itself = chosen_on(here)
        scores = prior.log_score(here), IN_THE_TOOL.log_score(here)
        chosen.append(scores[0])
        own.append(scores[1])
        for part, found in inside.items():
            found.append(prior.within(here, part))
        rows.append(
            [
                family,
                str(len(here)),
                _said(itself),
                _said(prior),
                *(f"{prior.within(here, part).mean():.2f}" for part in inside),
                *(f"{IN_THE_TOOL.within(here, part).mean():.2f}" for part in inside),
                *(cell(mean(score), 2) for score in scores),
            ]
        )
    every = np.concatenate(list(by_family.values()))
    together = np.concatenate(chosen), np.concatenate(own)
    covered = {part: share(np.concatenate(found).ravel())[0] for part, found in inside.items()}
    own_covered = {part: share(IN_THE_TOOL.within(every, part).ravel())[0] for part in inside}
    rows.append(
        [
            "all",
            str(len(every)),
            _said(chosen_on(every)),
            "",
            *(f"{covered[part]:.2f}" for part in inside),
            *(f"{own_covered[part]:.2f}" for part in inside),
            *(cell(mean(score), 2) for score in together),
        ]
    )
    rows.append(["others' prior - the tool's", *[""] * 7, cell(mean(together[0] - together[1]), 2)])
    rows[-1] += [""] * (len(rows[0]) - len(rows[-1]))
    head = ["family left out", "lines", "its own: mean, sd, in common", "the others give", "within 50 %", "90 %"]
    head += ["the tool's: within 50 %", "90 %", "log score a line, others' prior", "the tool's"]
    figures = {
        "within_50": covered[0.5],
        "within_90": covered[0.9],
        "tool_within_50": own_covered[0.5],
        "tool_within_90": own_covered[0.9],
        "log_score_others": float(together[0].mean()),
        "log_score_tool": float(together[1].mean()),
    }
    return table(head, rows), figures


def _said(prior: SteepnessPrior) -> str:
    return f"{prior.mean:.2f}, {prior.sd:.2f}, {prior.common:.2f}"


def main() -> None:
    """Print how each family lies in the prior of the others."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=24, help="of each family")
    parser.add_argument("--first", type=int, default=2000, help="seed of the first line")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.lines)
    cases = f"{given.lines} lines of each tuning family, seeds {seeds[0]} to {seeds[-1]}; {POINTS} points"
    with written(given, __file__, __doc__, cases=cases) as figures:
        found = {
            family: np.stack([steepness(draw_line(family, seed, draw_study(seed))) for seed in seeds])
            for family in FAMILIES
        }
        text, more = left_out(found)
        print(f"The tool's prior: mean, sd, in common {_said(IN_THE_TOOL)}\n\n{text}")
        figures.update(more)


if __name__ == "__main__":
    main()
