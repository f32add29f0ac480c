"""Settings at which the panel of a page is compared with the library: setpoint, corners, anywhere, every level."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd

from doe.domain.coding import decode
from reports.study.inputs import StudyReport


def places(report: StudyReport, anywhere: int = 12) -> pd.DataFrame:
    study = report.study
    corners = np.array(list(product((-1.0, 1.0), repeat=len(study.numeric))))
    inside = np.random.default_rng(11).uniform(-1, 1, (anywhere, len(study.numeric)))
    coded = np.concatenate([corners, inside])
    frame = pd.DataFrame({f.name: decode(f, coded[:, j]) for j, f in enumerate(study.numeric)})
    for f in study.categorical:
        frame[f.name] = [f.levels[i % len(f.levels)] for i in range(len(frame))]
    return pd.concat([pd.DataFrame([dict(report.answer.setpoint)]), frame], ignore_index=True)[list(study.factor_names)]
