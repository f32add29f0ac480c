"""Whether draws of the closing window tell the truth about lines drawn from its priors: simulation-based calibration.

Usage::

    python -m tests.benchmarks.calibration --repeats 400                # two factors, 20 coupons
    python -m tests.benchmarks.calibration --repeats 200 --factors 4    # the usual four, the usual plan of 28

Truths are drawn from the priors, coupons are made from them with sides, hand-feel and batches, the model is fitted
with the usual settings, and the rank of each truth among the draws is taken (Talts et al. 2018, arXiv:1804.06788).
Ranks of a correct model and sampler are uniform: the mean is a half, the variance one twelfth, and the truth lies
above the 10 % quantile in 90 % of the repeats. The last row does the same for the robust pass rate at the setpoint
that was chosen by its lower bound: it shows what that choice costs.

One quantity in a hundred has a p-value (of a Kolmogorov-Smirnov test of uniform ranks) below 0.01 when all is well.

``--errors model`` makes coupons from the likelihood itself: what is off then is the sampler or the code.
``--errors real`` lets the trial's settings wander and asks the surface at the real ones: what is off in addition is
the closed-form average over the trial's error.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray
from scipy import stats

from doe.domain.factors import Factor
from doe.domain.results import Results, points_of, read_results
from doe.domain.spec import HAND_HIGH, HAND_LOW, HAND_STEP, Spec
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from doe.surfaces.fitted import PARTICLES, Surfaces
from doe.surfaces.hamiltonian import sample_by_slopes
from doe.surfaces.hand_scores import HandScores, mean_hand
from doe.surfaces.outcomes import OTHER_BLAMED, OTHER_SEEN, expit
from doe.surfaces.scaling import Scaling, quadratic_features
from doe.surfaces.window_gradient import TemperedWindow
from doe.surfaces.window_model import HAND_FREEDOM, WindowModel, rounding_bounds
from tests.benchmarks.decision_case import usual_study
from tests.benchmarks.results import Figures, arguments, table, written

FloatArray = NDArray[np.float64]

OUTCOMES = ("pass", "under", "over", "other")
UNNAMED = 0.2
"""Share of failures whose side nobody names."""


@dataclass(frozen=True)
class Repeat:
    """Ranks of one truth (share of draws below it) and the bound at the chosen setpoint."""

    ranks: dict[str, float]
    setpoint_rank: float
    passed: int


def study_of(factors: int) -> Study:
    """The usual study of four factors, or one of two, so that a repeat takes a second."""
    return usual_study() if factors == 4 else small_study()


def plan_of(study: Study) -> pd.DataFrame:
    """Coupons of a study: its usual plan of 28, or the small one of 20."""
    return small_plan() if len(study.factors) == 2 else make_plan(study, coupons=28, seed=1).coupons


def small_study() -> Study:
    """Two factors."""
    factors = (
        Factor("press_temp", "degC", low=140, high=170, setting_sd=5, hard_to_change=True),
        Factor("dwell", "s", low=8, high=20, setting_sd=1, scale="log"),
    )
    return Study("calibration", factors, spec=Spec(pass_rate=0.95, hand_min=3.5, assurance=0.90))


def small_plan() -> pd.DataFrame:
    """Twenty coupons: a grid of three by three twice, two at the centre; four press batches, three cure batches."""
    temperature, dwell = (g.ravel() for g in np.meshgrid([140.0, 155.0, 170.0], [8.0, 12.6, 20.0]))
    frame = pd.DataFrame({"press_temp": [*temperature, *temperature, 155, 155], "dwell": [*dwell, *dwell, 12.6, 12.6]})
    frame["press_batch"] = [*(f"p{t:.0f}" for t in frame["press_temp"][:18]), "p-last", "p-last"]
    frame["cure_batch"] = [f"c{i % 3}" for i in range(len(frame))]
    return frame


def make_coupons(
    model: WindowModel, xi: FloatArray, rng: np.random.Generator, *, real_errors: bool
) -> tuple[NDArray[np.bool_], NDArray[np.str_], HandScores]:
    """Results of one truth ``xi``, shape (1, parameters): passed, side, hand-feel of what transferred by one person."""
    n = len(model.passed)
    wander = np.sqrt(model.own_variance()) * rng.standard_normal(model.z.shape) if real_errors else 0.0
    chance = real_chances(model, xi, model.z + wander) if real_errors else model_chances(model, xi)
    if not np.allclose(chance.sum(axis=0), 1):
        raise AssertionError("the ways a coupon can end do not add up to one")
    ended = (rng.random(n) > np.cumsum(chance, axis=0)[:-1]).sum(axis=0)
    passed = ended == 0
    side = np.where(passed, "", np.array(["", *OUTCOMES[1:]])[ended])
    side = np.where(~passed & (rng.random(n) < UNNAMED), "unknown", side)
    truth, rows = model.unpack(xi), np.flatnonzero(passed)
    mean = (truth.hand[0] @ quadratic_features(model.z + wander).T)[0]
    if not real_errors:
        mean -= truth.depth[0] * (model.trial_variance @ np.diagonal(truth.shape[0]))
    felt = mean[rows] + truth.hand_sd[0] * rng.standard_t(HAND_FREEDOM, len(rows))
    score = np.clip(np.round(felt / HAND_STEP) * HAND_STEP, HAND_LOW, HAND_HIGH)
    return passed, side, HandScores(rows, score, np.ones(len(rows)), np.zeros(1))


def model_chances(model: WindowModel, xi: FloatArray) -> FloatArray:
    """Probability of each of `OUTCOMES` as the likelihood has it, shape (4, coupons)."""
    n = len(model.passed)
    keep = model.passed, model.points
    rows = []
    for outcome in OUTCOMES:
        model.passed = np.full(n, outcome == "pass")
        model.points = points_of(np.full(n, outcome))
        rows.append(np.exp(model.coupon_log_likelihood(xi)[0]))
    model.passed, model.points = keep
    return np.array(rows)


def real_chances(model: WindowModel, xi: FloatArray, real: FloatArray) -> FloatArray:
    """The same for coupons whose real settings have wandered from the set ones; the surface is asked there."""
    truth, real, shifted = model.unpack(xi), real.copy(), np.zeros(len(real))
    for batch, (_, moved) in zip(model.batches, model.batch_moves(xi), strict=True):
        if batch.factor is None:
            shifted += moved[0]
        else:
            real[:, batch.factor] += moved[0]
    eta = truth.eta(real)[0] + shifted
    lapse, wrong, over = float(truth.lapse[0]), float(truth.wrong_side[0]), expit(truth.over_logit(real)[0])
    heat = (1 - lapse) * expit(-eta)
    stray, told = lapse * (1 - OTHER_SEEN) / 2, (1 - OTHER_BLAMED) * heat
    return np.array(
        [
            (1 - lapse) * expit(eta),
            told * ((1 - over) * (1 - wrong) + over * wrong) + stray,
            told * (over * (1 - wrong) + (1 - over) * wrong) + stray,
            OTHER_SEEN * lapse + OTHER_BLAMED * heat,
        ]
    )


def fitted(
    model: WindowModel, study: Study, results: Results, rng: np.random.Generator, particles: int
) -> tuple[Surfaces, FloatArray]:
    """Surfaces of a model with the sampler's usual settings, and its raw draws."""
    cloud = sample_by_slopes(TemperedWindow(model), rng=rng, particles=particles)
    surfaces = Surfaces(
        study,
        replace(results, passed=model.passed),
        model.scaling,
        model.unpack(cloud.draws),
        model.coupon_log_likelihood(cloud.draws),
        model.hand,
        cloud.log_evidence,
        0,
        (),
    )
    return surfaces, cloud.draws


def run_repeat(seed: int, *, factors: int = 2, particles: int = PARTICLES, real_errors: bool = False) -> Repeat:
    """One truth from the priors, its coupons, the fit, and the ranks."""
    rng = np.random.default_rng([20_260, seed])
    study = study_of(factors)
    results = read_results(study, plan_of(study).assign(passed=True))
    model = WindowModel(Scaling(study.factors), results, mean_hand(results))
    xi = rng.standard_normal((1, model.parameters))
    passed, side, hand = make_coupons(model, xi, rng, real_errors=real_errors)
    model.passed, model.hand = passed, hand
    given = np.full((len(passed), 1), np.nan)
    given[hand.rows, 0] = hand.score
    model.hand_low, model.hand_high = rounding_bounds(hand, replace(results, hand=given))
    model.points = points_of(side)
    surfaces, draws = fitted(model, study, results, rng, particles)
    truth, window = model.unpack(xi), surfaces.draws
    places = np.array([[0.0, 0.0], [1.0, -1.0], [1.0, 1.0]])
    places = np.tile(places, factors // 2)  # both machines alike
    asked = {
        "lapse": (window.lapse, truth.lapse),
        "wrong side": (window.wrong_side, truth.wrong_side),
        "spread of hand-feel": (window.hand_sd, truth.hand_sd),
        "hand-feel at the centre": (window.hand[0][:, 0], truth.hand[0][:, 0]),
        "slope of the sides": (window.heat[0][:, 1], truth.heat[0][:, 1]),
    }
    for name, part in model.slices.items():  # every parameter
        for j, column in enumerate(range(part.start, part.stop)):
            asked[f"{name.replace('_', ' ')} {j + 1}"] = (draws[:, column], xi[:, column])
    for place, here, there in zip(places, window.eta(places).T, truth.eta(places).T, strict=True):
        asked[f"logit at {place[0]:+.0f} {place[1]:+.0f}"] = (here, there)
    rate = RobustRate(study, surfaces)
    at = pd.DataFrame(surfaces.scaling.natural(places), columns=list(study.factor_names))
    here, there = rate.draws(at, nodes=32), rate.draws(at, nodes=32, draws=truth)
    for place, values, value in zip(places, here.T, there.T, strict=True):
        asked[f"robust rate at {place[0]:+.0f} {place[1]:+.0f}"] = (values, value)
    ranks = {name: rank(values, float(value[0]), rng) for name, (values, value) in asked.items()}
    found = find_setpoint(rate, rng=rng)
    true_rate = float(rate.draws(found.setpoint, nodes=64, draws=truth)[0, 0])
    return Repeat(ranks, float((found.rates < true_rate).mean()), int(passed.sum()))


def rank(values: FloatArray, truth: float, rng: np.random.Generator) -> float:
    """Share of draws below a truth; of draws that equal it, as rates of 0 far from the window do, a random share."""
    return float((values < truth).mean() + rng.random() * (values == truth).mean())


def by_quantity(repeats: list[Repeat], assurance: float = 0.90) -> tuple[str, Figures]:
    """The ranks in one row a quantity, and the ends of what they span."""
    n = len(repeats)
    columns = {name: np.array([r.ranks[name] for r in repeats]) for name in repeats[0].ranks}
    columns["robust rate at the setpoint"] = np.array([r.setpoint_rank for r in repeats])
    found = np.array(
        [
            [
                ranks.mean(),
                12 * ranks.var(),
                stats.kstest(ranks, "uniform").pvalue,
                (ranks >= 1 - assurance).mean(),
                (ranks >= 0.5).mean(),
            ]
            for ranks in columns.values()
        ]
    )
    digits = (3, 2, 2, 2, 2)
    body = [
        [name, *(f"{value:.{d}f}" for value, d in zip(row, digits, strict=True))]
        for name, row in zip(columns, found, strict=True)
    ]
    means, spreads, p = found[:-1, 0], found[:-1, 1], found[:-1, 2]  # the last is about a choice, not a draw
    figures = {
        "quantities": len(means),
        "lowest_mean": means.min(),
        "highest_mean": means.max(),
        "lowest_variance": spreads.min(),
        "highest_variance": spreads.max(),
        "p_below_001": (p < 0.01).sum(),
        "above_bound_at_setpoint": found[-1, 3],
    }
    said = (
        f"{n} repeats: standard error of a mean {0.289 / np.sqrt(n):.3f}, of 12 x variance {np.sqrt(0.8 / n):.2f}, "
        f"of a share near 0.9 {0.3 / np.sqrt(n):.3f}."
    )
    head = ["quantity", "mean rank", "variance x 12", "p uniform", "truth above 10 %", "above 50 %"]
    return f"{table(head, body)}\n\n{said}", {name: float(value) for name, value in figures.items()}


def main() -> None:
    """Repeat and print."""
    parser = arguments(__doc__)
    parser.add_argument("--repeats", type=int, default=100)
    parser.add_argument("--particles", type=int, default=PARTICLES)
    parser.add_argument("--errors", choices=("model", "real"), default="model")
    parser.add_argument("--factors", type=int, choices=(2, 4), default=2)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.repeats)
    cases = (
        f"{given.repeats} repeats, seeds {given.first} to {seeds[-1]}; {given.factors} factors, errors: {given.errors}"
    )
    part = f"{given.factors}-factors" + ("" if given.errors == "model" else "-real-errors")
    with written(given, __file__, __doc__, cases=cases, part=part) as figures:
        repeats = Parallel(n_jobs=given.jobs)(
            delayed(run_repeat)(
                seed, factors=given.factors, particles=given.particles, real_errors=given.errors == "real"
            )
            for seed in seeds
        )
        text, found = by_quantity(repeats)
        figures.update(found)
        passed = np.quantile([r.passed for r in repeats], [0.1, 0.5, 0.9])
        coupons = len(plan_of(study_of(given.factors)))
        print(
            f"{text}\n\nPassed of {coupons} coupons: {', '.join(f'{p:.0f}' for p in passed)} (10, 50, 90 % of repeats)."
        )


if __name__ == "__main__":
    main()
