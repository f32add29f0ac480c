"""The line of an exercise in which something is to be tuned."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from doe.practice.baselines import centre
from doe.practice.lines import SimulatedLine, make_line

if TYPE_CHECKING:
    from doe.domain.study import Study

CENTRE_AT_MOST = 0.90
"""Where the middle of the ranges passes more often than this, there is nothing to learn; another line is taken."""


def line_to_tune(kinds: Sequence[str], seed: int, study: Study) -> SimulatedLine:
    """Line of one of these kinds whose best settings are not the middle of the ranges; the same seed, the same one."""
    middle = pd.DataFrame([centre(study)])
    for turn in range(50):
        line = make_line(kinds[(seed + turn) % len(kinds)], seed + 10_000 * turn, study)
        if line.robust_pass(middle)[0] <= CENTRE_AT_MOST:
            return line
    return line  # fifty easy ones in a row do not happen; an easy one is no harm
