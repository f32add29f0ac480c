"""What plans led to on simulated lines, as the comparison of plans shows it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doe.domain.jsonable import packaged_table
from doe.domain.study import Study
from doe.plans.build import make_plan, suitable_kind, usual_kind
from doe.plans.compare import compare_plans
from doe.plans.decisions import is_wide, outcome, width, winner
from doe.plans.plan import KINDS
from tests.plans.studies import usual


def narrow() -> Study:
    """The usual question on machines that wander twice as much."""
    study = usual(4)
    return replace(study, factors=tuple(replace(f, setting_sd=f.setting_sd * 2) for f in study.factors))


@pytest.mark.parametrize("make", [lambda: usual(4), narrow])
def test_what_was_tried_is_known_for_ranges_of_either_width(make):
    study = make()
    for kind, coupons in (("half", 12), ("optimal", 12), ("full", 20), ("spread", 20), ("composite", 28)):
        found = outcome(study, kind, coupons)
        assert found is not None
        assert (found.kind, found.coupons, found.wide) == (kind, coupons, is_wide(study))
        assert found.lines >= 20
        assert 0 <= found.far_off <= found.holds <= 1
        assert 0 < found.error < 0.15


def test_wide_ranges_are_counted_in_setting_errors():
    assert width(narrow()) == pytest.approx(width(usual(4)) / 2)
    assert is_wide(usual(4))
    assert not is_wide(narrow())


def test_between_sizes_that_were_tried_the_nearest_counts_and_of_two_the_smaller():
    study = usual(4)
    assert outcome(study, "optimal", 24) == outcome(study, "optimal", 20)
    assert outcome(study, "optimal", 25) == outcome(study, "optimal", 28)
    assert outcome(study, "composite", 26) == outcome(study, "composite", 28)
    assert outcome(study, "composite", 23) is None
    assert outcome(study, "optimal", 11) is None


@pytest.mark.parametrize("make", [lambda: usual(4), narrow])
@pytest.mark.parametrize("coupons", [12, 20, 28])
def test_auto_makes_what_led_to_the_best_setpoints_at_every_size_and_width_that_was_tried(make, coupons):
    """Holds against the table as it is written, read here without the code that chooses."""
    study = make()
    table = packaged_table("plan_decisions")
    tried = [p for p in table["plans"] if p["coupons"] == coupons and p["wide"] == is_wide(study)]
    worth = {p["kind"]: round(p["holds"] - p["far_off"], 3) for p in tried}
    assert len(worth) == 4
    plan = make_plan(study, coupons=coupons)
    assert worth[plan.kind] == max(worth.values())
    assert compare_plans(study, coupons=coupons)[0].kind == plan.kind


def test_the_width_of_the_ranges_decides_where_kinds_differ():
    assert suitable_kind(usual(4), 28)[0] != suitable_kind(narrow(), 28)[0]
    assert suitable_kind(narrow(), 28) == usual_kind(narrow(), 28)  # two are worth the same there: no reason to change


def test_where_nothing_like_it_was_tried_the_usual_kind_is_made():
    forbidden = usual(4, forbidden=("cure_temp >= 135 and cure_time >= 180",))
    for study, coupons in ((usual(3), 28), (usual(4), 10), (usual(4), 40), (forbidden, 28)):
        assert suitable_kind(study, coupons) == usual_kind(study, coupons)
    assert winner(usual(4), 40, KINDS, "optimal") is None
    assert winner(usual(4), 10, KINDS, "half") is None


def test_what_was_not_tried_is_not_known():
    for study in (usual(3), usual(4, "fabric")):
        assert all(outcome(study, kind, 28) is None for kind in KINDS)
    assert outcome(usual(4), "box-behnken", 28) is None
