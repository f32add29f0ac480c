"""The answer with and without the coupons of an earlier study."""

from __future__ import annotations

import pandas as pd
import pytest

import doe
from doe.domain.study import Study
from doe.setpoint.earlier_effect import with_and_without
from doe.setpoint.robust import RobustRate
from doe.surfaces.earlier import Earlier
from tests.shared import known_coupons


def test_both_answers_are_those_of_their_own_fits(study: Study) -> None:
    own, older = known_coupons(study, 12, seed=1), known_coupons(study, 40, seed=2)
    shares: list[float] = []
    effect = with_and_without(study, own, Earlier(older, 0.5), seed=3, progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0)
    assert (effect.earlier_coupons, effect.discount) == (40, 0.5)
    alone = doe.fit(study, own, seed=3)
    assert effect.alone.setpoint == doe.recommend(study, alone, seed=3).setpoint
    assert effect.alone_surfaces.earlier is None
    assert effect.together_surfaces.earlier is not None
    rate = RobustRate(study, alone).draws(pd.DataFrame([effect.together.setpoint]), nodes=64).mean()
    assert effect.judged_alone == pytest.approx(float(rate))
    assert effect.judged_alone_low <= effect.judged_alone
    for f in study.numeric:
        moved = float(effect.together.setpoint[f.name]) - float(effect.alone.setpoint[f.name])
        assert effect.moved[f.name] == pytest.approx(moved / f.setting_sd)


def test_forty_coupons_of_a_good_line_make_the_answer_surer(study: Study) -> None:
    own, older = known_coupons(study, 10, seed=1, top=6.0), known_coupons(study, 60, seed=2, top=6.0)
    effect = with_and_without(study, own, Earlier(older, 0.5), seed=3)
    assert effect.together.pass_rate_low > effect.alone.pass_rate_low
    assert effect.together.limits_on_certainty
    assert any("60 coupons of an earlier study" in text for text in effect.together.warnings)
