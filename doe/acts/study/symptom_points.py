"""What each coupon's symptoms point to, as a fit takes it."""

from __future__ import annotations

import pandas as pd

from doe.domain.outcome import HANDLED_COLUMN, HANDLED_WELL, POINTED, POINTS_PREFIX
from doe.symptoms.catalogue import CATALOGUE, points_to, side_of


def with_points(results: pd.DataFrame) -> pd.DataFrame:
    """Results with what each coupon's symptoms point to, where its side is theirs and not somebody's own word.

    Symptoms that the catalogue does not know say nothing. Of a coupon that was handled well, no fault of handling is
    behind them.
    """
    known = {s.key for s in CATALOGUE}
    keys = [tuple(key for key in str(said).split("; ") if key in known) for said in results["symptom"]]
    sides = results["side"].astype(str)
    well = results[HANDLED_COLUMN].eq(HANDLED_WELL) if HANDLED_COLUMN in results else [None] * len(results)
    told = [
        points_to(k, handled_well=is_well) if k and side_of(k) == side else (0.0, 0.0, 0.0)
        for k, side, is_well in zip(keys, sides, well, strict=True)
    ]
    columns = [POINTS_PREFIX + name for name in POINTED]
    return results.join(pd.DataFrame(told, columns=columns, index=results.index))
