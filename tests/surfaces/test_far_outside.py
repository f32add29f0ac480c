"""Settings measured far outside the tested ranges are said, as they are mostly a gauge or a unit gone wrong."""

from __future__ import annotations

import pandas as pd

import doe
from doe.words.study import setpoint as words


def _said(study: doe.Study, frame: pd.DataFrame) -> tuple[str, ...]:
    return words.said(study, doe.fit(study, frame, particles=100).warnings)


def test_measured_far_outside_is_a_warning() -> None:
    study = doe.Study("s", (doe.usual_factor("cure_temp"), doe.usual_factor("press_temp")))
    plan = doe.make_plan(study, coupons=12, kind="optimal", seed=1)
    scored = plan.coupons.assign(passed=[i % 2 == 0 for i in range(12)])
    slightly = scored.assign(actual_press_temp=scored["press_temp"] + 10)
    far = scored.assign(actual_press_temp=[5.0] * 3 + [None] * 9)
    assert not any("outside the tested ranges" in w for w in _said(study, slightly))
    (said,) = [w for w in _said(study, far) if "outside the tested ranges" in w]
    assert said.startswith("3 of 12 coupons")
