"""Seconds of one processor core for a fit and a recommendation, after import, and how they grow.

Usage::

    python -m tests.benchmarks.fit_speed            # 2 to 6 factors; wanted: under 1 s for 28 coupons, 4 factors
    python -m tests.benchmarks.fit_speed --growth   # whole fits of 28 to 2,800 coupons, of 300 to 2,400 draws; memory

Coupons come from a simulated line. Growth: each row in a process of its own, so that memory is that of this size; a
look is the likelihood of all results for every draw.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time

import numpy as np
import pandas as pd

import doe
from doe.domain.results import read_results
from doe.practice.lines import make_line
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import WindowModel
from tests.benchmarks.results import Figures, arguments, table, written

TURNS = 7
SIZES = ((28, 600), (280, 600), (2800, 600), (280, 300), (280, 1200), (280, 2400))
"""Coupons and draws."""
FOUR = ("cure_temp", "cure_time", "press_temp", "dwell")


def by_factors() -> tuple[str, Figures]:
    """Fit and recommendation for two to six factors."""
    rows, figures = [], {}
    for names, coupons in (
        (("press_temp", "dwell"), 16),
        (FOUR, 20),
        (FOUR, 28),
        ((*FOUR, "pressure", "powder_amount"), 40),
    ):
        study = doe.Study("speed", tuple(doe.usual_factor(n) for n in names))
        results = make_line("smooth", 3, study).run(doe.make_plan(study, coupons=coupons, seed=3).coupons, seed=3)
        doe.recommend(study, doe.fit(study, results))  # warm-up
        fits, answers = [], []
        for seed in range(TURNS):
            started = time.process_time()
            surfaces = doe.fit(study, results, seed=seed)
            middle = time.process_time()
            doe.recommend(study, surfaces, seed=seed)
            fits.append(middle - started)
            answers.append(time.process_time() - middle)
        spent = statistics.median(fits), statistics.median(answers)
        figures[f"fit_{coupons}_s"], figures[f"answer_{coupons}_s"] = spent
        rows.append([str(len(names)), str(coupons), *(f"{s:.2f}" for s in (*spent, sum(spent)))])
    return table(["factors", "coupons", "fit, s", "recommendation, s", "both, s"], rows), figures


def many_coupons(count: int) -> tuple[doe.Study, pd.DataFrame]:
    """So many coupons spread over the region of a smooth line, in five cure and five press batches."""
    study = doe.Study("speed", tuple(doe.usual_factor(n) for n in FOUR))
    z = np.random.default_rng(1).uniform(-1, 1, (count, len(FOUR)))
    frame = pd.DataFrame(Scaling(study.factors).natural(z), columns=list(FOUR))
    frame["coupon"] = [f"C{i}" for i in range(count)]
    frame["round"], frame["garment"], frame["stroke"] = 1, np.arange(count) // 4, np.arange(count)
    for step in ("cure", "press"):
        frame[f"{step}_batch"], frame[f"{step}_order"] = np.arange(count) % 5, np.arange(count)
    return study, make_line("smooth", 3, study).run(frame, seed=3)


def grow(coupons: int, particles: int) -> dict[str, float]:
    """A whole fit and recommendation, one look at all results by every draw, and the most memory ever held."""
    doe.recommend(many_coupons(8)[0], doe.fit(*many_coupons(8), particles=50))  # imports and first calls
    study, frame = many_coupons(coupons)
    before = _most_mb()
    started = time.process_time()
    surfaces = doe.fit(study, frame, particles=particles)
    middle = time.process_time()
    doe.recommend(study, surfaces)
    ended = time.process_time()
    most = _most_mb()
    results = read_results(study, frame)
    model = WindowModel(Scaling(study.factors), results, mean_hand(results))
    xi = np.random.default_rng(1).standard_normal((particles, model.parameters))
    model.log_likelihood(xi)
    looks = []
    for _ in range(5):
        begun = time.process_time()
        model.log_likelihood(xi)
        looks.append(1000 * (time.process_time() - begun))
    return {
        "fit_s": middle - started,
        "answer_s": ended - middle,
        "look_ms": statistics.median(looks),
        "before_mb": before,
        "most_mb": most,
    }


def _most_mb() -> float:
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (1024 if sys.platform.startswith("linux") else 1024**2)


def growth() -> tuple[str, Figures]:
    """One row a size."""
    rows, figures = [], {}
    for coupons, particles in SIZES:
        words = [sys.executable, "-m", "tests.benchmarks.fit_speed", "--one", str(coupons), str(particles)]
        found = json.loads(subprocess.run(words, check=True, capture_output=True, text=True).stdout)
        figures |= {f"{name}_{coupons}_coupons_{particles}_draws": value for name, value in found.items()}
        seconds = [f"{found[name]:.2f}" for name in ("fit_s", "answer_s")]
        memory = [f"{found[name]:.0f}" for name in ("before_mb", "most_mb")]
        rows.append([str(coupons), str(particles), *seconds, f"{found['look_ms']:.1f}", *memory])
    head = ["coupons", "draws", "fit, s", "recommendation, s", "one look, ms", "memory before, MB", "most memory, MB"]
    return table(head, rows), figures


def main() -> None:
    """Measure and print."""
    parser = arguments(__doc__)
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--one", nargs=2, type=int, metavar=("COUPONS", "DRAWS"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        print(json.dumps(grow(*given.one)))
        return
    cases = "one fit a row" if given.growth else f"median of {TURNS} fits of the same coupons a row"
    part = "growth" if given.growth else ""
    with written(given, __file__, __doc__, cases=f"smooth line, seed 3; {cases}", part=part) as figures:
        text, found = growth() if given.growth else by_factors()
        print(text)
        figures.update(found)


if __name__ == "__main__":
    main()
