"""The answer with and without the coupons of an earlier study."""

from __future__ import annotations

from dataclasses import replace

import doe
from doe.domain.study import Study
from doe.words.study import setpoint as words
from tests.shared import known_coupons


def test_sixty_coupons_of_a_good_line_make_the_answer_surer(study: Study) -> None:
    own, older = known_coupons(study, 10, seed=1, top=6.0), known_coupons(study, 60, seed=2, top=6.0)
    both = doe.fit(study, own, seed=3, earlier=doe.Earlier(older, 0.5))
    together, alone = (doe.recommend(study, fitted, seed=3) for fitted in (both, doe.fit(study, own, seed=3)))
    assert together.pass_rate_low > alone.pass_rate_low
    assert together.limits_on_certainty
    assert any("60 coupons of an earlier study" in text for text in words.said(study, together.warnings))


def test_nothing_is_ready_while_an_earlier_study_speaks_louder_than_the_new_material(study: Study) -> None:
    own, older = known_coupons(study, 1, seed=1, top=6.0), known_coupons(study, 40, seed=2, top=6.0)
    study = replace(study, spec=replace(study.spec, pass_rate=0.8, hand_min=None))
    answer = doe.recommend(study, doe.fit(study, own, seed=3, earlier=doe.Earlier(older, 1.0)), seed=3)
    assert answer.pass_rate_low >= 0.8
    assert answer.verdict == "more coupons"
    assert len(answer.next_coupons)
    assert "mostly_earlier" in {found.code for found in answer.limits_on_certainty}
    assert any("more than this study's own 1 coupon" in text for text in words.said(study, answer.limits_on_certainty))
