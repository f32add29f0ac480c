"""Thresholds of the verdict on families that had no say: each family judged by what all others would choose.

Usage::

    python -m tests.benchmarks.decisions --world tuning --lines 63 --first 4600 --coupons 20,28 --no-hand \\
        --no-baselines --out t-checks.jsonl
    python -m tests.benchmarks.thresholds --records t-checks.jsonl

Answers to one round on lines of the tuning families (`doe.practice.population`), checks alone, as the decisions
benchmark keeps them; nothing is fitted again. *Ready* is said where the expected rate reaches the target and its lower
bound falls short by no more than a threshold; *not reachable* where the chance that any setting reaches the target
lies below one threshold and the expected best rate short of the target by more than another. A verdict is worth 1 when
it is right (ready: the setpoint truly reaches the target; not reachable: nothing does), -4 when it misleads (ready
below 0.90; not reachable where 0.97 is possible), else 0, so a verdict pays from four in five on. The chances are those
that the tool says; their shift and slope are left out by family on a page of their own (`chances.py`).

The first table tells what it does to hold *not reachable* back where the coupons contradict the map, as *ready* is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np

from doe.setpoint.verdict import OUT_OF_REACH, OUT_OF_REACH_GAP, READY_LOW_SHORTFALL
from tests.benchmarks.results import (
    Figures,
    Record,
    arguments,
    cell,
    made_at,
    mean,
    read_records,
    share,
    table,
    tuning_only,
    written,
)

POSSIBLE, TARGET, LEAST, WRONG = 0.97, 0.95, 0.90, -4.0


@dataclass(frozen=True)
class Rule:
    """When *ready* and *not reachable* are said; ``held`` where a contradicted map holds the latter back too."""

    shortfall: float = READY_LOW_SHORTFALL
    chance: float = OUT_OF_REACH
    gap: float = OUT_OF_REACH_GAP
    held: bool = True

    def is_ready(self, r: Record) -> bool:
        """Whether an answer is called ready."""
        low = r["target"] - self.shortfall
        return bool(r["pass_rate"] >= r["target"] and r["pass_rate_low"] >= low and not r["at_odds"])

    def is_out(self, r: Record) -> bool:
        """Whether its target is called not reachable; an answer whose rate would do for *ready* never is."""
        if r["pass_rate"] >= r["target"] and r["pass_rate_low"] >= r["target"] - self.shortfall:
            return False
        if r["at_odds"] and self.held:
            return False
        return bool(r["p_reachable"] < self.chance and r["best_pass_rate"] < r["target"] - self.gap)


IN_THE_TOOL = Rule()
READY_RULES = tuple(replace(IN_THE_TOOL, shortfall=s) for s in (0.03, 0.05, 0.075, 0.10, 0.15, 0.20, 0.30))
OUT_RULES = tuple(
    replace(IN_THE_TOOL, chance=c, gap=g) for c, g in product((0.2, 0.3, 0.4, 0.5, 0.6, 0.7), (0.02, 0.05, 0.10))
)

Worth = Callable[[Rule, Record], float]


def ready_worth(rule: Rule, r: Record) -> float:
    """What *ready* is worth on a line."""
    if not rule.is_ready(r):
        return 0.0
    return 1.0 if r["true"] >= r["target"] else WRONG if r["true"] < LEAST else 0.0


def out_worth(rule: Rule, r: Record) -> float:
    """What *not reachable* is worth on a line."""
    if not rule.is_out(r):
        return 0.0
    return 1.0 if r["best"] < r["target"] else WRONG if r["best"] >= POSSIBLE else 0.0


def ready_cells(rule: Rule, records: Sequence[Record]) -> list[str]:
    """How often *ready* is said, and how often it misleads."""
    called = [r for r in records if rule.is_ready(r)]
    good = [rule.is_ready(r) for r in records if r["best"] >= POSSIBLE]
    below = ([r["true"] < limit for r in called] for limit in (TARGET, LEAST))
    return [cell(share(good)), *(cell(share(found)) for found in below)]


def out_cells(rule: Rule, records: Sequence[Record]) -> list[str]:
    """How often *not reachable* is said where it is true, and where it is false."""
    return [
        cell(share([rule.is_out(r) for r in records if r["best"] < r["target"]])),
        cell(share([rule.is_out(r) for r in records if r["best"] >= POSSIBLE])),
    ]


def held_back(records: Sequence[Record]) -> tuple[str, Figures]:
    """*Not reachable* with and without holding it back, by number of coupons."""
    rows, figures = [], Figures()
    for coupons in sorted({r["coupons"] for r in records}):
        at = [r for r in records if r["coupons"] == coupons]
        said = [r for r in at if replace(IN_THE_TOOL, held=False).is_out(r)]
        figures[f"contradicted_{coupons}"] = share([r["at_odds"] for r in at])[0]
        for held in (False, True):
            rule = replace(IN_THE_TOOL, held=held)
            for name, found in zip(("true", "false"), _shares(rule, at), strict=True):
                figures[f"out_{name}_{'held' if held else 'said'}_{coupons}"] = found
            rows.append(
                [
                    str(coupons),
                    "held back" if held else "said all the same",
                    cell(share([r["at_odds"] for r in at])),
                    cell(share([r["at_odds"] for r in said if r["best"] < r["target"]])),
                    cell(share([r["at_odds"] for r in said if r["best"] >= POSSIBLE])),
                    *out_cells(rule, at),
                    cell(mean([out_worth(rule, r) for r in at])),
                ]
            )
    head = ["coupons", "not reachable from a contradicted map", "maps contradicted", "of those said rightly"]
    head += ["of those said falsely", "said where true", "said where false", "worth a line"]
    return table(head, rows), figures


def _shares(rule: Rule, records: Sequence[Record]) -> tuple[float, float]:
    return (
        share([rule.is_out(r) for r in records if r["best"] < r["target"]])[0],
        share([rule.is_out(r) for r in records if r["best"] >= POSSIBLE])[0],
    )


def every_rule(records: Sequence[Record]) -> str:
    """What each threshold leads to, all families and sizes together."""
    ready = [
        [f"{rule.shortfall:g}", *ready_cells(rule, records), cell(mean([ready_worth(rule, r) for r in records]), 3)]
        for rule in READY_RULES
    ]
    out = [
        [
            f"{rule.chance:g}",
            f"{rule.gap:g}",
            *out_cells(rule, records),
            cell(mean([out_worth(rule, r) for r in records]), 3),
        ]
        for rule in OUT_RULES
    ]
    return (
        table(["ready: bound short by", "said (0.97 possible)", "truly < 0.95", "truly < 0.90", "worth a line"], ready)
        + "\n\n"
        + table(["not reachable: chance below", "best short by", "said where true", "where false", "worth a line"], out)
    )


def left_out(records: Sequence[Record], rules: Sequence[Rule], worth: Worth, name: str) -> tuple[str, Figures]:
    """Each family judged with the thresholds the others choose, beside the tool's; both summed over the families."""
    rows, chosen, own = [], [], []
    for family in sorted({r["kind"] for r in records}):
        others = [r for r in records if r["kind"] != family]
        here = [r for r in records if r["kind"] == family]
        best = max(rules, key=lambda rule: (np.mean([worth(rule, r) for r in others]), rule == IN_THE_TOOL))
        value = [np.array([worth(rule, r) for r in here]) for rule in (best, IN_THE_TOOL)]
        chosen.append(value[0])
        own.append(value[1])
        shown = f"{best.shortfall:g}" if name == "ready" else f"{best.chance:g}, {best.gap:g}"
        rows.append([family, str(len(here)), shown, *(cell(mean(v), 3) for v in value)])
    together = np.concatenate(chosen), np.concatenate(own)
    rows.append(["all", str(len(records)), "", *(cell(mean(v), 3) for v in together)])
    rows.append(["difference", "", "", cell(mean(together[0] - together[1]), 3), ""])
    figures = {f"{name}_chosen": float(together[0].mean()), f"{name}_tool": float(together[1].mean())}
    head = [f"{name}: family left out", "answers", "chosen on the others", "its worth here", "the tool's"]
    return table(head, rows), figures


def main() -> None:
    """Print what the records say."""
    parser = arguments(__doc__)
    parser.add_argument("--records", type=Path, required=True, help="kept by the decisions benchmark")
    given = parser.parse_args()
    records = [r for r in tuning_only(read_records(given.records)) if "at_odds" in r]
    sizes = ", ".join(str(c) for c in sorted({r["coupons"] for r in records}))
    seeds = sorted({r["seed"] for r in records})
    cases = f"{len(seeds)} lines, seeds {seeds[0]} to {seeds[-1]}, {sizes} coupons"
    with written(given, __file__, __doc__, cases=cases) as figures:
        print(f"{len(records)} answers{made_at(records)}\n")
        for text, found in (
            held_back(records),
            (every_rule(records), Figures()),
            left_out(records, READY_RULES, ready_worth, "ready"),
            left_out(records, OUT_RULES, out_worth, "not reachable"),
        ):
            print(f"{text}\n")
            figures.update({name.replace(" ", "_"): value for name, value in found.items()})


if __name__ == "__main__":
    main()
