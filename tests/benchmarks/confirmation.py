"""How often a confirmation accepts a setpoint that just misses its claim, on lines whose batches share their errors.

Usage::

    python -m tests.benchmarks.confirmation --lines 6 --runs 25

The exact limits take coupons as independent; on a real line, and on the simulated ones, the coupons of one oven or
press batch share part of what the machine is off. For every line a setting is taken whose true rate of passing the
checks, machines wandering, lies just below the claim; it is confirmed again and again, with the machines set afresh
a number of times. Each cell is the share of runs accepted, mean over the lines; the claim promises at most 1 -
assurance. All lines are invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from doe.assure.confirmation.allocation import order_confirmation
from doe.assure.confirmation.claims import claim_plan
from doe.domain.factors import usual_factor
from doe.domain.spec import Spec
from doe.domain.stack import DEFAULT_LINE
from doe.domain.study import Study
from doe.practice.lines import SimulatedLine, make_line
from tests.benchmarks.results import arguments, cell, mean, table, written

CLAIM, ASSURANCE = 0.90, 0.90
KINDS = ("smooth", "thermal", "ridge", "wiggly", "easy")
STUDY = Study(
    "invented",
    tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell")),
    spec=Spec(pass_rate=0.95, hand_min=None, assurance=ASSURANCE),
)
SET_UPS = (1, 3, 6, 22)


def just_below(line: SimulatedLine, rng: np.random.Generator) -> pd.DataFrame | None:
    """A setting whose true robust pass rate lies within a point below the claim."""
    settings = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 3000) for f in STUDY.numeric})
    rates = line.robust_pass(settings, nodes=64)
    near = settings[(rates < CLAIM + 0.01) & (rates > CLAIM - 0.02)].head(20)
    if near.empty:
        return None
    exact = line.robust_pass(near, nodes=1024)
    good = np.flatnonzero((exact < CLAIM) & (exact > CLAIM - 0.01))
    return None if not len(good) else near.iloc[[good[0]]]


def coupons(setting: pd.DataFrame, units: int, set_ups: int, seed: int) -> pd.DataFrame:
    """A confirmation with so many set-ups of each machine."""
    settings = setting.loc[setting.index.repeat(units)].assign(role="setpoint")
    frame = order_confirmation(STUDY, settings, number=1, seed=seed, line=DEFAULT_LINE)
    for stage in ("cure", "press"):
        frame[f"{stage}_batch"] = 1 + (frame[f"{stage}_order"] - 1) * set_ups // units
    return frame


def accepted(kind: str, seed: int, runs: int) -> list[float] | None:
    """Share of runs accepted by set-ups on one line; None where no setting just misses the claim."""
    rng = np.random.default_rng([20_250_107, KINDS.index(kind), seed])
    line, plan = make_line(kind, 40_000 + seed, STUDY), claim_plan(CLAIM, ASSURANCE)
    setting = just_below(line, rng)
    if setting is None:
        return None
    return [
        float(
            np.mean(
                [line.run(coupons(setting, plan.units, n, r), seed=r)["passed"].astype(bool).all() for r in range(runs)]
            )
        )
        for n in SET_UPS
    ]


def main() -> None:
    """One row a kind of line, and all together."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=12, help="lines of each kind")
    parser.add_argument("--runs", type=int, default=60, help="confirmations a line and number of set-ups")
    given = parser.parse_args()
    units = claim_plan(CLAIM, ASSURANCE).units
    cases = f"{given.lines} lines of each kind from seed 40000, {given.runs} runs a cell of a line"
    with written(given, __file__, __doc__, cases=cases) as figures:
        shares = {
            kind: [row for i in range(given.lines) if (row := accepted(kind, i, given.runs)) is not None]
            for kind in KINDS
        }
        shares["all"] = [row for rows in shares.values() for row in rows]
        columns = [f"{n} set-up{'s' if n > 1 else ''}" for n in SET_UPS]
        body = [
            [kind, str(len(rows)), *(cell(mean(column), 3) for column in zip(*rows, strict=True))]
            for kind, rows in shares.items()
        ]
        print(f"Claim {CLAIM:.0%} with {ASSURANCE:.0%}, {units} coupons, no failure; at most {1 - ASSURANCE:.2f}.\n")
        print(table(["kind of line", "lines", *columns], body))
        for n, column in zip(SET_UPS, zip(*shares["all"], strict=True), strict=True):
            figures[f"lucky_{n}"], figures[f"lucky_{n}_se"], _ = mean(column)


if __name__ == "__main__":
    main()
