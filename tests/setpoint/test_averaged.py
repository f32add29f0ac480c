"""Another kind of surface averaged in, by how well each predicts coupons left out."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

import doe
from doe.domain.factors import usual_factor
from doe.domain.study import Study
from doe.practice.lines import make_line
from doe.setpoint.averaged import average_with_mechanisms
from doe.surfaces.earlier import Earlier


def test_the_average_lies_between_the_two_models_by_its_weight(study: Study, coupons: pd.DataFrame) -> None:
    surfaces = doe.fit(study, coupons, seed=3, particles=200)
    answer = doe.recommend(study, surfaces, seed=3)
    found = average_with_mechanisms(study, surfaces, answer)
    assert found is not None
    assert 0 < found.weight < 1
    mixed = (1 - found.weight) * answer.pass_rate + found.weight * found.other_rate
    assert found.rate == pytest.approx(mixed, abs=1e-9)
    ends = sorted([answer.pass_rate_low, found.other_low])
    assert ends[0] - 0.01 <= found.rate_low <= ends[1] + 0.01
    assert found == average_with_mechanisms(study, surfaces, answer)


def test_both_kinds_of_surface_find_a_wide_window_good(study: Study) -> None:
    results = make_line("easy", 4, study).run(doe.make_plan(study, coupons=28, seed=1).coupons, 1)
    surfaces = doe.fit(study, results, seed=1, particles=200)
    answer = doe.recommend(study, surfaces, seed=1)
    found = average_with_mechanisms(study, surfaces, answer)
    assert found is not None
    assert min(answer.pass_rate, found.other_rate, found.rate) > 0.8


def test_what_mechanisms_do_not_know_is_not_averaged(study: Study, coupons: pd.DataFrame) -> None:
    press = Study("press only", tuple(usual_factor(n) for n in ("press_temp", "dwell")), doe.Spec())
    columns = [c for c in coupons.columns if c not in ("cure_temp", "cure_time")]
    alone = doe.fit(press, coupons[columns], seed=1, particles=100)
    assert average_with_mechanisms(press, alone, doe.recommend(press, alone)) is None
    earlier = Earlier(coupons.assign(coupon=[f"E{i}" for i in range(len(coupons))]), 0.3)
    both = doe.fit(study, coupons, seed=1, particles=100, earlier=earlier)
    assert average_with_mechanisms(study, both, doe.recommend(study, both)) is None
    by_hand = replace(both, model=None)
    assert average_with_mechanisms(study, by_hand, doe.recommend(study, both)) is None
