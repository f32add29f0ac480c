"""Aliases, resolution and fold-over of two-level plans, from generators and from the points themselves."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from doe.plans.build import make_plan
from doe.plans.classical import two_level
from doe.plans.confusion import (
    alias_chains,
    aliases,
    confusion,
    resolution,
    words_of,
)
from doe.plans.judge import judge_plan
from tests.plans.generators import folded, generated
from tests.plans.studies import plain, usual


@pytest.mark.parametrize(("k", "fraction"), [(3, "half"), (4, "half"), (5, "quarter"), (6, "quarter"), (6, "half")])
def test_words_found_from_the_points_make_chains_of_identical_columns(k, fraction):
    X = two_level(k, fraction)
    names = list("ABCDEF"[:k])
    words = words_of(X, names)
    column = {
        frozenset(chosen): X[:, [names.index(c) for c in chosen]].prod(axis=1)
        for size in range(1, k + 1)
        for chosen in itertools.combinations(names, size)
    }
    # slow twin: two effects are aliased exactly when their columns agree up to sign
    for effect, values in column.items():
        if effect in words:
            continue
        same = {other for other, v in column.items() if other != effect and abs(v @ values) == len(X)}
        assert set(aliases(effect, words)) == same
        for other, sign in aliases(effect, words).items():
            assert np.array_equal(column[other], sign * values)


def test_chains_part_all_effects_outside_the_defining_relation():
    words = generated("E=ABC F=BCD")
    chains = alias_chains(list("ABCDEF"), words)
    effects = [effect for chain in chains for effect in chain]
    assert len(effects) == len(set(effects)) == 2**6 - 1 - 3
    assert {len(chain) for chain in chains} == {4}


def test_full_factorial_has_no_words_and_no_resolution():
    words = words_of(two_level(4), list("ABCD"))
    assert words == {}
    assert resolution(words) is None


def test_fold_over_of_points_keeps_the_even_words():
    X = two_level(5, "quarter")
    names = list("ABCDE")
    assert words_of(np.vstack([X, -X]), names) == folded(words_of(X, names))


def test_half_fraction_finds_which_interactions_hang_together():
    judgement = judge_plan(make_plan(usual(4), coupons=12, kind="half"))
    assert judgement.resolution == 4
    assert {fact.code for fact in judgement.aliases} == {"aliased"}
    assert [fact.values["effects"] for fact in judgement.aliases] == [
        (("cure_temp", "cure_time"), ("press_temp", "dwell")),
        (("cure_temp", "press_temp"), ("cure_time", "dwell")),
        (("cure_temp", "dwell"), ("cure_time", "press_temp")),
    ]
    assert judgement.alias_chains[0] == "cure_temp = cure_time × press_temp × dwell"
    assert len(judgement.alias_chains) == 7
    assert set(judgement.aliases) <= set(judgement.cannot_tell)


def test_half_of_three_factors_blames_main_effects_on_interactions():
    judgement = judge_plan(make_plan(usual(3), coupons=8, kind="half"))
    assert judgement.resolution == 3
    assert (("cure_temp",), ("cure_time", "press_temp")) in [fact.values["effects"] for fact in judgement.aliases]


@pytest.mark.parametrize(("kind", "coupons"), [("full", 20), ("composite", 28), ("box-behnken", 27), ("optimal", 28)])
def test_plans_without_aliases_name_none(kind, coupons):
    study = usual(4)
    found = confusion(study, make_plan(study, coupons=coupons, kind=kind).coupons)
    assert found.facts == found.chains == ()
    assert found.resolution is None


def test_an_irregular_plan_names_the_effects_that_hang_together():
    # half a half fraction moved out of a forbidden corner: no regular plan is left, and too few coupons
    study = usual(4, forbidden=("cure_temp >= 139 and cure_time >= 209",))
    found = confusion(study, make_plan(study, coupons=12, kind="half").coupons)
    assert found.chains == ()
    assert found.facts[0].code == "hang together"


def test_named_two_level_factor_takes_part_in_the_chains():
    study = plain(3, named=(2,))
    found = confusion(study, make_plan(study, coupons=12, kind="half").coupons)
    assert found.resolution == 4
    assert "x1 = x2 × x3 × c1" in found.chains


def test_copies_of_a_fraction_keep_its_aliases():
    study = usual(4)
    once = confusion(study, make_plan(study, coupons=12, kind="half").coupons)
    twice = confusion(study, make_plan(study, coupons=20, kind="half").coupons)
    assert once == twice
