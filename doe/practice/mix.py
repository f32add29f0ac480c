"""What failed coupons of an exercise show: a believable mix, most often what people at a press see most often."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Mapping
from itertools import accumulate
from zlib import crc32

import pandas as pd

from doe.domain.jsonable import packaged_table
from doe.domain.study import Study

_MIX: Mapping[str, Mapping[str, Mapping[str, float]]] = packaged_table("mix")
_GROUP = {key: group for group, found in _MIX.items() for key in found["stands_for"]}


def believable(study: Study, results: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Results with symptoms drawn anew by how often each is seen, for the same fault at the same check.

    A simulated line names few symptoms a fault, each as often as the others; scores and sides stay as they are. Luck
    belongs to the coupon, so that a coupon shows the same in any company.
    """
    checks = study.spec.checks
    shown = []
    for row in results.to_dict("records"):
        group = _GROUP.get(str(row["symptom"]))
        first = next((check for check in checks if row[check.name] is False), None)
        if group is None or first is None:
            shown.append(str(row["symptom"]))
            continue
        often = _MIX[group]["washed" if first.is_later else "at press"]
        up_to = list(accumulate(often.values()))
        luck = crc32(f"{seed} {row['coupon']}".encode()) / 2**32
        shown.append(list(often)[bisect(up_to, luck * up_to[-1])])
    return results.assign(symptom=shown)
