"""More people than the scores can pay for: the checks say less, and a report is still made."""

from __future__ import annotations

import numpy as np
import pytest

import doe
from doe.domain.results import read_results
from doe.surfaces.checks import run_checks

STUDY = doe.Study("s", (doe.usual_factor("cure_temp"), doe.usual_factor("press_temp")))


@pytest.mark.parametrize("people", [1, 2, 4, 12])
def test_every_number_of_people_can_be_checked(people: int) -> None:
    plan = doe.make_plan(STUDY, coupons=12, kind="optimal", seed=1)
    scored = plan.coupons.assign(passed=True, side="")
    felt_by = np.arange(12) % people
    for i in range(people):
        scored[f"hand_p{i}"] = np.where(felt_by == i, 3.0 + (np.arange(12) % 3) / 2, np.nan)
    checks = run_checks(STUDY, read_results(STUDY, scored))
    terms = 0 if checks.hand_model is None else len(checks.hand_model.coefficients)
    assert terms <= 12 - 3
    assert (checks.hand_model is None) == any("too few for a model" in note for note in checks.notes)
    assert (checks.hand_model is None) == (people == 12)
