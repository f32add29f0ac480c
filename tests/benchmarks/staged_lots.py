"""How often a comparison in stages comes to what: counted out, and on simulated shops.

Usage::

    python -m tests.benchmarks.staged_lots --shops 4000

The rule of `doe compare --staged` for three recipes and three sizes of the first stage. *Exact* is what is said before
a coupon is made; *simulated* judges pair after pair of shops whose coupons fail independently, as the rule supposes.
*One stroke* is the same with failures that the two coupons of a pair share: half of the recipe's own failures hit both.
The second table takes lots drawn evenly from no loss to 50 points: how many went on although the share of prints that
only the new lot spoils lies above the limit that was said (allowed: 0.10 at any one share, so fewer over all of them).
The third says what it costs that pairs share settings, beside a recipe that passes 0.95 on average. *Setting*: oven
and press are set once a stage, or twice, or anew for every pair; each setting moves the logit of failing of both lots
by a normal error of that standard deviation. *Sheet*: four coupons of one lot are powdered as one piece, which moves
their logit alone; the tool asks for coupons powdered one by one.
Seeds from 61000 up; no choice was made on them.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from doe.assure.comparison.staged import LOSSES, Stage, judge_pairs, staged_chances, staged_rule
from tests.benchmarks.results import Figures, arguments, table, written

RATES, PAIRS = (0.90, 0.95, 0.98), (6, 8, 10)
SHARED = 0.5
FIRST_SEED = 61_000
ASSURANCE = 0.90


def shops(
    rng: np.random.Generator, runs: int, pairs: int, new_fails: float, old_fails: float, shared: float
) -> NDArray[np.str_]:
    """States of both coupons of every pair, shape (runs, pairs, 2: new, in use); both rates stay what they are."""
    together = shared * old_fails
    both = rng.random((runs, pairs)) < together
    alone = [rng.random((runs, pairs)) < (rate - together) / (1 - together) for rate in (new_fails, old_fails)]
    return np.where(np.stack([both | fails for fails in alone], axis=2), "failed", "passed")


def verdicts(stages: tuple[Stage, ...], made: NDArray[np.str_]) -> Counter[str]:
    """How often each verdict came out."""
    return Counter(judge_pairs(stages, [tuple(pair) for pair in shop], ASSURANCE).verdict for shop in made.tolist())


def chances(runs: int) -> tuple[str, Figures]:
    """Exact beside simulated, a row a rule and a loss."""
    body, figures, gaps = [], {}, []
    for index, (rate, pairs) in enumerate((rate, pairs) for rate in RATES for pairs in PAIRS):
        stages = staged_rule(pairs, rate)
        for place, loss in enumerate(LOSSES):
            exact = staged_chances(stages, 1 - rate + loss, 1 - rate)
            cells = []
            for turn, shared in enumerate((0.0, SHARED)):
                rng = np.random.default_rng([FIRST_SEED, index, place, turn])
                said = verdicts(stages, shops(rng, runs, stages[-1].pairs, 1 - rate + loss, 1 - rate, shared))
                cells.append([said[verdict] / runs for verdict in ("clearly worse", "go on carefully")])
            gaps += [abs(cells[0][0] - exact.worse), abs(cells[0][1] - exact.go_on)]
            body.append(
                [
                    f"{rate:.2f}",
                    str(pairs),
                    f"{loss:.2f}",
                    *(
                        " / ".join(f"{share:.3f}" for share in (told, cells[0][i], cells[1][i]))
                        for i, told in enumerate((exact.worse, exact.go_on))
                    ),
                    f"{exact.more:.2f}",
                    f"{exact.pairs:.1f}",
                ]
            )
            if (rate, pairs) == (0.95, 8):
                figures |= {f"worse_{100 * loss:.0f}": exact.worse, f"go_on_{100 * loss:.0f}": exact.go_on}
    head = [
        "recipe passes",
        "pairs of a stage",
        "new fails more often by",
        "clearly worse: exact / simulated / one stroke",
    ]
    head += ["go on carefully: the same", "more than one stage", "pairs, mean"]
    return table(head, body), {**figures, "largest_gap": max(gaps)}


def hidden(runs: int) -> tuple[str, Figures]:
    """Of lots that went on: how far the truth lay above what was said."""
    body, missed_all, rng = [], [], np.random.default_rng([FIRST_SEED, 99])
    for rate in RATES:
        stages, went, missed = staged_rule(8, rate), 0, 0
        losses = rng.uniform(0.0, 0.5, runs)
        for loss in losses:
            made = shops(rng, 1, stages[-1].pairs, 1 - rate + loss, 1 - rate, 0.0)[0]
            found = judge_pairs(stages, [tuple(pair) for pair in made.tolist()], ASSURANCE)
            if found.hides is not None:
                went += 1
                missed += (1 - rate + loss) * rate > found.hides
        missed_all.append(missed / runs)
        body.append([f"{rate:.2f}", str(runs), f"{went / runs:.2f}", f"{missed / runs:.3f}"])
    head = ["recipe passes", "lots", "went on", "went on and the truth lay above the limit"]
    return table(head, body), {"above_the_limit": max(missed_all)}


DEVIATIONS = (0.5, 1.0)
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(41)


def logit_for(rate: float, deviation: float) -> float:
    """The logit around which a normal error leaves that rate on average."""

    def gap(at: float) -> float:
        return float(WEIGHTS @ (1 / (1 + np.exp(-(at + deviation * NODES)))) / WEIGHTS.sum()) - rate

    return float(brentq(gap, -30.0, 30.0))


def sharing(
    rng: np.random.Generator,
    runs: int,
    stages: tuple[Stage, ...],
    fails: tuple[float, float],
    deviation: float,
    how: str,
) -> NDArray[np.str_]:
    """States of pairs of which some share a setting, or the coupons of one lot a sheet; shape as that of `shops`."""
    pairs, size = stages[-1].pairs, stages[0].pairs
    group = {"once": size, "twice": size // 2, "anew": 1, "sheet": 4}[how]
    errors = rng.normal(0, deviation, (runs, -(-pairs // group), 2))
    if how != "sheet":
        errors[..., 1] = errors[..., 0]  # both coupons of a pair feel the same setting
    logits = np.array([logit_for(rate, deviation) for rate in fails]) + np.repeat(errors, group, axis=1)[:, :pairs]
    return np.where(rng.random(logits.shape) < 1 / (1 + np.exp(-logits)), "failed", "passed")


def shared(runs: int) -> tuple[str, Figures]:
    """What shared settings and sheets cost, a row a size, a deviation and a way to share."""
    body, figures = [], {}
    for index, (pairs, deviation) in enumerate((pairs, deviation) for pairs in (6, 8) for deviation in DEVIATIONS):
        stages = staged_rule(pairs, 0.95)
        for turn, how in enumerate(("anew", "twice", "once", "sheet")):
            said = []
            for place, loss in enumerate((0.0, 0.20)):
                rng = np.random.default_rng([FIRST_SEED, 500 + index, turn, place])
                said.append(verdicts(stages, sharing(rng, runs, stages, (0.05 + loss, 0.05), deviation, how)))
            alike, worse = said
            cells = [alike["clearly worse"], alike["go on carefully"], worse["clearly worse"], worse["go on carefully"]]
            body.append([str(pairs), f"{deviation:.1f}", how, *(f"{count / runs:.3f}" for count in cells)])
            if pairs == 6:
                figures[f"alike_worse_{how}_{10 * deviation:.0f}"] = alike["clearly worse"] / runs
    head = ["pairs of a stage", "error, logit", "set, or powdered", "alike: clearly worse", "alike: go on"]
    return table([*head, "20 points worse: clearly worse", "20 points worse: go on"], body), figures


def main() -> None:
    """Count out, simulate, print the tables."""
    parser = arguments(__doc__)
    parser.add_argument("--shops", type=int, default=4000)
    given = parser.parse_args()
    cases = f"{given.shops} shops a row, seeds from {FIRST_SEED}"
    with written(given, __file__, __doc__, cases=cases) as figures:
        for text, found in (chances(given.shops), hidden(given.shops), shared(given.shops)):
            print(text, end="\n\n")
            figures.update(found)


if __name__ == "__main__":
    main()
