"""The least assurance a spec may ask for."""

from __future__ import annotations

import pytest

import doe
from doe.practice.lines import make_line


def test_an_assurance_of_one_half_has_both_ends_at_the_median() -> None:
    factors = (doe.usual_factor("cure_temp"), doe.usual_factor("press_temp"))
    study = doe.Study("s", factors, doe.Spec(assurance=0.5))
    plan = doe.make_plan(study, coupons=12, kind="optimal", seed=1)
    surfaces = doe.fit(study, make_line("easy", 1, study).run(plan.coupons, seed=1), seed=1, particles=200)
    found = surfaces.predict(plan.coupons[list(study.factor_names)])
    assert (found["p_pass_low"] == found["p_pass_high"]).all()
    with pytest.raises(doe.InputError, match="coverage: found 0"):
        surfaces.predict(plan.coupons[list(study.factor_names)], coverage=0.0)


@pytest.mark.parametrize("particles", [-1, 0, 19, 10**9])
def test_too_few_or_too_many_draws_are_refused(particles: int) -> None:
    study = doe.Study("s", (doe.usual_factor("cure_temp"), doe.usual_factor("press_temp")))
    plan = doe.make_plan(study, coupons=12, kind="optimal", seed=1)
    with pytest.raises(doe.InputError, match="particles: found"):
        doe.fit(study, plan.coupons.assign(passed=True), particles=particles)
