"""Processor time of the classical checks of a study, with every table that a report prints.

Usage::

    python -m tests.benchmarks.classical_speed

Wanted: under a second in all for 28 coupons and four factors. Coupons come from simulated lines.
"""

from __future__ import annotations

import statistics
import time

import doe
from doe.domain.results import read_results
from doe.practice.lines import make_line
from doe.surfaces.checks import run_checks
from tests.benchmarks.results import arguments, table, written

TURNS = 7
FOUR = ("cure_temp", "cure_time", "press_temp", "dwell")
CASES = ((("press_temp", "dwell"), 16), (FOUR, 20), (FOUR, 28), ((*FOUR, "pressure"), 40))


def seconds(names: tuple[str, ...], coupons: int) -> list[float]:
    """Processor seconds of each study's checks, the first one (imports) left out; shape (TURNS,)."""
    study = doe.Study("speed", tuple(doe.usual_factor(n) for n in names))
    spent = []
    for seed in range(TURNS + 1):
        plan = doe.make_plan(study, coupons=coupons, seed=seed).coupons
        results = read_results(study, make_line("smooth", seed, study).run(plan, seed=seed))
        started = time.process_time()
        made = run_checks(study, results)
        if made.firth is not None:
            _ = made.firth.coefficients, made.firth.separation
        spent.append(time.process_time() - started)
    return spent[1:]


def main() -> None:
    """Measure and print."""
    given = arguments(__doc__).parse_args()
    with written(given, __file__, __doc__, cases=f"{TURNS} studies a row, one core") as figures:
        rows = []
        for names, coupons in CASES:
            spent = seconds(names, coupons)
            figures[f"checks_{coupons}_coupons_s"] = statistics.median(spent)
            rows.append([str(coupons), str(len(names)), f"{statistics.median(spent):.2f}", f"{max(spent):.2f}"])
        print(table(["coupons", "factors", "seconds, median", "most"], rows))


if __name__ == "__main__":
    main()
