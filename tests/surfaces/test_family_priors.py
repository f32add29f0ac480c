"""What the benchmark of priors takes from a line, on one whose truth is the model's own."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t

import doe
from doe.domain.coding import decode
from doe.practice.coupons import Habits
from doe.practice.lines import SimulatedLine
from doe.surfaces.outcomes import expit
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import stretch
from tests.benchmarks import headlines
from tests.benchmarks.family_priors import HELD, LineFacts, facts, held, student_width


@pytest.fixture
def known(study: doe.Study) -> SimulatedLine:
    """A line that is a closing window, its hand-feel a parabola of the same shape, top 4.4, depth 0.3."""
    scaling, peak = Scaling(study.factors), np.array([0.2, -0.1, 0.0, 0.3])
    steep, height = np.exp([0.9, 0.2, 0.5, -0.1]), 4.0

    def frame(coded: np.ndarray) -> pd.DataFrame:
        return pd.DataFrame({f.name: decode(f, coded[:, j]) for j, f in enumerate(study.numeric)})

    def fall(settings: pd.DataFrame) -> np.ndarray:
        return np.asarray((((scaling.z(settings) - peak) * steep) ** 2).sum(axis=1))

    def rate(settings: pd.DataFrame) -> np.ndarray:
        return np.asarray(0.99 * expit(height - stretch(np.array(height))[0] * fall(settings)))

    return cast(
        "SimulatedLine",
        SimpleNamespace(
            kind="known",
            study=study,
            habits=Habits(lapse=0.01, batch_share=0.5, hand_coupon_sd=0.2, hand_scorer_sd=0.3),
            frame=frame,
            true_pass=rate,
            true_hand=lambda settings: 4.4 - 0.3 * fall(settings),
        ),
    )


def test_top_depth_spread_and_what_a_batch_shares_are_found(known: SimulatedLine) -> None:
    found = facts(known)
    assert found.hand_top == pytest.approx(4.4, abs=0.1)
    assert np.exp(found.hand_depth) == pytest.approx(0.3, rel=0.35)
    alone = np.sqrt(0.2**2 + 0.3**2 / 2) / np.sqrt(0.75) * student_width()
    assert alone <= np.exp(found.hand_sd) <= 1.3 * alone
    assert np.exp(found.batches) ** 2 == pytest.approx(0.5)  # of the variance of the setting error


def test_the_width_of_students_t_is_the_likeliest_for_normal_errors() -> None:
    z = np.random.default_rng(2).standard_normal(40_000)
    assert student_width() == pytest.approx(t.fit(z, fix_df=4, floc=0)[2], rel=0.02)


def test_lines_drawn_from_the_priors_lie_within_them() -> None:
    rng = np.random.default_rng(5)

    def drawn() -> LineFacts:
        top, depth, spread, lapse, wrong, batch = (
            mean + sd * rng.standard_normal() for mean, sd in (p.prior for p in HELD)
        )
        return LineFacts("known", np.zeros(4), top, depth, spread, float(expit(lapse)), float(expit(wrong)), batch)

    text, figures = held([drawn() for _ in range(1500)])
    assert len(figures) == len(HELD)
    assert text.count("\n") == len(HELD) + 1
    assert list(figures.values()) == pytest.approx([0.9] * len(HELD), abs=0.03)


def test_priors_are_wide_enough_for_the_population() -> None:
    """Eight in ten lines of the tuning families or more lie in the central 90 % of each."""
    found = headlines.figures_of("family_priors")
    names = ("hand_feel_at_its_best", "depth_of_hand_feel", "spread_of_one_score", "what_a_batch_shares")
    inside = {name: found[f"within_90_{name}"] for name in (*names, "sides_taken_for_the_other")}
    assert min(inside.values()) >= 0.8, inside
