"""What a share of draws stands for: shift and slope of the chances that are said, and what they are worth elsewhere.

Usage::

    python -m tests.benchmarks.decisions --world tuning --lines 329 --first 4000 --coupons 12,20,28 --no-hand \\
        --no-baselines --out checks.jsonl
    python -m tests.benchmarks.chances --records checks.jsonl,hand.jsonl,checks-graded.jsonl,hand-graded.jsonl

Shift and slope of `doe.setpoint.chances` are those of a logistic regression of what is true on the logit of the share
of draws, on lines of the tuning families; one file of records a spec, checks alone first, then with hand-feel, then
both with graded coupons. Each family is then judged by the shift and slope of the others: said against was, the largest
gap of six bins with 20 lines or more in it, of the shares themselves, of the chances that the tool says, and of those
by the others' pairs. The last tables tell how often the limits of the mean hand-feel hold: the lower one 0.90 is stated
for, both 0.80.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, logit

from doe.setpoint.chances import CHECKS_ALONE, CHECKS_GRADED, HAND_GRADED, HAND_LOWER, HAND_TOO, LEAST, Claim
from tests.benchmarks.results import Figures, Record, arguments, read_records, table, tuning_only, written

BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.01)
LEAST_LINES, STATED = 20, 0.90
CLAIMS: dict[Claim, tuple[str, str]] = {"setpoint reaches": ("target", "true"), "any reaches": ("reachable", "best")}
SPECS = {"checks": CHECKS_ALONE, "hand": HAND_TOO, "checks_graded": CHECKS_GRADED, "hand_graded": HAND_GRADED}


def shares(records: Sequence[Record], name: str) -> np.ndarray:
    """Shares of draws; records from before chances were moved hold them as the chance itself."""
    found = [r.get(f"share_{name}", r[f"p_{name}"]) for r in records]
    return np.clip(np.array(found, dtype=float), LEAST, 1 - LEAST)


def fitted(share: np.ndarray, truth: np.ndarray) -> tuple[float, float]:
    """Shift and slope that make the shares likeliest."""
    x = logit(share)

    def loss(at: np.ndarray) -> tuple[float, np.ndarray]:
        eta = at[0] + at[1] * x
        slope = expit(eta) - truth
        return float(np.logaddexp(0, np.where(truth, -eta, eta)).mean()), np.array([slope.mean(), (slope * x).mean()])

    found = minimize(loss, [0.0, 1.0], jac=True)
    if not found.success:
        raise ArithmeticError(found.message)
    return float(found.x[0]), float(found.x[1])


def widest(said: np.ndarray, truth: np.ndarray) -> float:
    """Largest gap between what was said and what was, of the bins with enough lines."""
    gaps = [0.0]
    for low, high in itertools.pairwise(BINS):
        at = (said >= low) & (said < high)
        if at.sum() >= LEAST_LINES:
            gaps.append(abs(float(said[at].mean() - truth[at].mean())))
    return max(gaps)


def told(name: str, records: Sequence[Record]) -> tuple[str, Figures]:
    """Shift, slope and gaps of one spec."""
    rows, figures = [], Figures()
    family, coupons = np.array([r["kind"] for r in records]), np.array([r["coupons"] for r in records])
    for claim, (short, true) in CLAIMS.items():
        truth = np.array([r[true] >= r["target"] for r in records])
        share = shares(records, short)
        shift, slope = fitted(share, truth)
        others = np.zeros(len(share))
        for left in np.unique(family):
            at = family == left
            a, b = fitted(share[~at], truth[~at])
            others[at] = expit(a + b * logit(share[at]))
        figures |= {f"shift_{short}_{name}": shift, f"slope_{short}_{name}": slope}
        a, b = SPECS[name][claim]
        said = expit(a + b * logit(share))
        for size in np.unique(coupons):
            at = coupons == size
            gaps = [widest(found[at], truth[at]) for found in (share, said, others)]
            figures |= {f"gap_said_{short}_{name}_{size}": gaps[1], f"gap_{short}_{name}_{size}": gaps[2]}
            pair = [f"{shift:.2f}", f"{slope:.2f}", str(size), str(at.sum())]
            rows.append([name.replace("_", ", "), claim, *pair, *(f"{gap:.2f}" for gap in gaps)])
    head = ["spec", "chance that", "shift", "slope", "coupons", "lines", "gap of the shares", "as the tool says"]
    return table([*head, "family left out"], rows), figures


def hand_told(name: str, records: Sequence[Record]) -> tuple[str, Figures]:
    """How often limits of the mean hand-feel hold: of the draws, as said, and with the factor of the other families."""
    scored = [r for r in records if r["hand"] is not None]
    low = np.array([r.get("hand_low_of_draws", r["hand_low"]) for r in scored])
    hand, high, true = (np.array([r[field] for r in scored]) for field in ("hand", "hand_high", "hand_true"))
    family, coupons = np.array([r["kind"] for r in scored]), np.array([r["coupons"] for r in scored])
    factor = np.zeros(len(scored))
    for left in np.unique(family):
        others = family != left
        factor[family == left] = max(1.0, np.quantile(((hand - true) / (hand - low))[others], STATED))
    rows, figures = [], Figures()
    for size in np.unique(coupons):
        at = coupons == size
        cells = []
        for label, below in (
            ("draws", low),
            ("said", hand - HAND_LOWER * (hand - low)),
            ("left", hand - factor * (hand - low)),
        ):
            both = float(((true >= below) & (true <= high))[at].mean())
            figures[f"hand_both_{label}_{name}_{size}"] = both
            cells += [f"{float((true >= below)[at].mean()):.2f}", f"{both:.2f}"]
        rows.append([name.replace("_", ", "), str(size), str(at.sum()), *cells])
    head = ["spec", "coupons", "lines", "draws: lower limit holds", "both", "as said: lower", "both"]
    return table([*head, "family left out: lower", "both"], rows), figures


def main() -> None:
    """Print what the records say."""
    parser = arguments(__doc__)
    parser.add_argument("--records", required=True, help="comma list: checks alone, with hand-feel, both graded")
    given = parser.parse_args()
    files = [Path(name) for name in given.records.split(",")]
    found = dict(zip(SPECS, ([r for r in read_records(f) if "true" in r] for f in files), strict=False))
    for records in found.values():
        tuning_only(records)
    cases = ", ".join(f"{len(records)} answers, {name}" for name, records in found.items())
    with written(given, __file__, __doc__, cases=cases) as figures:
        for name, records in found.items():
            for text, more in (told(name, records), hand_told(name, records)):
                print(f"{text}\n")
                figures.update(more)


if __name__ == "__main__":
    main()
