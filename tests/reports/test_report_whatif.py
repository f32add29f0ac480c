from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from report_samples import samples

from doe.domain.coding import code, decode
from doe.setpoint.robust import RobustRate
from reports.study_inputs import StudyReport
from reports.whatif import LEVELS, what_if


def blended(data: dict, key: str, step: float, coded: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the script in the page computes, with a library instead: multilinear in coded settings."""
    from scipy.interpolate import RegularGridInterpolator

    k = coded.shape[1]
    axis = np.linspace(-1, 1, data["levels"])
    values = np.array(data[key], dtype=float).reshape((data["levels"],) * k) * step
    return RegularGridInterpolator([axis] * k, values)(coded)


def settings_at(report: StudyReport, coded: NDArray[np.float64]) -> pd.DataFrame:
    frame = pd.DataFrame({f.name: decode(f, coded[:, j]) for j, f in enumerate(report.study.numeric)})
    for f in report.study.categorical:
        frame[f.name] = report.answer.setpoint[f.name]
    return frame[list(report.study.factor_names)]


@pytest.mark.parametrize(("case", "mean", "worst"), [("more coupons", 0.01, 0.05), ("six factors", 0.03, 0.12)])
def test_the_panel_agrees_with_the_surfaces(case, mean, worst):
    report = samples()[case]
    data = json.loads(what_if(report).grid)
    coded = np.random.default_rng(1).uniform(-1, 1, (300, len(report.study.numeric)))
    rate = RobustRate(report.study, report.surfaces)
    frame = settings_at(report, coded)
    true = rate.draws(frame, nodes=16, draws=report.surfaces.window.thin(200)).mean(axis=0)
    told = 1 / (1 + np.exp(-blended(data, "expected", data["step"], coded)))
    assert np.abs(told - true).mean() < mean
    assert np.abs(told - true).max() < worst
    hand = report.surfaces.hand_draws(frame)
    assert hand is not None
    assert np.abs(blended(data, "hand", data["handStep"], coded) - hand.mean(axis=0)).max() < 0.15


def test_grid_points_are_the_surfaces_themselves():
    report = samples()["two factors"]
    data = json.loads(what_if(report).grid)
    assert len(data["expected"]) == LEVELS[2] ** 2
    corner = np.array([[-1.0, 1.0]])
    true = RobustRate(report.study, report.surfaces).draws(
        settings_at(report, corner), nodes=16, draws=report.surfaces.window.thin(200)
    )
    told = data["expected"][LEVELS[2] - 1] * data["step"]  # first factor low, last factor high
    assert 1 / (1 + np.exp(-told)) == pytest.approx(true.mean(), abs=0.004)


@pytest.mark.parametrize("case", ["ready", "no hand-feel", "two factors", "six factors", "forbidden"])
def test_the_panel_starts_at_the_setpoint_and_stays_small(case):
    report = samples()[case]
    panel = what_if(report)
    data = json.loads(panel.grid)
    assert [f["here"] for f in data["factors"]] == [report.answer.setpoint[f.name] for f in report.study.numeric]
    assert len(panel.grid) < 150_000
    assert (data["hand"] is None) == (not report.surfaces.has_hand)
    assert len(data["forbidden"]) == len(report.study.forbidden)
    assert panel.held == ("film type " + str(report.answer.setpoint["film_type"]) if case == "six factors" else "")


def test_coded_settings_are_those_of_the_grid():
    f = samples()["ready"].study.factor("dwell")
    assert code(f, decode(f, np.array([-1.0, 0.0, 1.0]))) == pytest.approx([-1, 0, 1])
