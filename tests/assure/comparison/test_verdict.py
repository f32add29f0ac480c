"""Comparison of materials: differences of rates, equivalence, sizes, verdicts."""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import binom, multinomial

from doe.assure.comparison.equivalence import compare_hand, coupons_for_means, equivalence_of, rounding_bias
from doe.assure.comparison.plan import (
    Pairs,
    non_inferior_pairs,
    non_inferior_separate,
    paired_difference,
    paired_p_values,
    paired_power,
    separate_difference,
    separate_p_values,
    separate_power,
    strokes_for_rates,
)
from doe.assure.comparison.verdict import compare_materials
from doe.domain.errors import InputError
from doe.domain.spec import Check, Spec
from doe.words.comparison import said

SPEC = Spec(pass_rate=0.9, hand_min=None, assurance=0.9, checks=(Check("release", "lets go"),))


# rates


@given(m=st.integers(5, 30), n=st.integers(5, 30), data=st.data(), margin=st.floats(0.05, 0.4))
@settings(deadline=None, max_examples=30)
def test_restricted_rates_are_the_most_likely_ones_a_margin_apart(m, n, data, margin):
    x, y = data.draw(st.integers(1, m - 1)), data.draw(st.integers(1, n - 1))

    def unlikely(old):
        new = old - margin
        return -(x * math.log(new) + (m - x) * math.log(1 - new) + y * math.log(old) + (n - y) * math.log(1 - old))

    twin = minimize_scalar(unlikely, bounds=(margin + 1e-9, 1 - 1e-9), method="bounded", options={"xatol": 1e-11}).x
    found = non_inferior_separate(x, m, y, n, margin=margin)
    assert found.restricted[1] == pytest.approx(twin, abs=1e-5)
    assert found.restricted[1] - found.restricted[0] == pytest.approx(margin)


@given(both=st.integers(0, 12), b=st.integers(1, 6), c=st.integers(1, 6), margin=st.floats(0.05, 0.3))
@settings(deadline=None, max_examples=30)
def test_restricted_pair_chances_are_the_most_likely_ones(both, b, c, margin):
    n = both + b + c + 1

    def unlikely(q):
        return -(b * math.log(q - margin) + c * math.log(q) + (n - b - c) * math.log(1 - 2 * q + margin))

    ends = (margin + 1e-9, (1 + margin) / 2 - 1e-9)
    twin = minimize_scalar(unlikely, bounds=ends, method="bounded", options={"xatol": 1e-11}).x
    found = non_inferior_pairs(Pairs(both, b, c, 1), margin=margin)
    assert found.restricted[1] == pytest.approx(twin, abs=1e-5)


def test_exact_p_counts_every_outcome_at_the_worst_common_rate():
    # Slow twin: loops over outcomes and rates.
    m, n, margin = 5, 6, 0.2
    score = {(x, y): non_inferior_separate(x, m, y, n, margin=margin).z for x in range(m + 1) for y in range(n + 1)}
    p = separate_p_values(m, n, margin)
    for x, y in ((5, 6), (4, 6), (5, 4)):
        worst = 0.0
        for old in np.linspace(margin, 1, 301):
            tail = sum(
                binom.pmf(i, m, old - margin) * binom.pmf(j, n, old)
                for (i, j), z in score.items()
                if z >= score[x, y] - 1e-9
            )
            worst = max(worst, tail)
        assert p[x, y] == pytest.approx(worst, abs=1e-9)


def test_exact_p_of_pairs_counts_every_outcome():
    n, margin = 6, 0.25
    outcomes = [(b, c) for b in range(n + 1) for c in range(n + 1 - b)]
    score = {(b, c): non_inferior_pairs(Pairs(n - b - c, b, c, 0), margin=margin).z for b, c in outcomes}
    p = paired_p_values(n, margin)
    for here in ((0, 0), (1, 0), (2, 1)):
        worst = 0.0
        for old in np.linspace(margin, (1 + margin) / 2, 301):
            chance = [old - margin, old, max(1 - 2 * old + margin, 0)]
            tail = sum(
                multinomial.pmf([b, c, n - b - c], n, chance) for (b, c), z in score.items() if z >= score[here] - 1e-9
            )
            worst = max(worst, tail)
        assert p[here] == pytest.approx(worst, abs=1e-9)
    assert np.isnan(p[4, 4])


def test_pairs_without_a_difference_are_a_success_run():
    # Nothing differed: at the margin every stroke had the chance 1 - margin not to.
    assert non_inferior_pairs(Pairs(22, 0, 0, 0), margin=0.1).p_exact == pytest.approx(0.9**22)


@pytest.mark.parametrize(("n", "margin", "old"), [(12, 0.2, 0.9), (15, 0.15, 0.6), (9, 0.3, 0.99)])
def test_a_material_worse_by_the_margin_is_seldom_called_good_enough(n, margin, old):
    new = old - margin
    p = separate_p_values(n, n, margin)
    chance = np.outer(binom.pmf(np.arange(n + 1), n, new), binom.pmf(np.arange(n + 1), n, old))
    assert chance[p <= 0.1].sum() <= 0.1 + 1e-3  # the worst rate is looked for on a grid
    # and still more seldom when it is worse than the margin
    worse = np.outer(binom.pmf(np.arange(n + 1), n, max(new - 0.1, 0)), binom.pmf(np.arange(n + 1), n, old))
    assert worse[p <= 0.1].sum() <= chance[p <= 0.1].sum()


@given(x=st.integers(0, 20), y=st.integers(0, 20), assurance=st.floats(0.6, 0.99))
@settings(deadline=None, max_examples=30)
def test_limits_of_a_difference_turn_round_with_the_materials(x, y, assurance):
    found, turned = separate_difference(x, 20, y, 20, assurance), separate_difference(y, 20, x, 20, assurance)
    assert (found.low, found.high) == (pytest.approx(-turned.high), pytest.approx(-turned.low))
    assert -1 <= found.low <= found.difference <= found.high <= 1


def test_pairs_that_agree_make_the_difference_surer():
    alike = paired_difference(Pairs(14, 0, 0, 6), 0.9)
    apart = separate_difference(14, 20, 14, 20, 0.9)
    assert alike.high - alike.low < (apart.high - apart.low) * 0.75
    # without any correlation the paired limits are the separate ones
    free = paired_difference(Pairs(9, 3, 3, 1), 0.9)
    plain = separate_difference(12, 16, 12, 16, 0.9)
    assert free.low == pytest.approx(plain.low, abs=0.01)


# sizes


def test_power_is_the_chance_of_the_outcomes_that_decide():
    rng = np.random.default_rng(21)
    n, rate, margin = 30, 0.95, 0.15
    new, old = (rng.uniform(size=(20_000, n)) < rate for _ in range(2))
    b, c = (new & ~old).sum(axis=1), (old & ~new).sum(axis=1)
    shown = paired_p_values(n, margin)[b, c] <= 0.1
    # standard error at most 0.0035; four of them
    assert paired_power(n, rate, margin=margin) == pytest.approx(shown.mean(), abs=0.014)
    shown = separate_p_values(n, n, margin)[new.sum(axis=1), old.sum(axis=1)] <= 0.1
    assert separate_power(n, rate, margin=margin) == pytest.approx(shown.mean(), abs=0.014)


def test_sizes_keep_their_power_and_fall_with_the_margin():
    n = strokes_for_rates(0.95, margin=0.15)
    assert all(paired_power(n + i, 0.95, margin=0.15) >= 0.8 for i in range(3))
    assert not all(paired_power(n - 1 + i, 0.95, margin=0.15) >= 0.8 for i in range(3))
    for paired in (True, False):
        sizes = [strokes_for_rates(0.97, margin=margin, paired=paired) for margin in (0.15, 0.2, 0.3)]
        assert sizes == sorted(sizes, reverse=True)


def test_large_sizes_fall_back_on_normal_theory():
    n = strokes_for_rates(0.9, margin=0.05, alpha=0.025, power=0.9)
    # (1.95996 + 1.28155)^2 * 2 * 0.9 * 0.1 / 0.05^2 = 756.5
    assert n == 757
    assert n > 160


# hand-feel


def test_equivalence_of_separate_coupons_is_the_plain_t_test():
    rng = np.random.default_rng(22)
    new, old = rng.normal(3.9, 0.4, 9), rng.normal(4.0, 0.4, 7)
    frame = pd.DataFrame({"material": ["new"] * 9 + ["old"] * 7, "hand_ana": np.concatenate([new, old])})
    found = compare_hand(frame, margin=0.5, alpha=0.05)
    pooled = math.sqrt((8 * new.var(ddof=1) + 6 * old.var(ddof=1)) / 14)
    twin = equivalence_of(new.mean() - old.mean(), pooled * math.sqrt(1 / 9 + 1 / 7), 14, margin=0.5, alpha=0.05)
    for name in ("difference", "se", "df", "low", "high", "t_low", "t_high", "p"):
        assert getattr(found, name) == pytest.approx(getattr(twin, name))


def in_halves(rng: np.random.Generator, margin: float, sd: float, strokes: int = 20) -> pd.DataFrame:
    """Scores in halves of a new material that is stiffer by a margin, somewhere between two halves."""
    old = rng.uniform(3, 4)
    scores = np.concatenate([mean + sd * rng.normal(size=strokes) for mean in (old - margin, old)])
    return pd.DataFrame(
        {
            "material": ["new"] * strokes + ["old"] * strokes,
            "stroke": [*range(strokes)] * 2,
            "hand_ana": np.round(2 * scores) / 2,
        }
    )


@pytest.mark.parametrize("strokes", [25, 26])
def test_scores_that_all_fall_on_one_half_settle_nothing(strokes):
    """What lies between two halves is not known however many agree; a difference of a whole step may be none."""
    alike = in_halves(np.random.default_rng(1), 0.0, 0.0, strokes)
    assert not compare_hand(alike, margin=0.5).is_equivalent
    apart = alike.assign(hand_ana=alike["hand_ana"] - 0.5 * (alike["material"] == "new"))
    found = compare_hand(apart, margin=0.5)
    assert not found.is_equivalent
    assert not found.is_different
    assert found.p > 0.1


@pytest.mark.parametrize(("margin", "sd"), [(0.5, 0.05), (0.3, 0.05), (0.4, 0.05), (0.4, 0.1), (0.5, 0.2)])
def test_a_difference_at_the_margin_is_seldom_called_none_however_small_the_scatter(margin, sd):
    # stated: 0.05
    rng = np.random.default_rng(7)
    called = [compare_hand(in_halves(rng, margin, sd), margin=margin, alpha=0.05).is_equivalent for _ in range(40)]
    assert sum(called) <= 5


def test_scores_of_two_halves_may_hide_how_far_the_mean_lies_between_them():
    # 11 of these were called none while the scatter about the line between two halves was read as people's own
    rng = np.random.default_rng(5)
    called = [compare_hand(in_halves(rng, 0.4, 0.05), margin=0.4, alpha=0.05).is_equivalent for _ in range(150)]
    assert sum(called) <= 7  # stated: 0.05
    # a tenth of the scores on the upper half: the mean lies a tenth of a step up, or at half a step
    assert rounding_bias(0.5 * math.sqrt(0.1 * 0.9), split=True) == pytest.approx(0.5 * (0.5 - 0.1))


def test_equivalence_in_strokes_is_the_paired_t_test():
    rng = np.random.default_rng(23)
    stroke = rng.normal(0, 0.6, 10)
    new, old = 3.9 + stroke + rng.normal(0, 0.2, 10), 4.0 + stroke + rng.normal(0, 0.2, 10)
    frame = pd.DataFrame(
        {"material": ["new"] * 10 + ["old"] * 10, "stroke": [*range(10)] * 2, "hand_ana": np.concatenate([new, old])}
    )
    found = compare_hand(frame, margin=0.4, alpha=0.05)
    d = new - old
    twin = equivalence_of(d.mean(), d.std(ddof=1) / math.sqrt(10), 9, margin=0.4, alpha=0.05)
    assert (found.difference, found.se) == (pytest.approx(twin.difference), pytest.approx(twin.se, rel=1e-4))
    assert found.df == pytest.approx(9, rel=1e-3)
    assert found.is_equivalent == twin.is_equivalent
    apart = compare_hand(frame.drop(columns="stroke"), margin=0.4, alpha=0.05)
    assert apart.se > 2 * found.se


def test_a_material_cured_in_its_own_batch_is_said_to_be_mixed_up_with_it():
    frame = pd.DataFrame(
        {
            "material": ["new"] * 6 + ["old"] * 6,
            "cure_batch": [1] * 6 + [2] * 6,
            "hand_ana": [4, 3.5] * 3 + [4, 4.5] * 3,
        }
    )
    (note,) = compare_hand(frame).notes
    assert (note.code, note.values["grouping"]) == ("batches_of_its_own", "cure_batch")
    assert "batch error cannot be told" in said((note,))[0]


@given(difference=st.floats(-1, 1), se=st.floats(0.05, 0.5), margin=st.floats(0.1, 1))
@settings(deadline=None, max_examples=40)
def test_limits_and_p_decide_alike(difference, se, margin):
    found = equivalence_of(difference, se, 12, margin=margin, alpha=0.05)
    assert found.is_equivalent == (found.p < 0.05)
    assert not (found.is_equivalent and found.is_different)


def test_sizes_for_means_reach_their_power():
    from scipy.stats import nct, t

    n = coupons_for_means("non-inferiority", 0.5, sd=0.6, alpha=0.1, power=0.8, paired=True)
    for size, enough in ((n, True), (n - 1, False)):
        power = nct.sf(t.ppf(0.9, size - 1), size - 1, 0.5 / 0.6 * math.sqrt(size))
        assert (power >= 0.8) == enough


# verdicts


def bridging(new, old, *, hand=None, edge=None):
    """Coupons by a word (p passed, f failed, w waiting), one of each material in every stroke."""
    letters = {"p": True, "f": False, "w": None}
    rows = [
        {"material": material, "stroke": i, "role": "setpoint", "check_release": letters[s]}
        for material, states in (("new", new), ("old", old))
        for i, s in enumerate(states)
    ]
    if edge is not None:
        rows += [
            {"material": m, "stroke": 1000 + i, "role": "corner 1", "check_release": letters[s]}
            for m, states in (("new", edge[0]), ("old", edge[1]))
            for i, s in enumerate(states)
        ]
    frame = pd.DataFrame(rows).astype({"check_release": object})
    if hand is not None:
        rng = np.random.default_rng(24)
        steps = np.round(2 * (4 + 0.2 * rng.normal(size=len(frame)))) / 2
        frame["hand_ana"] = steps + np.where(frame["material"] == "new", hand, 0)
    return frame


def test_same_recipe_holds_when_everything_is_shown():
    found = compare_materials(bridging("p" * 20, "p" * 20, edge=("pppp", "pppp")), SPEC)
    assert found.verdict == "same recipe holds"
    assert found.rates.pairs == Pairs(20, 0, 0, 0)
    assert found.rates.is_non_inferior
    assert (found.missing, found.more_units) == ((), 0)
    assert "with 90 % assurance, no more than 15 points below" in said(found.reasons)[0]


def test_few_coupons_without_a_failure_are_not_enough_and_how_many_more_is_said():
    found = compare_materials(bridging("p" * 8, "p" * 8, edge=("pppp", "pppp")), SPEC)
    assert found.verdict == "not enough coupons yet"
    assert found.more_units > 5
    assert f"about {found.more_units} more strokes" in said(found.missing)[0]


def test_a_material_that_fails_clearly_is_to_be_retuned():
    found = compare_materials(bridging("pfffpffpffpf", "p" * 12), SPEC)
    assert found.verdict == "retune"
    assert found.rates.is_worse
    assert "passes less often: new 4 of 12, in use 12 of 12" in said(found.reasons)[0]


def test_an_edge_that_breaks_with_the_new_material_asks_for_a_retune():
    found = compare_materials(bridging("p" * 20, "p" * 20, edge=("pfff", "pppp")), SPEC)
    assert found.verdict == "retune"
    assert "Corner 1: 3 of 4 failed with the new material." in said(found.reasons)
    both = compare_materials(bridging("p" * 20, "p" * 20, edge=("pfff", "ffff")), SPEC)
    assert both.verdict == "not enough coupons yet"
    assert "4 of 4 failed with the material in use too, and 3 of 4 with the new one" in said(both.missing)[0]


def test_one_failure_at_an_edge_asks_for_as_many_coupons_again_and_is_then_forgiven():
    once = compare_materials(bridging("p" * 20, "p" * 20, edge=("pppf", "pppp")), SPEC)
    assert once.verdict == "not enough coupons yet"
    assert "Corner 1: 1 of 4 failed, which chance alone allows; make as many again there." in said(once.missing)
    again = compare_materials(bridging("p" * 20, "p" * 20, edge=("pppfpppp", "pppppppp")), SPEC)
    assert again.verdict == "same recipe holds"
    assert "Corner 1: held with the new material, 7 of 8 passed, which is no more than chance." in said(again.reasons)
    twice = compare_materials(bridging("p" * 20, "p" * 20, edge=("pppfpppf", "pppppppp")), SPEC)
    assert twice.verdict == "not enough coupons yet"
    assert any("draw the window in on that side" in m for m in said(twice.missing))


def test_failures_of_the_material_in_use_are_remarked_on():
    assert not any("blamed" in n for n in said(compare_materials(bridging("p" * 20, "p" * 18 + "ff"), SPEC).notes))
    doubtful = compare_materials(bridging("p" * 20, "p" * 16 + "ffff"), SPEC)
    # 4 or more of 20 at 90 %: 0.133 by the binomial
    assert any("failed in 4 of 20 units" in n and "less than 14 times in 100" in n for n in said(doubtful.notes))


@given(new=st.integers(0, 12), old=st.integers(0, 12))
@settings(deadline=None, max_examples=30)
def test_sentences_promise_no_more_than_the_limits(new, old):
    found = compare_materials(bridging("p" * new + "f" * (12 - new), "p" * old + "f" * (12 - old)), SPEC)
    for told in said((*found.reasons, *found.missing)):
        if match := re.search(r"up to (-?\d+) points worse", told):
            assert int(match[1]) >= -100 * found.rates.limits.low - 1e-6
        if match := re.search(r"at least (-?\d+) points worse", told):
            assert 0 < int(match[1]) <= -100 * found.rates.limits.high + 1e-6
        if match := re.search(r"at most (\d+) %", told):
            assert int(match[1]) >= 100 * found.rates.new_high - 1e-6


def test_hand_feel_counts_both_ways():
    spec = Spec(pass_rate=0.9, hand_min=3.5, assurance=0.9, checks=SPEC.checks)
    alike = compare_materials(bridging("p" * 20, "p" * 20, hand=0.0), spec)
    assert alike.verdict == "same recipe holds"
    stiff = compare_materials(bridging("p" * 20, "p" * 20, hand=-1.0), spec)
    assert stiff.verdict == "retune"
    assert "stiffer by" in said(stiff.reasons)[0]
    near = compare_materials(bridging("p" * 20, "p" * 20, hand=-0.5), spec)
    assert near.verdict == "not enough coupons yet"
    unscored = compare_materials(bridging("p" * 20, "p" * 20), spec)
    assert "score at least some coupons of each material" in said(unscored.missing)[0]


def test_waiting_coupons_keep_the_verdict_open():
    found = compare_materials(bridging("p" * 18 + "ww", "p" * 20, edge=("pppw", "pppp")), SPEC)
    assert found.verdict == "not enough coupons yet"
    assert found.waiting == 3
    assert "3 units wait for a check" in said(found.missing)[0]
    nothing = compare_materials(bridging("ww", "ww"), SPEC)
    assert nothing.verdict == "not enough coupons yet"
    assert nothing.rates.new_units == 0


def test_an_old_material_that_fails_too_points_to_the_line():
    found = compare_materials(bridging("f" * 10, "f" * 10), SPEC)
    assert found.verdict == "not enough coupons yet"
    assert "check line and gauges" in said(found.missing)[0]


def test_materials_made_apart_are_compared_apart_with_a_note():
    frame = bridging("p" * 30, "p" * 30)
    frame["stroke"] = range(60)
    found = compare_materials(frame, SPEC)
    assert found.rates.pairs is None
    assert found.verdict == "same recipe holds"
    assert any("not made side by side" in n for n in said(found.notes))


def test_more_looks_ask_for_more():
    frame = bridging("p" * 16, "p" * 16, edge=("pppp", "pppp"))
    one, two = compare_materials(frame, SPEC), compare_materials(frame, SPEC, looks=2)
    assert one.verdict == "same recipe holds"
    assert two.verdict == "not enough coupons yet"
    assert two.risk == pytest.approx(one.risk / 2)


def test_several_coupons_a_stroke_are_one_unit():
    twice = pd.concat([bridging("p" * 10, "p" * 10)] * 2, ignore_index=True)
    found = compare_materials(twice, SPEC)
    assert found.rates.new_units == 10
    twice.loc[0, "check_release"] = False
    mixed = compare_materials(twice, SPEC).rates
    assert (mixed.new_passed, mixed.new_high) == (9, 1.0)


def test_a_material_without_a_coupon_at_the_setpoint_is_refused_in_one_line():
    with pytest.raises(InputError, match="no coupon of the old material"):
        compare_materials(bridging("pp", ""), SPEC)
