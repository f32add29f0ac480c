"""Many coupons let in by parts: the same posterior as all at once, and the same draws where they are not many."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import doe
from doe.domain.results import read_results
from doe.surfaces import window_gradient
from doe.surfaces.hamiltonian import sample_by_slopes
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling
from doe.surfaces.shop import ShopHistory
from doe.surfaces.window_gradient import ClosingWindow, LetInAfter, TemperedWindow, stages
from tests.benchmarks.fit_speed import many_coupons


@cache
def _model(coupons: int) -> ClosingWindow:
    study, frame = many_coupons(coupons)
    grades = np.where(frame["passed"], "just", "bad")
    frame = frame.assign(grade=np.where(np.arange(coupons) % 3 == 0, grades, ""))
    results = read_results(study, frame)
    weights = np.where(np.arange(coupons) % 5 == 0, 0.5, 1.0)
    return ClosingWindow(Scaling(study.factors), results, mean_hand(results), weights=weights, shop=_shop())


@cache
def _shop() -> ShopHistory:
    return doe.learn_shop([many_coupons(60)])


def _at_once(model: ClosingWindow, seed: int, particles: int) -> np.ndarray:
    return sample_by_slopes(TemperedWindow(model), rng=np.random.default_rng(seed), particles=particles).draws


def test_parts_add_up_to_the_whole_with_slopes() -> None:
    model = _model(60)
    xi = 0.7 * np.random.default_rng(2).standard_normal((7, model.parameters))
    rows = np.random.default_rng(3).permutation(60)
    before, more = (model.of_coupons(np.sort(some)) for some in (rows[:25], rows[25:]))
    more.loan = None
    joined, whole = LetInAfter(before, more), TemperedWindow(model)
    for found, wanted in zip(joined.slopes(xi, 1.0), whole.slopes(xi, 1.0), strict=True):
        np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(joined.ahead(xi)(1.0), whole.ahead(xi)(1.0), rtol=1e-9)
    np.testing.assert_allclose(joined.ahead(xi)(0.3), joined.slopes(xi, 0.3)[0], rtol=1e-9)


def test_a_part_of_the_coupons_is_the_window_of_those_alone() -> None:
    model, rows = _model(60), np.arange(0, 60, 3)
    xi = np.random.default_rng(4).standard_normal((5, model.parameters))
    part = model.of_coupons(rows)
    np.testing.assert_allclose(part.coupon_log_likelihood(xi), model.coupon_log_likelihood(xi)[:, rows])
    felt = np.isin(model.hand.rows, rows)
    np.testing.assert_allclose(part.hand_log_likelihood(xi), model.hand_log_likelihood(xi)[:, felt])


def test_ordinary_sizes_are_let_in_at_once_and_their_draws_are_the_same_to_the_bit() -> None:
    assert len(stages(_model(500), np.random.default_rng(0))) == 1
    assert len(stages(_model(501), np.random.default_rng(0))) == 2
    model = _model(60)
    found = model.sample(rng=np.random.default_rng(1), particles=100).draws
    assert found.tobytes() == _at_once(model, 1, 100).tobytes()


def test_more_coupons_are_halved_until_they_are_few_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window_gradient, "ALL_AT_ONCE", 20)
    parts = stages(_model(61), np.random.default_rng(0))
    first, *later = parts
    assert isinstance(first, TemperedWindow)
    assert len(first.model.passed) == 16
    known, added = [], []
    for part in later:
        assert isinstance(part, LetInAfter)
        known.append(len(part.before.model.passed))
        added.append(len(part.more.model.passed))
        assert part.more.model.loan is None
    assert (known, added) == ([16, 31], [15, 30])


def test_by_parts_the_posterior_is_that_of_all_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    model = _model(120)
    wanted = np.stack([_at_once(model, seed, 300) for seed in range(3)])
    monkeypatch.setattr(window_gradient, "ALL_AT_ONCE", 30)
    found = np.stack([model.sample(rng=np.random.default_rng(seed), particles=300).draws for seed in range(3)])
    sd = wanted.std(axis=(0, 1))
    off = (found.mean(axis=(0, 1)) - wanted.mean(axis=(0, 1))) / sd
    # 900 draws each: independent ones would be 0.047 apart; those of one cloud are alike, which doubles it at most
    assert abs(off.mean()) < 0.05
    assert off.std() < 0.10
    assert np.log(found.std(axis=(0, 1)) / sd) == pytest.approx(np.zeros(len(sd)), abs=0.25)
    assert np.log(found.std(axis=(0, 1)) / sd).mean() == pytest.approx(0, abs=0.05)
