from __future__ import annotations

import pandas as pd
import pytest

import doe
from doe.practice.demo import demo_line

COUPON_SEED = 7


def test_demo_line_is_as_documented(study):
    best = demo_line(study).best()
    assert 0.99 <= best.robust_pass <= 1
    about = {"cure_temp": 123, "cure_time": 125, "press_temp": 152, "dwell": 12}
    assert best.settings == pytest.approx(about, rel=0.03)


def test_demo_tells_a_sensible_story(study):
    """Twenty coupons show both sides, eight more lead to a setpoint that is truly good."""
    line = demo_line(study)
    plan = doe.make_plan(study, coupons=20, seed=COUPON_SEED)
    first = line.run(plan.coupons, COUPON_SEED)
    assert 6 <= first["passed"].sum() <= 16
    assert {"under", "over"} <= set(first["side"])
    surfaces = doe.fit(study, first, seed=1)
    plan = doe.extend_plan(study, plan, surfaces, coupons=8, seed=1)
    both = line.run(plan.coupons, COUPON_SEED)
    pd.testing.assert_frame_equal(both.iloc[:20], first, check_dtype=False)
    answer = doe.recommend(study, doe.fit(study, both, seed=1), seed=1)
    assert answer.verdict != "not reachable"
    assert line.robust_pass(pd.DataFrame([dict(answer.setpoint)]))[0] >= 0.95
