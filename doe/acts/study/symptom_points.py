"""What each coupon's symptoms point to, as a fit takes it."""

from __future__ import annotations

import pandas as pd

from doe.domain.outcome import POINTED, POINTS_PREFIX
from doe.symptoms.catalogue import CATALOGUE, points_to, side_of


def with_points(results: pd.DataFrame) -> pd.DataFrame:
    """Results with what each coupon's symptoms point to, where its side is theirs and not somebody's own word.

    Symptoms that the catalogue does not know say nothing.
    """
    known = {s.key for s in CATALOGUE}
    keys = [tuple(key for key in str(said).split("; ") if key in known) for said in results["symptom"]]
    sides = results["side"].astype(str)
    told = [points_to(k) if k and side_of(k) == side else (0.0, 0.0, 0.0) for k, side in zip(keys, sides, strict=True)]
    columns = [POINTS_PREFIX + name for name in POINTED]
    return results.join(pd.DataFrame(told, columns=columns, index=results.index))
