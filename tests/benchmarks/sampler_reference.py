"""The sampler beside two slow references: a dense grid, and long random walks that share no code with it.

Usage::

    python -m tests.benchmarks.sampler_reference
    python -m tests.benchmarks.sampler_reference --parts 600   # many coupons let in by parts, beside all at once

Two factors. The grid fixes how fast the window closes and how many prints fail whatever the settings, so that the
height and the place of the peak are left, three dimensions that a grid can hold. The walks are plain random-walk
Metropolis on the whole model, with sides, hand-feel and batches, started from the prior. What is compared is what an
answer asks for: the mean and the 10 % quantile of the robust pass rate at nine settings, in standard deviations of
the posterior there.

Parts: the four factors' coupons of the speed benchmark, let in by parts as large studies are, beside all of them let in
at once, several seeds each; means of every parameter in standard deviations of the posterior, and their spreads.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.factors import usual_factor
from doe.domain.results import read_results
from doe.domain.spec import Spec
from doe.domain.study import Study
from doe.setpoint.reweigh import Weights
from doe.setpoint.robust import RobustRate
from doe.surfaces.fitted import PARTICLES, Surfaces
from doe.surfaces.hamiltonian import sample_by_slopes
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.sampler import Cloud
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_gradient import ClosingWindow, TemperedWindow
from doe.surfaces.window_model import Priors, WindowModel
from tests.benchmarks.fit_speed import many_coupons
from tests.benchmarks.results import Figures, arguments, table, written

FloatArray = NDArray[np.float64]

STUDY = Study("two", (usual_factor("press_temp"), usual_factor("dwell")), Spec(pass_rate=0.95, hand_min=3.5))
FIXED = Priors(log_steepness=(0.4, 0.0), log_steepness_common_sd=0.0, trade_sd=0.0, logit_lapse=(-4.2, 0.0))
"""Priors that leave the height and the place of the peak open."""


@dataclass(frozen=True)
class Compared:
    """Distances of the sampler from a reference: of means and quantiles at nine settings, in posterior standard
    deviations, and of the log evidence (NaN where the reference has none)."""

    means: FloatArray
    quantiles: FloatArray
    evidence: float


def coupons(seed: int, count: int = 14) -> pd.DataFrame:
    """Invented results: passes where it is neither cold nor hot, mostly."""
    rng = np.random.default_rng(seed)
    z = rng.uniform(-1, 1, (count, 2))
    frame = pd.DataFrame(Scaling(STUDY.factors).natural(z), columns=list(STUDY.factor_names))
    away = z - np.array([0.2, -0.1])
    frame["passed"] = rng.random(count) < 1 / (1 + np.exp(4 * (away**2).sum(axis=1) - 3))
    frame["side"] = np.where(frame["passed"], "", np.where(away.sum(axis=1) > 0, "over", "under"))
    frame["hand_ana"] = np.where(frame["passed"], np.round(8 - 2 * away[:, 0]) / 2, np.nan)
    frame["press_batch"] = np.arange(count) % 4
    return frame


def places() -> pd.DataFrame:
    """Three by three settings over the tested region."""
    z = np.stack(np.meshgrid([-0.7, 0.0, 0.7], [-0.7, 0.0, 0.7]), axis=-1).reshape(-1, 2)
    return pd.DataFrame(Scaling(STUDY.factors).natural(z), columns=list(STUDY.factor_names))


def model_of(frame: pd.DataFrame, priors: Priors | None = None) -> WindowModel:
    """The closing window of some coupons."""
    results = read_results(STUDY, frame)
    return WindowModel(Scaling(STUDY.factors), results, mean_hand(results), priors)


def rates(model: WindowModel, frame: pd.DataFrame, xi: FloatArray) -> FloatArray:
    """Robust pass rate at the nine settings, shape (draws, 9)."""
    results = read_results(STUDY, frame)
    blank = np.empty((len(xi), 0))
    surfaces = Surfaces(STUDY, results, model.scaling, model.unpack(xi[:1]), blank, model.hand, 0.0, 0, ())
    rate, size = RobustRate(STUDY, surfaces), 20_000
    parts = (xi[i : i + size] for i in range(0, len(xi), size))
    return np.concatenate([rate.draws(places(), nodes=16, draws=model.unpack(part)) for part in parts])


def grid_distance(seed: int, *, points: int = 41, particles: int = PARTICLES) -> Compared:
    """The sampler against a grid of ``points`` in each of three dimensions."""
    frame = coupons(seed).drop(columns=["hand_ana", "press_batch"])
    frame["side"] = np.where(frame["passed"], "", "unknown")  # so that nothing else has a say
    model = model_of(frame, FIXED)
    axis = np.linspace(-4.5, 4.5, points)
    xi = np.zeros((points**3, model.parameters))
    xi[:, [0, 1, 2]] = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    fitted = np.concatenate([model.log_likelihood(xi[i : i + 20_000]) for i in range(0, len(xi), 20_000)])
    prior = -0.5 * (xi**2).sum(axis=1) - 1.5 * np.log(2 * np.pi)
    weight = np.exp(fitted + prior)
    evidence = float(np.log(weight.sum() * (axis[1] - axis[0]) ** 3))
    heavy = weight > 1e-9 * weight.max()  # what weighs nothing is not worth asking
    cloud = sample_by_slopes(TemperedWindow(model), rng=np.random.default_rng(seed), particles=particles)
    found = rates(model, frame, cloud.draws)
    return _compared(found, rates(model, frame, xi[heavy]), weight[heavy], cloud.log_evidence - evidence)


def walk_distance(seed: int, *, chains: int = 150, steps: int = 1600, particles: int = PARTICLES) -> Compared:
    """The sampler against random walks of the whole model; their first half is thrown away."""
    frame = coupons(seed, 20)
    model = model_of(frame)
    rng = np.random.default_rng([seed, 1])
    xi = rng.standard_normal((chains, model.parameters))
    target = model.log_likelihood(xi) - 0.5 * (xi**2).sum(axis=1)
    scale, kept = 0.3, []
    for step in range(steps):
        proposal = xi + scale * rng.standard_normal(xi.shape)
        proposed = model.log_likelihood(proposal) - 0.5 * (proposal**2).sum(axis=1)
        accept = np.log(rng.random(chains)) < proposed - target
        xi, target = np.where(accept[:, None], proposal, xi), np.where(accept, proposed, target)
        if step < steps // 2:
            scale *= float(np.exp(0.05 * (accept.mean() - 0.25)))  # adapted only in the half that is thrown away
        elif step % 40 == 0:
            kept.append(xi.copy())
    walked = np.concatenate(kept)
    cloud = sample_by_slopes(TemperedWindow(model), rng=np.random.default_rng(seed), particles=particles)
    return _compared(rates(model, frame, cloud.draws), rates(model, frame, walked), np.ones(len(walked)), float("nan"))


def _compared(found: FloatArray, reference: FloatArray, weight: FloatArray, evidence: float) -> Compared:
    weights = Weights(weight / weight.sum(), 0.0)
    mean = np.array([weights.mean(column) for column in reference.T])
    sd = np.sqrt([weights.mean((column - m) ** 2) for column, m in zip(reference.T, mean, strict=True)])
    low = np.array([weights.quantile(column, 0.1) for column in reference.T])
    return Compared((found.mean(axis=0) - mean) / sd, (np.quantile(found, 0.1, axis=0) - low) / sd, evidence)


@dataclass(frozen=True)
class Parts:
    """Draws with coupons let in by parts beside all at once, by parameter: how far means lie apart in standard
    deviations of the posterior, how far off that is expected by chance, and the ratio of the spreads; (parameters,).

    ``evidence`` holds the log evidence of every run, (2, seeds), and ``seconds`` the processor's for each kind.
    """

    apart: FloatArray
    chance: FloatArray
    spreads: FloatArray
    evidence: FloatArray
    seconds: tuple[float, float]


def parts_distance(coupons: int, seeds: int, *, particles: int = PARTICLES) -> Parts:
    """The sampler by parts, as large studies are fitted, beside the sampler of ordinary ones."""
    study, frame = many_coupons(coupons)
    results = read_results(study, frame)
    model = ClosingWindow(Scaling(study.factors), results, mean_hand(results))
    kinds: tuple[Callable[[int], Cloud], ...] = (
        lambda seed: model.sample(rng=np.random.default_rng(seed), particles=particles),
        lambda seed: sample_by_slopes(TemperedWindow(model), rng=np.random.default_rng(seed), particles=particles),
    )
    found, spent = [], []
    for kind in kinds:
        started = time.process_time()
        found.append([kind(seed) for seed in range(seeds)])
        spent.append((time.process_time() - started) / seeds)
    draws = [np.stack([cloud.draws for cloud in clouds]) for clouds in found]
    sd = draws[1].std(axis=(0, 1))
    means = [each.mean(axis=1) for each in draws]
    error = np.sqrt(sum(each.var(axis=0, ddof=1) for each in means) / seeds)
    return Parts(
        (means[0].mean(axis=0) - means[1].mean(axis=0)) / sd,
        error / sd,
        draws[0].std(axis=(0, 1)) / sd,
        np.array([[cloud.log_evidence for cloud in clouds] for clouds in found]),
        (spent[0], spent[1]),
    )


def by_parts(coupons: int, seeds: int) -> tuple[str, Figures]:
    """One row a quantity."""
    found = parts_distance(coupons, seeds)
    far = np.abs(found.apart) / found.chance
    gap = found.evidence[0].mean() - found.evidence[1].mean()
    around = float(np.sqrt(found.evidence.var(axis=1, ddof=1).sum() / seeds))
    rows = [
        ["means, in posterior sd: average, around it, at most", _three(found.apart)],
        ["the same expected by chance, around 0", f"{np.sqrt((found.chance**2).mean()):.3f}"],
        ["means more than 4 standard errors apart", f"{(far > 4).sum()} of {len(far)}"],
        ["spreads by parts / at once: average, least, most", _range(found.spreads)],
        ["log evidence by parts - at once", f"{gap:+.2f} ± {around:.2f}"],
        ["seconds of a core, by parts / at once", f"{found.seconds[0]:.1f} / {found.seconds[1]:.1f}"],
    ]
    figures: Figures = {
        "means_off": float(found.apart.mean()),
        "means_around": float(found.apart.std()),
        "means_by_chance": float(np.sqrt((found.chance**2).mean())),
        "spreads": float(found.spreads.mean()),
        "evidence_off": float(gap),
    }
    return table(["quantity", f"{coupons} coupons"], rows), figures


def _three(off: FloatArray) -> str:
    return f"{off.mean():+.3f}, {off.std():.3f}, {np.abs(off).max():.2f}"


def _range(found: FloatArray) -> str:
    return f"{found.mean():.2f}, {found.min():.2f}, {found.max():.2f}"


def main() -> None:
    """Print the distances over several sets of coupons."""
    parser = arguments(__doc__)
    parser.add_argument("--sets", type=int, default=10, help="sets of coupons")
    parser.add_argument("--points", type=int, default=61, help="points of the grid in each dimension")
    parser.add_argument("--steps", type=int, default=6000, help="steps of each of 300 random walks")
    parser.add_argument("--parts", type=int, default=0, metavar="COUPONS", help="let in by parts; 0 for none")
    parser.add_argument("--seeds", type=int, default=5, help="of the draws by parts and at once")
    given = parser.parse_args()
    if given.parts:
        cases = f"{given.parts} coupons of a smooth line, {given.seeds} seeds each, {PARTICLES} draws"
        with written(given, __file__, __doc__, cases=cases, part="parts") as figures:
            text, more = by_parts(given.parts, given.seeds)
            print(text)
            figures.update(more)
        return
    cases = f"{given.sets} sets of coupons, seeds 0 to {given.sets - 1}"
    with written(given, __file__, __doc__, cases=cases) as figures:
        body = []
        for name, label, found in (
            (
                "grid",
                f"dense grid, {given.points} points a dimension",
                [grid_distance(seed, points=given.points) for seed in range(given.sets)],
            ),
            (
                "walks",
                f"300 random walks of {given.steps:,} steps",
                [walk_distance(seed, chains=300, steps=given.steps) for seed in range(given.sets)],
            ),
        ):
            row, more = distances(name, found)
            figures.update(more)
            body.append([label, *row])
        head = ["reference", "means: average, around it, at most", "10 % quantiles: the same", "log evidence, average"]
        print(table(head, body))
        print(f"\nA mean of {PARTICLES} independent draws is off by {PARTICLES**-0.5:.3f} standard deviations.")


def distances(name: str, found: list[Compared]) -> tuple[list[str], Figures]:
    """Cells of a table: how far the sampler is from one reference."""
    cells: list[str] = []
    figures: Figures = {}
    for what in ("means", "quantiles"):
        off = np.array([getattr(c, what) for c in found])
        figures |= {f"{name}_{what}_off": float(off.mean()), f"{name}_{what}_around": float(off.std())}
        cells.append(_three(off))
    evidence = [c.evidence for c in found if not np.isnan(c.evidence)]
    return [*cells, f"{np.mean(evidence):+.3f}" if evidence else ""], figures


if __name__ == "__main__":
    main()
