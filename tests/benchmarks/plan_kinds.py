"""Which kind of plan leads to the best setpoint: the same simulated lines, planned in different ways.

Usage::

    python -m tests.benchmarks.plan_kinds --lines 105 --first 0

Seeds below 10000 are for tuning choices such as this one. Every kind sees the same lines, so differences are paired:
the last column is the true robust pass rate minus that of the first kind of as many coupons, where 0.97 is possible.
"""

from __future__ import annotations

import numpy as np

import doe
from doe.practice.lines import KINDS, make_line
from tests.benchmarks.decision_case import true_rate, usual_study
from tests.benchmarks.results import Figures, arguments, cell, mean, share, table, written

CASES = {20: ("optimal", "d-optimal", "full"), 28: ("composite", "optimal", "d-optimal", "box-behnken")}


def run(lines: int, first: int) -> tuple[str, Figures]:
    """One row a kind: success where it is possible, mean true pass rate, bad answers."""
    study = usual_study()
    found: dict[tuple[int, str], list[float]] = {(n, kind): [] for n, kinds in CASES.items() for kind in kinds}
    best = []
    for i in range(first, first + lines):
        line = make_line(KINDS[i % len(KINDS)], i, study)
        best.append(line.best().robust_pass)
        for (coupons, kind), rates in found.items():
            plan = doe.make_plan(study, coupons=coupons, kind=kind, seed=i)
            answer = doe.recommend(study, doe.fit(study, line.run(plan.coupons, i), seed=i), seed=i)
            rates.append(true_rate(line, answer.setpoint))
    possible = np.array(best) >= 0.97
    rows, figures = [], {"possible": float(possible.sum())}
    for (coupons, kind), rates in found.items():
        true = np.array(rates)[possible]
        change = true - np.array(found[coupons, CASES[coupons][0]])[possible]
        figures[f"reached_{kind.replace('-', '_')}_{coupons}"] = float((true >= 0.95).mean())
        rows.append(
            [
                str(coupons),
                kind,
                str(len(true)),
                cell(share(true >= 0.95)),
                cell(mean(true), 3),
                cell(share(true < 0.80)),
                cell(mean(change), 3) if change.any() else "",
            ]
        )
    head = [
        "coupons",
        "kind",
        "lines with 0.97 possible",
        "true >= 0.95",
        "mean true",
        "true < 0.80",
        "minus the first",
    ]
    return table(head, rows), figures


def main() -> None:
    """Run and print."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=105)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    cases = f"{given.lines} lines, seeds {given.first} to {given.first + given.lines - 1}"
    with written(given, __file__, __doc__, cases=cases) as figures:
        text, found = run(given.lines, given.first)
        print(text)
        figures.update(found)


if __name__ == "__main__":
    main()
