"""How often a confirmation accepts a setpoint that just misses its claim, on lines whose batches share their errors.

Run: ``python -m tests.benchmarks.confirmation [lines of each kind] [runs a line]``. The exact limits take coupons as
independent; on a real line, and on the simulated ones, the coupons of one oven or press batch share part of what the
machine is off. For every line a setting is taken whose true rate of passing the checks, machines wandering, lies just
below the claim; it is confirmed again and again, with the machines set afresh a number of times. Printed: the share of
runs accepted, which the claim promises to be at most 1 - assurance. All lines are invented.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from doe.assure.confirmation.claims import claim_plan
from doe.assure.confirmation.order import order_confirmation
from doe.domain.factors import usual_factor
from doe.domain.spec import Spec
from doe.domain.stack import DEFAULT_LINE
from doe.domain.study import Study
from doe.practice.lines import SimulatedLine, make_line

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


def main(lines: int, runs: int) -> None:
    """Print one row a kind of line, and all together."""
    plan = claim_plan(CLAIM, ASSURANCE)
    start = time.process_time()
    columns = [f"{n} set-up{'s' if n > 1 else ''}" for n in SET_UPS]
    promised = f"promised: at most {1 - ASSURANCE:.2f}"
    print(f"claim {CLAIM:.0%} with {ASSURANCE:.0%}, {plan.units} coupons, no failure; {promised}")
    print("| kind of line | lines | " + " | ".join(columns) + " |")
    print("|" + " --- |" * (2 + len(columns)))
    everything: list[np.ndarray] = []
    for kind in KINDS:
        accepted: list[list[float]] = []
        for i in range(lines):
            rng = np.random.default_rng([20_250_107, KINDS.index(kind), i])
            line = make_line(kind, 40_000 + i, STUDY)
            setting = just_below(line, rng)
            if setting is None:
                continue
            row = []
            for set_ups in SET_UPS:
                held = 0
                for r in range(runs):
                    made = line.run(coupons(setting, plan.units, set_ups, r), seed=r)
                    held += bool(made["passed"].astype(bool).all())
                row.append(held / runs)
            accepted.append(row)
        table = np.array(accepted)
        everything.append(table)
        print(row_of(kind, table), flush=True)
    print(row_of("all", np.vstack(everything)))
    print(f"{time.process_time() - start:.0f} processor seconds")


def row_of(name: str, table: np.ndarray) -> str:
    """Mean over lines with its standard error."""
    error = table.std(axis=0, ddof=1) / np.sqrt(len(table))
    cells = " | ".join(f"{m:.3f} ± {e:.3f}" for m, e in zip(table.mean(axis=0), error, strict=True))
    return f"| {name} | {len(table)} | {cells} |"


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12, int(sys.argv[2]) if len(sys.argv) > 2 else 60)
