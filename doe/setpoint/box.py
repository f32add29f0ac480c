"""Boxes around a setpoint: what counts as room on a side, and the points at which a box is looked at."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd

from doe.domain.coding import FloatArray
from doe.domain.factors import Factor
from doe.domain.study import Study

STEP = 0.5
"""Growth of a box at a time, in setting errors; a side grows by at least one machine step."""


def unit_of(factor: Factor) -> float:
    """Setting error of a factor, or a tenth of its range where none was stated."""
    return factor.setting_sd or (factor.high - factor.low) / 10


def growth(factor: Factor) -> float:
    """Growth of one side at a time: half a setting error, in whole machine steps."""
    step = factor.step or 0.0
    return step * max(1, round(STEP * unit_of(factor) / step)) if step else STEP * unit_of(factor)


def least_step(factor: Factor) -> float:
    """What counts as room on a side: one machine step, or a quarter of a setting error where there are no steps."""
    return factor.step or unit_of(factor) / 4


def least_box(study: Study, setpoint: pd.DataFrame) -> FloatArray | None:
    """One machine step to each side of every setting, shape (k, 2); None where a tested range ends sooner."""
    centre = setpoint[[f.name for f in study.numeric]].to_numpy(dtype=float)[0]
    step = np.array([least_step(f) for f in study.numeric])
    box = np.column_stack([centre - step, centre + step])
    ends = np.array([[f.low, f.high] for f in study.numeric])
    beyond = (box[:, 0] < ends[:, 0] - 1e-9) | (box[:, 1] > ends[:, 1] + 1e-9)
    return None if beyond.any() else box


def box_points(study: Study, setpoint: pd.DataFrame, box: FloatArray, inside: FloatArray) -> pd.DataFrame:
    """Corners, face centres and inner points of a box, as settings."""
    k = len(box)
    corners = np.array(list(product((0.0, 1.0), repeat=k)))
    faces = np.full((2 * k, k), 0.5)
    faces[np.arange(2 * k), np.repeat(np.arange(k), 2)] = np.tile([0.0, 1.0], k)
    share = np.concatenate([corners, faces, inside])
    values = box[:, 0] + share * (box[:, 1] - box[:, 0])
    frame = pd.DataFrame(values, columns=[f.name for f in study.numeric])
    for f in study.categorical:
        frame[f.name] = setpoint[f.name].iloc[0]
    return frame[list(study.factor_names)]
