"""The middle of the ranges: where nothing is known yet."""

from __future__ import annotations

from collections.abc import Mapping

from doe.domain.coding import decode, round_settings
from doe.domain.study import Study


def centre(study: Study) -> Mapping[str, float | str]:
    """Middle of every range, rounded to machine settings; the first level of a categorical factor."""
    return {
        f.name: f.levels[0] if f.is_categorical else float(round_settings(f, decode(f, 0.0))) for f in study.factors
    }
