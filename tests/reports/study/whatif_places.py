"""The panel of a page beside the library: where they are compared, and what the page's script computes there."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import decode
from doe.setpoint.robust import HAND_BLUR
from doe.surfaces.outcomes import expit
from doe.surfaces.scaling import quadratic_features
from reports.study.inputs import StudyReport
from reports.study.whatif import PanelDraws


def places(report: StudyReport, anywhere: int = 12) -> pd.DataFrame:
    """Setpoint, corners, anywhere, every level."""
    study = report.study
    corners = np.array(list(product((-1.0, 1.0), repeat=len(study.numeric))))
    inside = np.random.default_rng(11).uniform(-1, 1, (anywhere, len(study.numeric)))
    coded = np.concatenate([corners, inside])
    frame = pd.DataFrame({f.name: decode(f, coded[:, j]) for j, f in enumerate(study.numeric)})
    for f in study.categorical:
        frame[f.name] = [f.levels[i % len(f.levels)] for i in range(len(frame))]
    return pd.concat([pd.DataFrame([dict(report.answer.setpoint)]), frame], ignore_index=True)[list(study.factor_names)]


def rates(report: StudyReport, panel: PanelDraws, frame: pd.DataFrame) -> NDArray[np.float64]:
    """Robust pass rate as the page computes it, shape (draws, rows): the script's loops, written as arrays."""
    scaling = report.surfaces.scaling
    combination = scaling.combination(frame) if panel.has_levels else np.zeros(len(frame), dtype=int)
    out = np.empty((len(panel.lapse), len(frame)))
    for row, c in enumerate(combination):
        columns = []
        for j, f in enumerate(scaling.numeric):
            value = float(frame[f.name].iloc[row]) + f.setting_sd * panel.nodes[:, j].astype(float)
            columns.append(scaling.z_of(f, np.maximum(value, 0.1 * f.low) if f.scale == "log" else value))
        features = quadratic_features(np.column_stack(columns)).T
        met = expit(panel.logit[c].astype(float) @ features)
        if panel.hand is not None and panel.wanted_hand is not None:
            feel = np.clip(panel.hand[c].astype(float) @ features, 1.0, 5.0)
            met *= expit((feel - panel.wanted_hand) / (HAND_BLUR * 0.55))
        out[:, row] = (1 - panel.lapse) * met.mean(axis=1)
    return out
