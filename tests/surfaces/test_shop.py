"""What earlier studies of a shop lend to the next one, and what they do not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

import doe
from doe.domain.results import read_results
from doe.practice.lines import make_line
from doe.surfaces import shop as shops
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling
from doe.surfaces.shop import DOUBT, Loan, ShopHistory, Trait, TraitEvidence, expected
from doe.surfaces.window_gradient import TemperedWindow
from doe.surfaces.window_model import WIDTH, WindowModel

SINGLE = Trait("lapse", ("",), np.array([-5.0]), np.array([2]), np.array([[1.5]]))
PAIR = Trait(
    WIDTH, ("dwell", "press_temp"), np.array([1.0, 9.0]), np.array([0, 1, 3]), np.array([[0.4, 0, 0.4], [0, 0.4, 0.4]])
)


def told(trait: Trait, value: NDArray[np.float64], error: NDArray[np.float64]) -> TraitEvidence:
    """TraitEvidence of a study whose coupons say ``value`` with covariance ``error``: a normal posterior by hand."""
    own = np.linalg.inv(trait.covariance)
    posterior = np.linalg.inv(own + np.linalg.inv(error))
    mean = posterior @ (own @ trait.mean + np.linalg.inv(error) @ value)
    rows = tuple(tuple(map(float, row)) for row in posterior)
    prior = tuple(tuple(map(float, row)) for row in trait.covariance)
    return TraitEvidence(trait.name, trait.of, tuple(map(float, mean)), rows, tuple(map(float, trait.mean)), prior)


def test_the_next_trait_is_the_textbook_normal_of_one_number(monkeypatch: pytest.MonkeyPatch) -> None:
    # With the share between shops known, each study says value +- error of its own number, which lies about the
    # shop's by (1 - r) V: the shop's is then a mean of independent readings, see any text on random effects.
    share, values, errors = 0.6, (-4.0, -3.2, -4.6), (0.7, 1.1, 0.4)
    monkeypatch.setattr(shops, "SHARES", (share,))
    evidence = [told(SINGLE, np.array([v]), np.array([[e**2]])) for v, e in zip(values, errors, strict=True)]
    variance = float(SINGLE.covariance[0, 0])
    weights = np.array([1 / ((1 - share) * variance + e**2) for e in errors])
    precision = 1 / (share * variance) + weights.sum()
    middle = (-5.0 / (share * variance) + weights @ np.array(values)) / precision
    found = expected(SINGLE, evidence)
    assert found is not None
    assert found[0] == pytest.approx([middle])
    assert found[1] == pytest.approx(np.array([[1 / precision + (1 - share) * variance]]))


def test_the_share_between_shops_is_weighed_by_what_explains_the_studies() -> None:
    alike = [told(SINGLE, np.array([-2.0]), np.array([[0.01]])) for _ in range(6)]
    apart = [told(SINGLE, np.array([v]), np.array([[0.01]])) for v in (-6.5, -3.4, -5.2, -7.0, -3.9, -4.6)]
    near, far = expected(SINGLE, alike), expected(SINGLE, apart)
    assert near is not None
    assert far is not None
    assert near[0][0] == pytest.approx(-2.0, abs=0.4)
    assert near[1][0, 0] < 0.4 * far[1][0, 0]
    assert far[1][0, 0] < 1.3 * SINGLE.covariance[0, 0]


def test_a_study_that_lacks_a_factor_says_nothing_of_it_alone() -> None:
    only = Trait(WIDTH, ("dwell",), np.array([1.0]), np.array([0, 1]), np.array([[0.4, 0.4]]))
    precision, pull = told(only, np.array([1.8]), np.array([[0.04]])).about(PAIR.of)
    np.testing.assert_allclose(precision, [[25, 0], [0, 0]], atol=1e-9)
    np.testing.assert_allclose(pull, [45, 0], atol=1e-9)
    found = expected(PAIR, [told(only, np.array([1.8]), np.array([[0.04]]))])
    assert found is not None
    # windows of one shop are wide or narrow together, so the other factor follows a part of the way
    assert 1.0 + 0.2 < found[0][0] < 1.8
    assert 0.05 < found[0][1] - 9.0 < found[0][0] - 1.0
    assert expected(PAIR, []) is None
    assert expected(SINGLE, [told(only, np.array([1.8]), np.array([[0.04]]))]) is None


def test_evidence_is_the_posterior_without_its_prior() -> None:
    rng = np.random.default_rng(1)
    error, value = np.array([[0.09, 0.03], [0.03, 0.16]]), np.array([1.6, 9.4])
    exact = told(PAIR, value, error)
    # draws of parameters whose trait has that posterior
    root = np.linalg.cholesky(np.array(exact.covariance))
    wanted = np.array(exact.mean) + rng.standard_normal((200_000, 2)) @ root.T - PAIR.mean
    xi = np.zeros((len(wanted), 4))
    xi[:, PAIR.columns] = wanted @ np.linalg.inv(PAIR.covariance) @ PAIR.by
    for evidence, near in ((exact, 1e-9), (TraitEvidence.from_draws(PAIR, xi), 0.3)):
        precision, pull = evidence.about(PAIR.of)
        np.testing.assert_allclose(precision, np.linalg.inv(error), atol=near)
        np.testing.assert_allclose(np.linalg.solve(precision, pull), value, atol=near / 10 + 1e-9)


def test_draws_of_the_prior_say_next_to_nothing() -> None:
    xi = np.random.default_rng(2).standard_normal((600, 4))
    precision, _ = TraitEvidence.from_draws(PAIR, xi).about(PAIR.of)
    assert np.trace(precision @ PAIR.covariance) < 0.3  # of the prior's own precision; by chance in 1 of 1000


def test_what_is_believed_is_a_density_and_its_draws_are_of_it() -> None:
    evidence = [told(PAIR, np.array([1.9, 9.9]), 0.02 * np.eye(2)) for _ in range(4)]
    loan = Loan([PAIR, SINGLE], ShopHistory(("a",) * 4, tuple(evidence)))
    assert len(loan.parts) == 1  # nothing is known of the other
    rng = np.random.default_rng(3)
    xi = rng.standard_normal((100_000, 4))
    weight = np.exp(loan.log_ratio(xi))
    assert weight.mean() == pytest.approx(1.0, abs=0.02)
    assert weight.min() >= DOUBT
    drawn = loan.draw(xi, rng)
    np.testing.assert_array_equal(drawn[:, 2], xi[:, 2])
    np.testing.assert_allclose(drawn.mean(axis=0), (weight[:, None] * xi).mean(axis=0), atol=0.03)
    np.testing.assert_allclose((drawn**2).mean(axis=0), (weight[:, None] * xi**2).mean(axis=0), atol=0.06)


def test_a_stranger_speaks_for_itself() -> None:
    # However sure the shop is, a trait far from its own keeps half of the density that it has without any shop.
    evidence = [told(SINGLE, np.array([-8.0]), np.array([[1e-4]])) for _ in range(20)]
    loan = Loan([SINGLE], ShopHistory(("a",) * 20, tuple(evidence)))
    far = np.zeros((1, 3))
    far[0, 2] = 2.0
    assert loan.log_ratio(far)[0] == pytest.approx(np.log(DOUBT), abs=0.01)


@pytest.fixture
def alone(study: doe.Study, coupons: pd.DataFrame) -> WindowModel:
    """The closing window of some coupons without a shop."""
    results = read_results(study, coupons)
    return WindowModel(Scaling(study.factors), results, mean_hand(results))


def _taught(alone: WindowModel, away: float) -> ShopHistory:
    """A shop whose studies found every trait a prior's spread away from its middle, or ``away`` times that."""
    return ShopHistory(
        ("a", "b"),
        tuple(
            told(t, t.mean + away * np.sqrt(np.diag(t.covariance)), 0.05 * t.covariance)
            for t in alone.traits
            for _ in range(2)
        ),
    )


def test_slopes_follow_what_the_shop_lends(study: doe.Study, coupons: pd.DataFrame, alone: WindowModel) -> None:
    results = read_results(study, coupons)
    model = WindowModel(Scaling(study.factors), results, mean_hand(results), shop=_taught(alone, 1.0))
    assert model.loan is not None
    assert len(model.loan.parts) == len(alone.traits) == 8
    xi = np.random.default_rng(4).standard_normal((3, model.parameters))
    value, slopes = TemperedWindow(model).slopes(xi, 1.0)
    np.testing.assert_allclose(value, alone.log_likelihood(xi) + model.loan.log_ratio(xi))
    np.testing.assert_allclose(TemperedWindow(model).ahead(xi)(1.0), value)
    step = 1e-5
    for j in range(model.parameters):
        moved = step * np.eye(model.parameters)[j]
        by = (model.log_likelihood(xi + moved) - model.log_likelihood(xi - moved)) / (2 * step)
        np.testing.assert_allclose(slopes[:, j], by, rtol=1e-5, atol=1e-6)


def test_traits_are_what_the_model_makes_of_its_parameters(alone: WindowModel) -> None:
    xi = np.random.default_rng(5).standard_normal((20, alone.parameters))
    width = alone.traits[0]
    steep = alone.curve_root(xi)[1]
    ends = [np.array([f.low, f.high]) for f in alone.factors]
    natural = [-1 / (e + 273.15) if f.is_temperature else np.log(e) for f, e in zip(alone.factors, ends, strict=True)]
    per_unit = steep / np.array([(e[1] - e[0]) / 2 for e in natural])
    np.testing.assert_allclose(width.mean + xi[:, width.columns] @ width.by.T, np.log(per_unit))
    draws = alone.unpack(xi)
    offset = alone.traits[1]
    half = np.array([(e[1] - e[0]) / 2 for e in natural])
    np.testing.assert_allclose(offset.mean + xi[:, offset.columns] @ offset.by.T, draws.peak[0] * half)
    single = {t.name: t.mean + xi[:, t.columns] @ t.by.T for t in alone.traits[2:]}
    np.testing.assert_allclose(1 / (1 + np.exp(-single["lapse"][:, 0])), draws.lapse)
    np.testing.assert_allclose(np.exp(single["hand_sd"][:, 0]), draws.hand_sd)
    np.testing.assert_allclose(np.exp(single["hand_depth"][:, 0]), draws.depth)
    moves = alone.batch_moves(xi)
    np.testing.assert_allclose(np.exp(single["cure_batch_error"][:, 0]), moves[0][0])
    np.testing.assert_allclose(np.exp(single["press_batch_error"][:, 0]), moves[1][0])


def test_a_shop_without_studies_changes_no_digit(study: doe.Study, coupons: pd.DataFrame) -> None:
    plain = doe.fit(study, coupons, seed=3, particles=80)
    lent = doe.fit(study, coupons, seed=3, particles=80, shop=doe.learn_shop([]))
    assert plain.xi is not None
    assert lent.xi is not None
    np.testing.assert_array_equal(plain.xi, lent.xi)
    assert lent.warnings == plain.warnings


def test_few_coupons_take_the_shop_s_word_and_it_is_said(study: doe.Study, coupons: pd.DataFrame) -> None:
    line = make_line("sharp", 3, study)
    earlier = [(study, line.run(doe.make_plan(study, coupons=28, seed=i).coupons, i)) for i in (1, 2)]
    shop = doe.learn_shop(earlier, seed=1)
    assert shop == doe.learn_shop(earlier, seed=1)
    assert shop.studies == (study.name,) * 2
    few = coupons.head(6)
    plain, lent = doe.fit(study, few, seed=3), doe.fit(study, few, seed=3, shop=shop)
    assert plain.model is not None
    width = plain.model.traits[0]
    wanted = expected(width, shop.evidence)
    assert wanted is not None

    def steep(found: doe.Surfaces) -> NDArray[np.float64]:
        assert found.xi is not None
        return np.asarray(width.mean + found.xi[:, width.columns] @ width.by.T)

    away = [float(np.abs(steep(found).mean(axis=0) - wanted[0]).mean()) for found in (plain, lent)]
    assert away[1] < away[0]
    said = [fact for fact in lent.warnings if fact.code == "shop_counted"]
    assert [fact.values["names"] for fact in said] == [shop.studies]
    prior = lent.prior_draws(4000)
    assert prior is not None
    alone = plain.prior_draws(4000)
    assert alone is not None
    assert np.log(prior.hand_sd).std() < np.log(alone.hand_sd).std()
    traces, told = lent.traces, plain.traces
    assert traces is not None
    assert told is not None
    assert traces.priors.keys() == {*told.priors, "shop"}
