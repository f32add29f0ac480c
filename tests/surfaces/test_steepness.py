"""The steepness of a line, as the benchmark of its prior takes it from the truth, where it is known."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pandas as pd
import pytest

import doe
from doe.practice.lines import SimulatedLine
from doe.surfaces.outcomes import expit
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import stretch
from tests.benchmarks.steepness import IN_THE_TOOL, SteepnessPrior, chosen_on, left_out, steepness


def test_the_steepness_of_a_closing_window_is_its_own(study: doe.Study) -> None:
    scaling, wanted, height = Scaling(study.factors), np.array([0.9, 0.2, 0.5, -0.1]), 4.0

    def rate(frame: pd.DataFrame) -> np.ndarray:
        # no trade between factors is not what the prior expects, so the root is the prior's middle
        away = (scaling.z(frame) - np.array([0.2, -0.1, 0.0, 0.3])) * np.exp(wanted)
        return np.asarray(expit(height - stretch(np.array(height))[0] * (away**2).sum(axis=1)))

    found = steepness(cast("SimulatedLine", SimpleNamespace(study=study, true_pass=rate)))
    # 256 points are not endless: priors of trades and height still pull a little
    assert found == pytest.approx(wanted, abs=0.2)


def test_the_spreads_of_lines_drawn_from_a_prior_are_found() -> None:
    truth, rng = SteepnessPrior(0.3, 0.5, 0.4), np.random.default_rng(3)
    lines = 0.3 + 0.5 * rng.standard_normal((4000, 4)) + 0.4 * rng.standard_normal((4000, 1))
    found = chosen_on(lines)
    assert (found.mean, found.sd, found.common) == pytest.approx((0.3, 0.5, 0.4), abs=0.03)
    assert truth.within(lines, 0.5).mean() == pytest.approx(0.5, abs=0.02)
    assert truth.within(lines, 0.9).mean() == pytest.approx(0.9, abs=0.02)
    assert truth.log_score(lines).mean() > IN_THE_TOOL.log_score(lines).mean()


def test_a_family_unlike_the_others_falls_outside_what_they_give() -> None:
    rng = np.random.default_rng(5)
    alike = {name: 0.4 * rng.standard_normal((50, 4)) for name in ("one", "two", "three")}
    text, figures = left_out({**alike, "far": 3 + 0.4 * rng.standard_normal((50, 4))})
    row = next(line for line in text.splitlines() if line.startswith("| far"))
    assert row.split("|")[5].strip() == "0.00"
    assert figures["within_90"] < 0.9
