"""What plans led to on simulated lines, as the comparison of plans shows it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doe.domain.factors import Factor
from doe.domain.jsonable import packaged_table
from doe.domain.study import Study
from doe.plans.build import make_plan, suitable_kind, usual_kind
from doe.plans.compare import compare_plans
from doe.plans.decisions import BEYOND, TriedPlan, is_wide, outcome, stepwise, was_tried, width, winner
from doe.plans.plan import KINDS
from tests.plans.studies import plain, usual


def twice_the_error(study: Study) -> Study:
    """The same question on machines that wander twice as much."""
    return replace(study, factors=tuple(replace(f, setting_sd=f.setting_sd * 2) for f in study.factors))


def narrow() -> Study:
    """The usual question on machines that wander twice as much."""
    return twice_the_error(usual(4))


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
def test_auto_makes_what_is_taken_at_every_size_and_width_that_was_tried(make, coupons):
    """Holds against the table as it is written, read here without the code that chooses."""
    study = make()
    table = packaged_table("plan_decisions")
    four = [p for p in table["plans"] if "settings" not in p]
    tried = [p for p in four if p["coupons"] == coupons and p["wide"] == is_wide(study)]
    assert len(tried) == 4
    plan = make_plan(study, coupons=coupons)
    assert [p["kind"] for p in tried if p.get("taken")] == [plan.kind]
    assert compare_plans(study, coupons=coupons)[0].kind == plan.kind


def test_the_width_of_the_ranges_decides_where_kinds_differ():
    assert suitable_kind(usual(4), 28)[0] != suitable_kind(narrow(), 28)[0]
    assert suitable_kind(narrow(), 28) == usual_kind(narrow(), 28)  # two are worth the same there: no reason to change


def test_where_nothing_like_it_was_tried_the_usual_kind_is_made():
    forbidden = usual(4, forbidden=("cure_temp >= 135 and cure_time >= 180",))
    for study, coupons in ((usual(6), 28), (usual(4), 10), (usual(4), 40), (forbidden, 28)):
        assert suitable_kind(study, coupons) == usual_kind(study, coupons)
    assert winner(usual(4), 40, KINDS, "optimal") is None
    assert winner(usual(4), 10, KINDS, "half") is None


def test_what_was_not_tried_is_not_known():
    three_levels = plain(3, named=(3,))
    endured = replace(usual(3), factors=(*usual(3).factors, Factor("platen", levels=("left", "right"), endured=True)))
    for study in (usual(1), usual(6), usual(4, "fabric"), three_levels, endured):
        assert not was_tried(study)
        assert all(outcome(study, kind, 28) is None for kind in KINDS)
    assert was_tried(usual(4))
    assert outcome(usual(4), "box-behnken", 28) is None


OTHERS = [(2,), (3,), (5,), (3, "fabric")]


@pytest.mark.parametrize("factors", OTHERS)
@pytest.mark.parametrize("coupons", [12, 20, 28])
def test_with_other_numbers_of_factors_auto_leaves_the_usual_kind_only_beyond_chance(factors, coupons):
    """Holds against the table as it is written, read here without the code that chooses."""
    for study in (usual(*factors), twice_the_error(usual(*factors))):
        question = len(study.numeric), len(study.categorical)
        tried = [
            p
            for p in packaged_table("plan_decisions")["plans"]
            if (p.get("settings", 4), p.get("named", 0), p["coupons"], p["wide"])
            == (*question, coupons, is_wide(study))
        ]
        kept = usual_kind(study, coupons)[0]
        assert {p["usual"] for p in tried} == {kept}
        assert len(tried) >= 3
        better = {p["kind"]: p["holds"] - p["far_off"] for p in tried if p["gain"] > BEYOND * p["gain_error"]}
        best = {kind for kind, worth in better.items() if worth == max(better.values())}
        plan = make_plan(study, coupons=coupons)
        assert plan.kind in (best or {kept})
        compared = compare_plans(study, coupons=coupons)
        if (plan.kind, coupons) in {(j.kind, j.coupons) for j in compared}:  # of textbook plans there is one copy
            assert compared[0].kind == plan.kind


@pytest.mark.parametrize("factors", OTHERS)
def test_shares_are_known_with_other_numbers_of_factors(factors):
    for study in (usual(*factors), twice_the_error(usual(*factors))):
        for kind in ("optimal", "spread"):
            for coupons in (12, 20, 28):
                found = outcome(study, kind, coupons)
                assert found is not None
                assert (found.settings, found.named) == (factors[0], len(factors) - 1)
                assert found.wide == is_wide(study)
                assert 0 <= found.far_off <= found.far_off + found.holds <= 1 + 1e-3  # kept to four places
                assert found.lines >= 10
        searched = stepwise(study)
        assert searched is not None
        assert (searched.settings, searched.named, searched.wide) == (factors[0], len(factors) - 1, is_wide(study))
        assert 12 < searched.made < 40


def test_a_difference_that_may_be_chance_replaces_nothing():
    row = TriedPlan("spread", 20, True, 20, 0.6, 0.1, 20.0, 3, 0, "composite", 0.31, 0.1)
    assert row.may_replace("composite")
    assert not replace(row, gain=0.29).may_replace("composite")
    assert not replace(row, gain=-0.3).may_replace("composite")
    assert not row.may_replace("optimal")  # the difference is from another kind
    assert row.may_replace("spread")
    assert replace(row, usual="").may_replace("optimal")  # where none is kept, what was worth most is taken


def test_of_dozens_of_differences_those_that_chance_gives_choose_nothing():
    rows = [p for p in packaged_table("plan_decisions")["plans"] if "gain_error" in p]
    assert len(rows) > 40
    apart = [p for p in rows if p["gain"] > 2 * p["gain_error"] > 0]
    assert 0 < len(apart) < 0.05 * len(rows)
    for p in apart:
        row = TriedPlan(**p)
        assert not row.may_replace(row.usual) or row.gain > BEYOND * row.gain_error
