"""The rule of a staged comparison: chances against every sequence and against chance itself, limits, early verdicts."""

from __future__ import annotations

from collections import Counter
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from doe.assure.comparison.staged import (
    FALSE_ALARM,
    LINE_ALARM,
    LOSSES,
    STAGES,
    Stage,
    chances_of_losses,
    hidden_loss,
    judge_pairs,
    staged_chances,
    staged_rule,
    worst_false_alarm,
)

GOOD, NEW_FAILS, OLD_FAILS, BOTH_FAIL = (
    ("passed", "passed"),
    ("failed", "passed"),
    ("passed", "failed"),
    ("failed",) * 2,
)
WAITS, WASHES = ("waiting", "waiting"), ("passed", "waiting")
SMALL = (Stage(2, 0, 2, 1), Stage(4, 1, 2, 2), Stage(6, 2, 3, 2))
"""A rule whose sequences can all be written down."""


def chance_of(pair: tuple[str, str], new_fails: float, old_fails: float) -> float:
    new, old = pair
    return (new_fails if new == "failed" else 1 - new_fails) * (old_fails if old == "failed" else 1 - old_fails)


@pytest.mark.parametrize(("new_fails", "old_fails"), [(0.05, 0.05), (0.3, 0.1), (0.5, 0.5), (1.0, 0.0)])
def test_chances_are_those_of_every_sequence_judged_one_by_one(new_fails, old_fails):
    ends: Counter[str] = Counter()
    for sequence in product((GOOD, NEW_FAILS, OLD_FAILS, BOTH_FAIL), repeat=6):
        chance = float(np.prod([chance_of(pair, new_fails, old_fails) for pair in sequence]))
        ends[judge_pairs(SMALL, sequence, 0.9).verdict] += chance
    found = staged_chances(SMALL, new_fails, old_fails)
    told = {
        "clearly worse": found.worse,
        "go on carefully": found.go_on,
        "line first": found.line,
        "not settled": found.unsettled,
    }
    assert {name: ends[name] for name in told} == pytest.approx(told, abs=1e-12)
    assert sum(told.values()) == pytest.approx(1)


@pytest.mark.parametrize("loss", LOSSES)
def test_chances_are_those_of_simulated_shops(loss):
    stages, rng, runs = staged_rule(8, 0.95), np.random.default_rng(7), 2000
    made = np.stack([rng.random((runs, 24)) < 0.05 + loss, rng.random((runs, 24)) < 0.05], axis=2)
    words = np.where(made, "failed", "passed")
    said = Counter(judge_pairs(stages, [tuple(pair) for pair in run], 0.9).verdict for run in words)
    found = staged_chances(stages, 0.05 + loss, 0.05)
    for verdict, chance in (("clearly worse", found.worse), ("go on carefully", found.go_on)):
        # five standard errors: ten such comparisons fail by chance about once in 200,000 seeds
        assert said[verdict] / runs == pytest.approx(chance, abs=5 * (chance * (1 - chance) / runs) ** 0.5 + 1e-9)


def test_the_usual_rule_by_hand():
    # nobody in use fails: only the new one's failures count, and after one stage of 8 they are binomial
    first = staged_rule(8, 0.95)[:1]
    found = staged_chances(first, 0.25, 0.0)
    assert found.go_on == pytest.approx(0.75**8)
    assert found.worse == pytest.approx(1 - 0.75**8 - 8 * 0.25 * 0.75**7 - 28 * 0.25**2 * 0.75**6)
    assert found.more == found.unsettled == pytest.approx(1 - found.go_on - found.worse)


@pytest.mark.parametrize("pairs", range(6, 11))
@pytest.mark.parametrize("rate", [0.70, 0.80, 0.90, 0.95, 0.97, 0.99])
def test_every_rule_keeps_its_alarms_where_the_recipe_holds(pairs, rate):
    stages = staged_rule(pairs, rate)
    alike = staged_chances(stages, 1 - rate, 1 - rate)
    assert [stage.pairs for stage in stages] == [pairs, 2 * pairs, 3 * pairs]
    assert alike.worse <= FALSE_ALARM
    assert alike.line <= STAGES * LINE_ALARM
    rows = chances_of_losses(stages, rate)
    assert [row.worse for row in rows] == sorted(row.worse for row in rows)
    assert [row.go_on for row in rows] == sorted((row.go_on for row in rows), reverse=True)
    # the worst over a finer grid is no worse than what is said of it, rounded as it is said
    finer = max(staged_chances(stages, fails, fails).worse for fails in np.linspace(0.2, 0.5, 61))
    assert finer <= worst_false_alarm(stages) + 0.001


def test_one_stage_hides_what_clopper_and_pearson_say():
    for pairs, spared in ((8, 0), (10, 1), (7, 2)):
        stage = Stage(pairs, spared, pairs + 1, pairs)
        assert hidden_loss([stage], 1, 0.9) == pytest.approx(beta.ppf(0.9, spared + 1, pairs - spared))


@pytest.mark.parametrize("stages", [SMALL, staged_rule(6, 0.9), staged_rule(8, 0.95)])
@pytest.mark.parametrize("in_use_fails", [0.0, 0.05, 0.2])
def test_what_may_hide_is_exceeded_in_one_of_ten_at_most_whatever_the_stage(stages, in_use_fails):
    limits = [hidden_loss(stages, number, 0.9) for number in range(1, len(stages) + 1)]
    for only_new in np.linspace(0.01, 0.99 * (1 - in_use_fails), 60):
        by_stage = [
            staged_chances(stages[:number], only_new / (1 - in_use_fails), in_use_fails).go_on
            for number in range(1, len(stages) + 1)
        ]
        gained = np.diff([0.0, *by_stage])
        missed = sum(gain for gain, limit in zip(gained, limits, strict=True) if limit < only_new)
        assert missed <= 0.10 + 1e-9


def test_the_limit_is_no_more_careful_than_it_must_be():
    stages = staged_rule(8, 0.95)
    for number in (1, 2, 3):
        share = hidden_loss(stages, number, 0.9)
        without_alarms = [Stage(s.pairs, s.go_on, s.pairs + 1, s.pairs) for s in stages[:number]]
        assert staged_chances(without_alarms, share, 0.0).go_on == pytest.approx(0.10)


def test_stage_by_stage():
    stages = staged_rule(8, 0.95)
    assert [(s.go_on, s.worse, s.in_use) for s in stages] == [(0, 3, 2), (1, 4, 3), (2, 4, 4)]
    good = judge_pairs(stages, [GOOD] * 8, 0.9)
    assert (good.verdict, good.stage, good.hides) == ("go on carefully", 1, pytest.approx(1 - 0.1 ** (1 / 8)))
    one = judge_pairs(stages, [NEW_FAILS, *[GOOD] * 7], 0.9)
    assert (one.verdict, one.stage, one.missing, one.may_go_on, one.hides) == ("more pairs", 2, 8, True, None)
    assert judge_pairs(stages, [NEW_FAILS, *[GOOD] * 15], 0.9).verdict == "go on carefully"
    assert judge_pairs(stages, [*[NEW_FAILS] * 2, *[GOOD] * 22], 0.9).stage == 3
    three = judge_pairs(stages, [*[NEW_FAILS] * 3, OLD_FAILS, *[GOOD] * 4], 0.9)
    assert (three.verdict, three.may_go_on) == ("more pairs", False)
    assert judge_pairs(stages, [*[NEW_FAILS] * 3, OLD_FAILS, *[GOOD] * 20], 0.9).verdict == "not settled"
    assert judge_pairs(stages, [*[NEW_FAILS] * 3, *[GOOD] * 5], 0.9).verdict == "clearly worse"
    # a line that fails with both says nothing of the new lot, however it did
    assert judge_pairs(stages, [*[NEW_FAILS] * 3, *[BOTH_FAIL] * 3, GOOD, GOOD], 0.9).verdict == "line first"


def test_at_the_press_only_the_material_in_use_can_end_it():
    stages = staged_rule(6, 0.95)
    # its coupons in use can all still fail a wash: then no pair tells the two apart
    assert judge_pairs(stages, [("failed", "waiting")] * 6, 0.9).verdict == "waiting"
    assert judge_pairs(stages, [("failed", "passed")] * 6, 0.9).verdict == "clearly worse"
    assert judge_pairs(stages, [("waiting", "failed")] * 6, 0.9).verdict == "line first"


def test_what_waits_waits_and_void_pairs_are_wanted_again():
    stages = staged_rule(8, 0.95)
    found = judge_pairs(stages, [*[GOOD] * 7, WASHES], 0.9)
    assert (found.verdict, found.waiting, found.pairs, found.hides) == ("waiting", 1, 7, None)
    short = judge_pairs(stages, [GOOD] * 7, 0.9)
    assert (short.verdict, short.stage, short.missing) == ("more pairs", 1, 1)
    # pairs that nobody asked for change nothing
    assert judge_pairs(stages, [*[GOOD] * 8, *[NEW_FAILS] * 8], 0.9).verdict == "go on carefully"


PAIRS = st.sampled_from([GOOD, NEW_FAILS, OLD_FAILS, BOTH_FAIL, WAITS, WASHES, ("failed", "waiting")])


@given(st.lists(PAIRS, min_size=2, max_size=4))
def test_an_early_verdict_is_the_one_that_every_rest_comes_to(pairs):
    found = judge_pairs(SMALL, pairs, 0.9)
    waiting = any("waiting" in pair for pair in pairs)
    if not waiting or found.verdict not in ("clearly worse", "line first"):
        return
    choices = [
        [(n, o) for n in _ends(new) for o in _ends(old)]
        for new, old in (*pairs, *[WAITS] * (SMALL[found.stage - 1].pairs - len(pairs)))
    ]
    assert {judge_pairs(SMALL, rest, 0.9).verdict for rest in product(*choices)} == {found.verdict}


def _ends(state: str) -> tuple[str, ...]:
    return ("passed", "failed") if state == "waiting" else (state,)


@given(st.permutations([NEW_FAILS, NEW_FAILS, OLD_FAILS, BOTH_FAIL, *[GOOD] * 4]))
def test_the_order_within_a_stage_does_not_matter(pairs):
    assert judge_pairs(staged_rule(8, 0.95), pairs, 0.9).verdict == "more pairs"
