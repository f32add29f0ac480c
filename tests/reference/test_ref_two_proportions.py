"""Published limits and tests for two proportions."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from doe.assure.comparison.plan import non_inferior_separate, separate_difference

HERE = Path(__file__).parent


@pytest.mark.parametrize("row", pd.read_csv(HERE / "newcombe_difference.csv").to_dict("records"), ids=str)
def test_score_limits_of_a_difference(row):
    # R. G. Newcombe (1998), Statistics in Medicine 17, 873-890, Table II, method 10. From memory.
    counts = [int(row[c]) for c in ("x1", "n1", "x2", "n2")]
    found = separate_difference(*counts, row["conf"])
    assert (found.low, found.high) == pytest.approx((row["low"], row["high"]), abs=5.1e-5)


def test_non_inferiority_of_a_treatment():
    # Data of Rodary et al. (1989), analysed by I. S. F. Chan (1998), Statistics in Medicine 17, 1403-1413: 83 of 88
    # against 69 of 76, margin 0.10. From memory.
    found = non_inferior_separate(83, 88, 69, 76, margin=0.10)
    assert found.z == pytest.approx(2.9572, abs=5.1e-5)
    assert found.p == pytest.approx(0.0016, abs=5e-5)
    assert found.p_exact == pytest.approx(0.0017, abs=5e-5)
    assert found.p_exact == pytest.approx(0.001696, abs=5e-7)
    assert found.restricted == pytest.approx((0.849033, 0.949033), abs=5.1e-7)
    # the same through an interval: the lower 90 % limit is above the margin
    assert separate_difference(83, 88, 69, 76, 0.90).low == pytest.approx(-0.0338, abs=5.1e-5)
