"""Agreement: slow twins and properties."""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.assure.people.agreement import band_of, judge_hand_agreement, judge_pass_agreement
from doe.assure.people.concordance import kendall_w, lean_of_people, score_agreement
from doe.assure.people.kappa import cohen_kappa, fleiss_kappa, kappa_of_table
from doe.words.people import finding, hand_words, pass_words


def looks(word: str) -> list[int]:
    """Passes and fails as classes."""
    return ["FP".index(letter) for letter in word]


def levels(*scores: int) -> list[int]:
    """Scores from 1 as classes from 0."""
    return [score - 1 for score in scores]


tables = st.lists(st.lists(st.integers(0, 12), min_size=3, max_size=3), min_size=3, max_size=3).filter(
    lambda t: sum(map(sum, t)) >= 4 and sum(map(bool, map(sum, t))) > 1
)


@given(table=tables)
@settings(deadline=None, max_examples=40)
def test_kappa_is_the_share_beyond_chance_counted_by_hand(table):
    n = sum(map(sum, table))
    agreed = sum(table[i][i] for i in range(3)) / n
    chance = sum(sum(table[i]) * sum(row[i] for row in table) for i in range(3)) / n**2
    found = kappa_of_table(table)
    assert found.kappa == pytest.approx((agreed - chance) / (1 - chance))
    turned = kappa_of_table(np.transpose(table))
    assert (turned.kappa, turned.se) == (pytest.approx(found.kappa), pytest.approx(found.se))
    assert -1 <= found.low <= found.kappa + 1e-9
    assert found.kappa - 1e-9 <= found.high <= 1


def test_kappa_standard_error_is_that_of_the_delta_method():
    # Twin: numerical derivatives of kappa in the cell shares, multinomial covariance.
    table = np.array([[14, 3, 1], [2, 9, 4], [1, 2, 8.0]])
    n, p = table.sum(), table / table.sum()

    def kappa(shares):
        return kappa_of_table(n * shares.reshape(3, 3)).kappa

    flat, h = p.ravel(), 1e-6
    # kappa_of_table normalises, so the derivative along each share is that of the normalised table
    slope = np.array([(kappa(flat + h * e) - kappa(flat - h * e)) / (2 * h) for e in np.eye(9)])
    variance = slope @ (np.diag(flat) - np.outer(flat, flat)) @ slope / n
    assert kappa_of_table(table).se == pytest.approx(math.sqrt(variance), rel=1e-5)


def test_perfect_agreement_is_not_certain_agreement():
    found = cohen_kappa(looks("PPPPFFFF"), looks("PPPPFFFF"), classes=2, assurance=0.9)
    assert found.kappa == 1
    # both share 4/8: the exact 95 % limit of 8 of 8 is 0.05^(1/8)
    assert found.low == pytest.approx((0.05 ** (1 / 8) - 0.5) / 0.5)
    assert found.high == 1


def test_one_class_for_everything_says_nothing():
    assert math.isnan(cohen_kappa(looks("PPPP"), looks("PPPP"), classes=2).kappa)
    assert math.isnan(fleiss_kappa([[0, 3], [0, 3]]).overall.kappa)
    assert band_of(cohen_kappa(looks("PPPP"), looks("PPPP"), classes=2)) == "cannot be told"


def test_weights_forgive_near_misses():
    near = cohen_kappa(levels(1, 2, 3, 4, 5, 1), levels(2, 3, 4, 5, 4, 1), classes=5, weighted=True)
    far = cohen_kappa(levels(1, 2, 3, 4, 5, 1), levels(5, 5, 1, 1, 1, 1), classes=5, weighted=True)
    assert near.kappa > cohen_kappa(levels(1, 2, 3, 4, 5, 1), levels(2, 3, 4, 5, 4, 1), classes=5).kappa
    assert near.kappa > 0.5 > far.kappa


def test_quadratic_weights_are_an_intraclass_correlation_for_many_coupons():
    # Fleiss and Cohen (1973): quadratically weighted kappa equals ICC(2,1) but for terms of order 1/n. From memory.
    rng = np.random.default_rng(2)
    coupon = rng.normal(size=3000)
    scores = np.clip(np.round(3 + coupon[:, None] + 0.5 * rng.normal(size=(3000, 2)) + [0, 0.4]), 1, 5)
    first, second = scores.astype(int).T - 1
    kappa = cohen_kappa(first.tolist(), second.tolist(), classes=5, weighted=True).kappa
    assert kappa == pytest.approx(score_agreement(scores).icc("any such people"), abs=0.002)


def test_fleiss_with_two_people_is_scotts_pi():
    rng = np.random.default_rng(3)
    given_classes = rng.integers(0, 3, size=(25, 2))
    counts = np.column_stack([(given_classes == c).sum(axis=1) for c in range(3)])
    agreed = np.mean(given_classes[:, 0] == given_classes[:, 1])
    share = np.bincount(given_classes.ravel(), minlength=3) / 50
    assert fleiss_kappa(counts).overall.kappa == pytest.approx((agreed - share @ share) / (1 - share @ share))


@given(data=st.lists(st.lists(st.integers(1, 9), min_size=3, max_size=3), min_size=4, max_size=12))
@settings(deadline=None, max_examples=30)
def test_w_follows_from_the_mean_rank_correlation(data):
    scores = np.array(data, dtype=float)
    if any(np.ptp(c) == 0 for c in scores.T):
        return
    found = kendall_w(scores)
    assert 0 <= found.w <= 1
    assert found.low <= found.w + 1e-9
    assert found.w - 1e-9 <= found.high
    if all(len(np.unique(c)) == len(c) for c in scores.T):  # the identity needs ranks without ties
        r = np.corrcoef(np.argsort(np.argsort(scores, axis=0), axis=0).T)
        assert found.rank_correlation == pytest.approx(r[np.triu_indices(3, 1)].mean())


def test_same_ranking_by_all_is_w_one_but_not_certain():
    found = kendall_w(np.column_stack([np.arange(8), 2.0 * np.arange(8)]))
    assert found.w == pytest.approx(1)
    assert 0.8 < found.low < 1


def test_intraclass_correlations_come_from_a_plain_analysis_of_variance():
    rng = np.random.default_rng(4)
    scores = rng.normal(size=(7, 3)) + rng.normal(size=(7, 1))
    found = score_agreement(scores)
    grand = scores.mean()
    total = sum((scores[i, j] - grand) ** 2 for i in range(7) for j in range(3))
    parts = found.between * 6 + found.people_ms * 2 + found.error * 12
    assert parts == pytest.approx(total)
    assert found.within * 14 == pytest.approx(found.people_ms * 2 + found.error * 12)


@given(shift=st.floats(-5, 5), scale=st.floats(0.5, 3))
@settings(deadline=None, max_examples=15)
def test_units_of_the_scale_do_not_change_the_agreement(shift, scale):
    scores = np.random.default_rng(5).normal(size=(9, 3))
    plain, changed = score_agreement(scores).table, score_agreement(scale * scores + shift).table
    assert changed[["icc", "low", "high"]].to_numpy() == pytest.approx(plain[["icc", "low", "high"]].to_numpy())


def test_harsh_and_kind_people_are_found_and_named():
    rng = np.random.default_rng(6)
    coupon = rng.normal(3, 0.6, size=24)
    frame = pd.DataFrame({"ana": coupon, "ben": coupon - 0.9, "cem": coupon + 0.1})
    frame += 0.2 * rng.normal(size=frame.shape)
    frame.loc[3, "ana"] = np.nan
    lean = lean_of_people(frame).set_index("person")
    assert lean["lean"].sum() == pytest.approx(0)
    assert lean.loc["ben", "verdict"] == "harsh"
    assert lean.loc["ana", "verdict"] == "kind"
    assert (lean["coupons"] == 23).all()


def test_a_difference_too_small_to_matter_makes_nobody_kind_or_harsh():
    # 0.05 points from the mean, shown without doubt by 200 coupons: no score would change by it
    rng = np.random.default_rng(8)
    coupon = rng.normal(3, 0.6, size=200)
    frame = pd.DataFrame({"ana": coupon + 0.05, "ben": coupon - 0.05}) + 0.02 * rng.normal(size=(200, 2))
    lean = lean_of_people(frame)
    assert (lean["low"] * lean["high"] > 0).all()
    assert set(lean["verdict"]) == {"like the others"}


def test_the_pair_that_agrees_least_is_the_finding_and_what_to_do_stands_beside_it():
    rng = np.random.default_rng(9)
    coupon = np.clip(np.round(2 * rng.normal(3, 0.7, size=40)) / 2, 1, 5)
    frame = pd.DataFrame({"ana": coupon, "ben": coupon, "cem": rng.permutation(coupon)})
    said, remedy = finding(None, judge_hand_agreement(frame))
    assert re.match(r"(ana|ben) and cem barely agree on hand-feel: 0\.[0-3]\d of 1$", said)
    assert "blind" in remedy
    assert finding(None, judge_hand_agreement(frame[["ana", "ben"]]))[0] == "ana and ben agree well: 1.00 of 1"
    assert finding(None, None)[0] == "How far people agree is not known yet"


def test_hand_agreement_says_what_to_do():
    rng = np.random.default_rng(7)
    coupon = np.clip(np.round(2 * rng.normal(3, 0.7, size=20)) / 2, 1.5, 5)
    scored = pd.DataFrame({"ana": coupon, "ben": np.clip(coupon - 0.5 * (rng.uniform(size=20) < 0.8), 1, 5)})
    found = judge_hand_agreement(scored)
    assert found.pairs[0][2].kappa > 0.5
    assert found.ranks.w > 0.8
    assert any("ben scores 0.2 points harsher" in s for s in hand_words(found))
    noisy = judge_hand_agreement(scored.assign(ben=rng.permutation(coupon)))
    assert any("score blind" in s for s in hand_words(noisy))


def test_scores_that_are_all_the_same_are_nobody_s_share():
    for people in (2, 3):
        same = np.full((9, people), 3.5)
        assert score_agreement(same).table[["icc", "low", "high"]].isna().all(axis=None)
    found = judge_hand_agreement(pd.DataFrame({"ana": [4.0] * 8, "ben": [4.0] * 8}))
    (said,) = hand_words(found)
    assert "same hand-feel" in said
    assert "%" not in said
    # one coupon that differs is all of the difference, and that is said
    apart = judge_hand_agreement(pd.DataFrame({"ana": [4.0] * 8 + [3.0], "ben": [4.0] * 8 + [3.0]}))
    assert "100 % is the coupons" in hand_words(apart)[0].replace("\u00a0", " ")


def test_limits_of_any_such_people_never_lie_below_zero_where_textbook_limits_do():
    rng = np.random.default_rng(12)
    table = score_agreement(rng.normal(size=(12, 3))).table.set_index(["kind", "scores"])
    assert table.loc[("any such people", 1), "low"] == 0
    assert table.loc[("these very people", 1), "low"] < 0


def test_pass_agreement_finds_who_passes_more():
    truth = np.array([True] * 16 + [False] * 8)
    kind = truth.copy()
    kind[16:23] = True
    judged = pd.DataFrame({"ana": truth, "ben": kind, "cem": truth}).astype(object)
    judged.loc[0, "cem"] = None
    found = judge_pass_agreement(judged)
    assert (found.coupons, found.left_out) == (23, 1)
    assert found.together is not None
    pair = next(p for p in found.pairs if {p.first, p.second} == {"ana", "ben"})
    assert (pair.only_first, pair.only_second) == (0, 7)
    assert pair.p_leaning == pytest.approx(2 / 2**7)
    assert any("ben passes what ana fails" in s for s in pass_words(found))
    alike = next(p for p in found.pairs if {p.first, p.second} == {"ana", "cem"})
    assert alike.kappa.kappa == 1


@pytest.mark.parametrize("first", ["PPPF", "PPFF", "PPPP", "PFPFPFPFPFPF", "PPPPPPPPPPPF", "F" * 30])
def test_looks_that_contradict_each_other_every_time_have_limits(first: str) -> None:
    """A share agreed of nothing is known from above only, exactly."""
    second = "".join("F" if c == "P" else "P" for c in first)
    found = cohen_kappa(looks(first), looks(second), classes=2)
    assert found.agreement == 0
    assert -1 <= found.low <= found.kappa <= found.high < 1
    share_high = found.chance + found.high * (1 - found.chance)
    assert share_high == pytest.approx(1 - 0.025 ** (1 / len(first)))  # Clopper and Pearson's for none of n
