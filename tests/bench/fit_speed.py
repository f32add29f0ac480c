"""Seconds of one processor core for a fit and a recommendation, after import.

    python tests/bench/fit_speed.py

Coupons come from a simulated line; the median of several seeds is printed. Wanted: under 2 s for 28 coupons, 4 factors.
"""

# ruff: noqa: E402 - the number of threads must be known before NumPy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import statistics
import time

import doe
from doe.practice import make_line

TURNS = 7


def main() -> None:
    """Measure and print."""
    for names, coupons in (
        (("press_temp", "dwell"), 16),
        (("cure_temp", "cure_time", "press_temp", "dwell"), 20),
        (("cure_temp", "cure_time", "press_temp", "dwell"), 28),
        (("cure_temp", "cure_time", "press_temp", "dwell", "pressure", "powder_amount"), 40),
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
        print(
            f"{coupons} coupons, {len(names)} factors: fit {statistics.median(fits):.2f} s, "
            f"recommendation {statistics.median(answers):.2f} s   median of {TURNS}, one core"
        )


if __name__ == "__main__":
    main()
