"""How long plans take, and how good optimal plans are beside textbook ones: python -m tests.benchmarks.plans_speed"""

from __future__ import annotations

import time

from doe.domain.factors import usual_factor
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.plans.compare import compare_plans
from doe.plans.judge import judge_plan

NAMES = ("cure_temp", "cure_time", "press_temp", "dwell", "pressure", "peel_wait")


def study_of(k: int) -> Study:
    """The first k of the usual factors."""
    return Study("bench", tuple(usual_factor(name) for name in NAMES[:k]))


def main() -> None:
    """Print one line a case."""
    make_plan(study_of(2), coupons=12)  # imports and warm-up are not what is measured
    print("seconds to make, and to compare all kinds at the same budget")
    for k, coupons in ((4, 20), (4, 28), (6, 40)):
        study = study_of(k)
        begin = time.perf_counter()
        make_plan(study, coupons=coupons, kind="optimal", seed=1)
        made = time.perf_counter()
        compare_plans(study, coupons=coupons, seed=1)
        print(f"{k} factors, {coupons} coupons: {made - begin:.3f} s, {time.perf_counter() - made:.2f} s")
    print("efficiency for the full quadratic against the best continuous design: D, I (1 cannot be beaten)")
    for k, coupons in ((2, 12), (3, 18), (4, 28), (5, 30)):
        for kind in ("composite", "d-optimal", "optimal"):
            found = judge_plan(make_plan(study_of(k), coupons=coupons, kind=kind, seed=1))
            print(
                f"{k} factors, {coupons} coupons, {kind}: D {found.quadratic.d_efficiency:.3f}, "
                f"I {found.quadratic.i_efficiency:.3f}; {found.hours:.1f} h, fully random {found.hours_random:.1f} h"
            )


if __name__ == "__main__":
    main()
