from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from doe.domain.coding import code, decode
from doe.setpoint.robust import RobustRate
from reports.study.inputs import StudyReport
from reports.study.whatif import LEVELS, NODES, PanelDraws, as_script_data, off_table, what_if
from tests.reports.study.samples import samples
from tests.reports.study.whatif_places import places, rates

CASES = ["ready", "no hand-feel", "two factors", "six factors", "forbidden", "all fail"]


def blended(data: dict, key: str, step: float, coded: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the script makes of the coarse grid, with a library instead: multilinear in coded settings."""
    from scipy.interpolate import RegularGridInterpolator

    k = coded.shape[1]
    axis = np.linspace(-1, 1, data["points"])
    values = np.array(data[key], dtype=float).reshape((data["points"],) * k) * step
    return RegularGridInterpolator([axis] * k, values)(coded)


def settings_at(report: StudyReport, coded: NDArray[np.float64]) -> pd.DataFrame:
    frame = pd.DataFrame({f.name: decode(f, coded[:, j]) for j, f in enumerate(report.study.numeric)})
    for f in report.study.categorical:
        frame[f.name] = report.answer.setpoint[f.name]
    return frame[list(report.study.factor_names)]


@pytest.mark.parametrize("case", CASES)
def test_the_numbers_in_the_page_give_what_the_library_gives(case):
    report = samples()[case]
    frame = places(report)
    panel = PanelDraws.of(report)
    assert panel is not None
    assert panel.has_levels
    theirs = RobustRate(report.study, report.surfaces).draws(frame, nodes=NODES)
    assert np.abs(rates(report, panel, frame) - theirs).max() < 2e-5  # 32-bit numbers against 64-bit ones
    assert json.loads(what_if(report).data)["kind"] == "draws"


def test_surfaces_the_panel_does_not_know_are_read_off_a_grid(monkeypatch):
    report = samples()["more coupons"]
    monkeypatch.setattr(PanelDraws, "of", lambda _: None)
    panel = what_if(report)
    data = json.loads(panel.data)
    assert data["kind"] == "grid"
    assert "coarse grid" in panel.intro
    corner = np.array([[-1.0] * 3 + [1.0]])  # the first factors low, the last one high
    true = RobustRate(report.study, report.surfaces).draws(
        settings_at(report, corner), nodes=16, draws=report.surfaces.draws.thin(200)
    )
    told = data["expected"][LEVELS[4] - 1] * data["step"]
    assert 1 / (1 + np.exp(-told)) == pytest.approx(true.mean(), abs=0.004)
    coded = np.random.default_rng(1).uniform(-1, 1, (200, 4))
    everywhere = RobustRate(report.study, report.surfaces).draws(settings_at(report, coded), nodes=16).mean(axis=0)
    blend = 1 / (1 + np.exp(-blended(data, "expected", data["step"], coded)))
    assert np.abs(blend - everywhere).mean() < 0.015


@pytest.mark.parametrize("case", CASES)
def test_the_panel_starts_at_the_setpoint_and_stays_small(case):
    report = samples()[case]
    panel = what_if(report)
    data = json.loads(panel.data)
    assert [f["here"] for f in data["factors"]] == [report.answer.setpoint[f.name] for f in report.study.numeric]
    assert len(panel.data) < 1_000_000
    assert data["hasHand"] == report.surfaces.has_hand
    assert len(data["forbidden"]) == len(report.study.forbidden)
    assert [level["label"] for level in data["levels"]] == (["film type"] if case == "six factors" else [])


def test_only_the_levels_of_the_setpoint_travel_when_all_would_be_heavy(monkeypatch):
    report = samples()["six factors"]
    monkeypatch.setattr("reports.study.whatif.MOST_NUMBERS", 1000)
    panel = PanelDraws.of(report)
    assert panel is not None
    assert len(panel.logit) == 1
    here = pd.DataFrame([dict(report.answer.setpoint)])
    theirs = RobustRate(report.study, report.surfaces).draws(here, nodes=NODES)
    assert np.abs(rates(report, panel, here) - theirs).max() < 2e-5
    told = what_if(report)
    assert json.loads(told.data)["levels"] == []
    assert f"film type {report.answer.setpoint['film_type']} stays" in told.intro


def test_the_table_says_what_one_setting_error_costs():
    report = samples()["ready"]
    table = off_table(report)
    rate = RobustRate(report.study, report.surfaces)
    here = pd.DataFrame([dict(report.answer.setpoint)])
    assert table.rows[0][1] == f"{100 * rate.draws(here, nodes=NODES).mean():.1f} %"
    f = next(f for f in report.study.numeric if f.low <= report.answer.setpoint[f.name] - f.setting_sd)
    off = here.assign(**{f.name: report.answer.setpoint[f.name] - f.setting_sd})
    row = next(r for r in table.rows if r[0].lower().startswith(f.label))
    assert row[1] == f"{100 * rate.draws(off, nodes=NODES).mean():.1f} %"
    # a setting outside the tested range is never looked at
    inside = sum(
        f.low <= report.answer.setpoint[f.name] + sign * f.setting_sd <= f.high
        for f in report.study.numeric
        for sign in (-1, 1)
    )
    assert len(table.rows) == 1 + inside


def test_nothing_in_the_data_can_end_the_script_element():
    text = as_script_data({"label": "</script><b>"})
    assert "<" not in text
    assert json.loads(text) == {"label": "</script><b>"}


def test_coded_settings_are_those_of_the_grid():
    f = samples()["ready"].study.factor("dwell")
    assert code(f, decode(f, np.array([-1.0, 0.0, 1.0]))) == pytest.approx([-1, 0, 1])
