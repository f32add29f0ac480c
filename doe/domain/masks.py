"""Which rows of a settings frame may not be made."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.space import Forbidden


def is_forbidden(forbidden: Sequence[Forbidden], frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Rows of a settings frame that any combination forbids, shape (rows,)."""
    hit = np.zeros(len(frame), dtype=bool)
    for combination in forbidden:
        hit |= combination.matches(frame)
    return hit
