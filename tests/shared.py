"""Builders of examples that several test folders use."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from doe.domain.study import Study
from doe.surfaces.scaling import Scaling


def known_coupons(study: Study, coupons: int, seed: int, *, top: float = 4.0, steep: float = 3.0) -> pd.DataFrame:
    """Results of a line whose truth is logit p = top - steep |z - z0|^2 with z0 = 0.1, coded, no batch error."""
    rng = np.random.default_rng(seed)
    scaling = Scaling(study.factors)
    k = len(study.numeric)
    z = rng.uniform(-1, 1, (coupons, k))
    frame = pd.DataFrame(scaling.natural(z), columns=[f.name for f in study.numeric])
    away = z - 0.1
    p = 1 / (1 + np.exp(-(top - steep * (away**2).sum(axis=1))))
    frame["passed"] = rng.random(coupons) < p
    frame["side"] = np.where(frame["passed"], "", np.where(away.sum(axis=1) > 0, "over", "under"))
    hand = 4.2 - 0.5 * (away**2).sum(axis=1)
    for person, bias in (("ana", 0.1), ("ben", -0.1)):
        score = np.clip(np.round(2 * (hand + bias + 0.25 * rng.standard_normal(coupons))) / 2, 1, 5)
        frame[f"hand_{person}"] = np.where(frame["passed"], score, np.nan)
    frame["cure_batch"] = np.arange(coupons) // 6
    frame["press_batch"] = np.arange(coupons) % 5
    return frame


def untapped(page: str) -> str:
    """A page without the buttons that explain words of ours: their words stand in the text as they did."""
    bare = re.sub(r'<button type="button" class="tap"[^>]*>(.*?)</button>', r"\1", page)
    return re.sub(r'<span class="tied">(.*?)</span>', r"\1", bare)
