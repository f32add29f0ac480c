"""How long plans take, and how good optimal plans are beside textbook ones.

Usage::

    python -m tests.benchmarks.plans_speed

Wall seconds to make an optimal plan, and to compare all kinds at the same budget. Then efficiency for the full
quadratic against the best continuous design (1 cannot be beaten), with the hours that a plan takes as ordered and
fully random.
"""

from __future__ import annotations

import time

from doe.domain.factors import usual_factor
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.plans.compare import compare_plans
from doe.plans.judge import judge_plan
from tests.benchmarks.results import arguments, table, written

NAMES = ("cure_temp", "cure_time", "press_temp", "dwell", "pressure", "peel_wait")
TIMED = ((4, 20), (4, 28), (6, 40))
JUDGED = ((2, 12), (3, 18), (4, 28), (5, 30))


def study_of(k: int) -> Study:
    """The first k of the usual factors."""
    return Study("bench", tuple(usual_factor(name) for name in NAMES[:k]))


def main() -> None:
    """One row a case."""
    given = arguments(__doc__).parse_args()
    with written(given, __file__, __doc__, cases="plan seed 1; one run a row") as figures:
        make_plan(study_of(2), coupons=12)  # imports and warm-up are not what is measured
        rows = []
        for k, coupons in TIMED:
            study, begin = study_of(k), time.perf_counter()
            make_plan(study, coupons=coupons, kind="optimal", seed=1)
            made = time.perf_counter()
            compare_plans(study, coupons=coupons, seed=1)
            spent = (made - begin, time.perf_counter() - made)
            figures[f"make_{k}_{coupons}_s"], figures[f"compare_{k}_{coupons}_s"] = spent
            rows.append([str(k), str(coupons), *(f"{s:.2f}" for s in spent)])
        print(table(["factors", "coupons", "optimal plan, s", "all kinds compared, s"], rows), end="\n\n")
        rows = []
        for k, coupons in JUDGED:
            for kind in ("composite", "d-optimal", "optimal"):
                found = judge_plan(make_plan(study_of(k), coupons=coupons, kind=kind, seed=1))
                efficiency = (found.quadratic.d_efficiency, found.quadratic.i_efficiency)
                hours = (found.hours, found.hours_random)
                cells = [*(f"{e:.3f}" for e in efficiency), *(f"{h:.1f}" for h in hours)]
                rows.append([str(k), str(coupons), kind, *cells])
        print(table(["factors", "coupons", "kind", "D", "I", "hours", "hours, fully random"], rows))


if __name__ == "__main__":
    main()
