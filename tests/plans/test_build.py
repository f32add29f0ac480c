"""Plans as a whole: settings inside what is allowed, columns, seeds, rounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import usual_factor
from doe.domain.limits import Limits
from doe.domain.masks import is_forbidden
from doe.domain.space import Clause, Forbidden
from doe.domain.study import Study
from doe.plans.build import add_round, augment_plan, make_plan
from doe.plans.classical import CLASSICAL, base_points, base_size, sizes
from doe.plans.plan import columns
from tests.plans.studies import NAMES, usual


@st.composite
def studies(draw):
    """Any 2 to 6 factors with any ranges, one named factor or none, one forbidden corner or none."""
    names = draw(st.lists(st.sampled_from(NAMES), min_size=2, max_size=5, unique=True))
    factors = []
    for name in names:
        known = usual_factor(name)
        low = draw(st.floats(known.low, known.low + 0.4 * (known.high - known.low)))
        high = draw(st.floats(low + 0.2 * (known.high - known.low), known.high))
        factors.append(replace(known, low=low, high=high))
    if draw(st.booleans()):
        factors.append(usual_factor("film_type"))
    forbidden = ()
    if draw(st.booleans()):
        a, b = factors[0], factors[1]
        share = draw(st.floats(0.6, 0.95))
        forbidden = (
            Forbidden(
                tuple(Clause(f.name, ">=", f.low + share * (f.high - f.low)) for f in (a, b)), "too much of both"
            ),
        )
    return Study("any", tuple(factors), forbidden=forbidden)


@st.composite
def studies_and_plans(draw):
    """A study, a kind of plan that exists for it, and a number of coupons that the kind takes."""
    study = draw(studies())
    existing = [kind for kind in CLASSICAL if _exists(study, kind)]
    kind = draw(st.sampled_from(["optimal", "d-optimal", *existing]))
    low, high = sizes(study, kind)[0] if kind in CLASSICAL else (12, 30)
    return study, kind, draw(st.integers(low, high))


def _exists(study, kind):
    try:
        return base_size(study, kind) <= 48
    except InputError:
        return False


@given(case=studies_and_plans(), seed=st.integers(0, 99))
@settings(max_examples=60, deadline=None)
def test_every_setting_is_inside_its_range_on_a_machine_step_and_allowed(case, seed):
    study, kind, coupons = case
    if kind in CLASSICAL and study.forbidden:
        # a textbook plan may be refused for what is forbidden, and for nothing else
        try:
            base_points(study, kind)
        except InputError:
            with pytest.raises(InputError, match="forbidden"):
                make_plan(study, coupons=coupons, kind=kind, seed=seed)
            return
    plan = make_plan(study, coupons=coupons, kind=kind, seed=seed)
    assert len(plan.coupons) == coupons
    for f in study.numeric:
        values = plan.coupons[f.name].to_numpy(dtype=float)
        assert ((values >= f.low - 1e-9) & (values <= f.high + 1e-9)).all()  # a step counts as reached to 1e-9
        wide_enough = np.floor(f.high / f.step + 1e-9) >= np.ceil(f.low / f.step - 1e-9)
        if wide_enough:
            assert np.allclose(values / f.step, np.round(values / f.step), atol=1e-6)
    for f in study.categorical:
        assert set(plan.coupons[f.name]) <= set(f.levels)
    assert not is_forbidden(study.forbidden, plan.settings).any()
    assert plan.coupons["coupon"].is_unique
    assert list(plan.coupons.columns) == columns(study)
    assert (plan.coupons["role"] == "repeat centre").sum() == 2


@pytest.mark.parametrize("kind", ["full", "optimal"])
def test_same_seed_same_plan_and_another_seed_another_order(kind):
    first, again, other = (make_plan(usual(4), coupons=20, kind=kind, seed=seed) for seed in (3, 3, 4))
    pd.testing.assert_frame_equal(first.coupons, again.coupons)
    assert first.notes == again.notes
    assert not first.coupons.equals(other.coupons)


def test_limits_are_respected_through_the_ranges_and_may_be_missing():
    factors = usual(2).factors
    limits = Limits(film_max_degc=140, powder_max_degc=150, oven_max_degc=160, min_cure_time_s=90)
    plan = make_plan(Study("limited", factors, limits=limits), coupons=12, kind="composite")
    assert plan.coupons["cure_temp"].max() <= 140
    assert plan.coupons["cure_time"].min() >= 90
    with pytest.raises(InputErrors, match="at most 130"):
        Study("limited", factors, limits=replace(limits, film_max_degc=130))


def test_times_are_spaced_by_ratio():
    plan = make_plan(usual(4), coupons=28, kind="composite")
    # the middle of 8 to 20 s is their geometric mean 12.6, set as 13
    assert set(plan.coupons["dwell"]) == {8, 13, 20}


def test_numbers_of_batches_garments_and_strokes_go_on_in_the_next_round():
    first = make_plan(usual(3), coupons=12, kind="full", seed=1)
    both = augment_plan(first, coupons=8, seed=2)
    old, new = (both.coupons[both.coupons["round"] == r] for r in (1, 2))
    pd.testing.assert_frame_equal(old, first.coupons)
    for name in ("cure_batch", "press_batch", "garment", "stroke"):
        assert new[name].min() == old[name].max() + 1
    assert sorted(new["cure_order"]) == list(range(1, 9))
    assert list(new["coupon"].str[:3].unique()) == ["R2-"]
    added = both.notes[len(first.notes) :]
    assert [(note.values["round"], note.values["stage"]) for note in added] == [(2, "cure"), (2, "press")]


def test_a_round_of_given_settings_keeps_them_and_adds_centre_coupons_only_when_asked():
    study = usual(2)
    first = make_plan(study, coupons=8, kind="full", seed=1)
    given_ = pd.DataFrame({"cure_temp": [130.4, 128.0, 112.0], "cure_time": [150.0, 202.0, 95.0]})
    both = add_round(first, given_, seed=5)
    new = both.coupons[both.coupons["round"] == 2]
    assert sorted(new["cure_temp"]) == [112, 128, 130]  # rounded to what the oven takes
    assert list(new.sort_values("cure_order")["cure_temp"]) == [112, 128, 130]  # and heated, not cooled
    with_centre = add_round(first, given_, seed=5, repeat_centre=True)
    assert (with_centre.coupons["round"] == 2).sum() == 5


def test_a_bad_round_is_refused_with_every_bad_row():
    study = usual(2, forbidden=("cure_temp >= 138 and cure_time >= 200",))
    plan = make_plan(study, coupons=12, kind="optimal")
    bad = pd.DataFrame({"cure_temp": [100.0, 120.0], "cure_time": [100.0, 900.0]})
    with pytest.raises(InputErrors) as caught:
        add_round(plan, bad, seed=1)
    assert [p.where for p in caught.value.problems] == ["row 1, cure_temp", "row 2, cure_time"]
    with pytest.raises(InputError, match="forbidden combinations"):
        add_round(plan, pd.DataFrame({"cure_temp": [140.0], "cure_time": [210.0]}), seed=1)
    with pytest.raises(InputError, match="cure_time"):
        add_round(plan, pd.DataFrame({"cure_temp": [140.0]}), seed=1)
    with pytest.raises(InputError, match="no row"):
        add_round(plan, bad.iloc[:0], seed=1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"kind": "cube"}, "allowed: auto, half"),
        ({"order": "sorted"}, "allowed: batched, repeated, random"),
        ({"coupons": 3}, "allowed: 4 to 200"),
    ],
)
def test_bad_arguments_name_what_is_allowed(arguments, words):
    with pytest.raises(InputError, match=words):
        make_plan(usual(3), **arguments)


@pytest.mark.parametrize(
    ("k", "coupons", "kind"),
    [
        (2, 12, "composite"),
        (3, 16, "composite"),
        (4, 28, "optimal"),
        (4, 20, "optimal"),
        (4, 12, "spread"),
        (3, 10, "full"),
        (6, 20, "spread"),
        (4, 10, "half"),
        (6, 40, "optimal"),
    ],
)
def test_auto_chooses_by_budget_and_factors_and_says_why(k, coupons, kind):
    plan = make_plan(usual(k), coupons=coupons)
    assert plan.kind == kind
    assert plan.notes[0].code.startswith("chosen as ")


def test_auto_goes_around_forbidden_combinations_with_an_optimal_plan():
    plan = make_plan(usual(4, forbidden=("cure_temp >= 135 and cure_time >= 180",)), coupons=28)
    assert plan.kind == "optimal"


def test_auto_with_too_few_coupons_says_how_many_are_needed():
    with pytest.raises(InputError, match="allowed: 10 or more"):
        make_plan(usual(4), coupons=8)


def test_inputs_are_left_alone():
    study = usual(3)
    first = make_plan(study, coupons=12, kind="full")
    before = first.coupons.copy()
    augment_plan(first, coupons=6, seed=1)
    pd.testing.assert_frame_equal(first.coupons, before)
