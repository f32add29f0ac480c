"""Noisy-or against arithmetic done by hand and against slow loops anyone can read."""

from __future__ import annotations

from itertools import product
from math import log2, prod

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.symptoms import diagnosis

# Two causes: priors 0.3 and 0.2, links 0.8 and 0.6, leak 0.05 (arithmetic by hand).
PRIOR, LINKS, LEAK = np.array([0.3, 0.2]), np.array([[0.8], [0.6]]), np.array([0.05])


def two_causes():
    there = diagnosis.states(2, 2)
    shown = diagnosis.p_shown(there, LINKS, LEAK)[:, 0]
    return there, shown, diagnosis.log_prior(there, PRIOR)


def test_two_causes_show_a_symptom_as_worked_out_by_hand():
    there, shown, prior = two_causes()
    by_state = {tuple(row): p for row, p in zip(there.tolist(), shown, strict=True)}
    assert by_state[(False, False)] == pytest.approx(0.05)
    assert by_state[(False, True)] == pytest.approx(0.62)
    assert by_state[(True, False)] == pytest.approx(0.81)
    assert by_state[(True, True)] == pytest.approx(0.924)
    assert np.exp(prior) @ shown == pytest.approx(0.36464, abs=1e-6)


def test_two_causes_are_ranked_and_explained_away_as_worked_out_by_hand():
    there, shown, prior = two_causes()
    posterior = diagnosis.weights(prior + np.log(shown))
    assert posterior @ there == pytest.approx([0.685169, 0.390083], abs=1e-6)
    second = there[:, 1]
    assert posterior[second] @ there[second, 0] / posterior[second].sum() == pytest.approx(0.389764, abs=1e-6)


def test_states_are_every_set_once_the_empty_one_first():
    made = diagnosis.states(5, 3)
    assert len(made) == 1 + 5 + 10 + 10
    assert len({tuple(r) for r in made.tolist()}) == len(made)
    assert not made[0].any()
    assert made.sum(axis=1).max() == 3


unit = st.floats(0.01, 0.95)


@given(p=st.lists(unit, min_size=3, max_size=3), links=st.lists(unit, min_size=6, max_size=6), leak=unit)
@settings(deadline=None, max_examples=30)
def test_posterior_agrees_with_a_loop_over_all_states(p, links, leak):
    table = np.array(links).reshape(3, 2)
    there = diagnosis.states(3, 3)
    shown = diagnosis.p_shown(there, table, np.full(2, leak))
    # first finding shown, second not
    posterior = diagnosis.weights(
        diagnosis.log_prior(there, np.array(p)) + np.log(shown[:, 0]) + np.log1p(-shown[:, 1])
    )
    total, sums = 0.0, [0.0] * 3
    for state in product([False, True], repeat=3):
        prior = prod(q if s else 1 - q for q, s in zip(p, state, strict=True))
        absent = [(1 - leak) * prod(1 - table[i, j] for i in range(3) if state[i]) for j in range(2)]
        weight = prior * (1 - absent[0]) * absent[1]
        total += weight
        sums = [a + weight * s for a, s in zip(sums, state, strict=True)]
    assert posterior @ there == pytest.approx([a / total for a in sums], rel=1e-9)


def test_information_is_that_of_a_perfect_and_of_a_useless_check():
    posterior = np.array([0.25, 0.75])
    entropy = -(0.25 * log2(0.25) + 0.75 * log2(0.75))
    assert diagnosis.information(posterior, np.eye(2)) == pytest.approx(entropy)
    assert diagnosis.information(posterior, np.full((2, 2), 0.5)) == pytest.approx(0)


@given(weights=st.lists(unit, min_size=4, max_size=4), hits=st.lists(unit, min_size=4, max_size=4))
@settings(deadline=None, max_examples=30)
def test_information_is_never_negative_nor_more_than_the_outcome_can_carry(weights, hits):
    posterior = np.array(weights) / sum(weights)
    bits = diagnosis.information(posterior, np.column_stack([hits, 1 - np.array(hits)]))
    assert 0 <= bits <= 1
