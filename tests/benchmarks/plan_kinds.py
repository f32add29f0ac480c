"""Which kind of plan leads to the best decisions: the same lines of the population, planned in different ways.

Usage::

    python -m tests.benchmarks.plan_kinds --lines 160 --first 3000 --out kinds.jsonl

Lines are of the tuning families (`doe.practice.population`), their ranges 5 to 14 setting errors wide; seeds below
10000 are for choices such as this one. Every kind sees the same lines, so differences are paired. Checks alone are
wanted, one round; `steps` are searches step by step up to 40 graded coupons whose first 12 are of that kind.

``--tables`` writes what `auto` and `doe plan` read, `templates/tables/plan_decisions.toml`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

import doe
from doe.domain.stack import DEFAULT_LINE
from doe.plans.build import add_round
from doe.plans.decisions import FAR_OFF, width
from doe.practice.coupons import DEFAULT_SCORING, Scoring
from doe.practice.lines import SimulatedLine
from doe.practice.population.draw import FAMILIES
from tests.benchmarks.decision_case import FIRST_STEP, line_of, true_rate, warm_up
from tests.benchmarks.results import (
    ROOT,
    Figures,
    Record,
    append_records,
    arguments,
    cell,
    commit_now,
    mean,
    read_records,
    share,
    table,
    tuning_only,
    written,
)

FIRST = "optimal"
CASES: dict[int, tuple[str, ...]] = {
    12: (FIRST, "d-optimal", "spread", "half"),
    20: (FIRST, "d-optimal", "spread", "full"),
    28: (FIRST, "d-optimal", "spread", "composite"),
}
STEPWISE, STEPS, MOST = "steps", ("half", "spread"), 40
ALL_CASES = CASES | {MOST: tuple(f"{STEPWISE}, {kind}" for kind in STEPS)}
POSSIBLE, TARGET, WIDE_FROM = 0.97, 0.95, 9.0
"""Best rate of lines that count, the wanted rate, and how many setting errors wide ranges are called wide from."""


def one(family: str, seed: int, commit: str) -> list[Record]:
    """Every case of one line."""
    warm_up()
    line = line_of(family, seed, hand=False)
    study = line.study
    head = {"family": family, "seed": seed, "best": line.best().robust_pass, "width": width(study), "commit": commit}
    found = []
    for coupons, kinds in CASES.items():
        for kind in kinds:
            plan = doe.make_plan(study, coupons=coupons, kind=kind, seed=seed)
            results = line.run(plan.coupons, seed, DEFAULT_SCORING)
            answer = doe.recommend(study, doe.fit(study, results, seed=seed), seed=seed)
            found.append(head | {"coupons": coupons, "kind": kind} | _record(line, answer, len(results)))
    for kind in STEPS:
        found.append(head | {"coupons": MOST, "kind": f"{STEPWISE}, {kind}"} | _steps(line, kind, seed))
    return found


def _steps(line: SimulatedLine, kind: str, seed: int) -> Record:
    study = replace(line.study, most_coupons=MOST)
    plan = doe.make_plan(study, coupons=FIRST_STEP, kind=kind, seed=seed)
    while True:
        results = line.run(plan.coupons, seed, Scoring(grades=True))
        answer = doe.recommend(study, doe.fit(study, results, seed=seed), seed=seed)
        if answer.next_coupons.empty:
            return _record(line, answer, len(results))
        plan = add_round(plan, answer.next_coupons, seed=seed, line=DEFAULT_LINE, repeat_centre=False)


def _record(line: SimulatedLine, answer: doe.Answer, made: int) -> Record:
    return {
        "true": true_rate(line, answer.setpoint),
        "verdict": answer.verdict,
        "pass_rate": answer.pass_rate,
        "pass_rate_low": answer.pass_rate_low,
        "p_target": answer.p_target,
        "p_reachable": answer.p_reachable,
        "best_pass_rate": answer.best_pass_rate,
        "made": made,
    }


def outcomes(records: Sequence[Record], coupons: int, kind: str, *, wide: bool | None = None) -> list[Record]:
    """Records of one kind and size on lines where 0.97 is possible."""
    return [
        r
        for r in records
        if r["coupons"] == coupons
        and r["kind"] == kind
        and r["best"] >= POSSIBLE
        and (wide is None or (r["width"] >= WIDE_FROM) == wide)
    ]


def worth(found: Sequence[Record]) -> float:
    """Share of setpoints that hold minus those far off, as `doe.plans.decisions` ranks plans."""
    true = np.array([r["true"] for r in found])
    return float((true >= TARGET).mean() - (true < TARGET - FAR_OFF).mean()) if len(true) else 0.0


def told(records: Sequence[Record]) -> tuple[str, Figures]:
    """One row a kind, size and width; differences from the first kind of that size are paired, line by line."""
    rows, figures = [], {"lines": float(len({r["seed"] for r in records}))}
    for coupons, kinds in ALL_CASES.items():
        for wide in (None, False, True):
            first = outcomes(records, coupons, kinds[0], wide=wide)
            for kind in kinds:
                found = outcomes(records, coupons, kind, wide=wide)
                true = np.array([r["true"] for r in found])
                base = np.array([r["true"] for r in first])
                gain = (true >= TARGET).astype(float) - (base >= TARGET)
                if wide is None:
                    figures[f"reached_{coupons}_{re.sub('[^a-z]+', '_', kind)}"] = float((true >= TARGET).mean())
                rows.append(
                    [
                        str(coupons),
                        kind,
                        {None: "all", False: "narrow", True: "wide"}[wide],
                        str(len(found)),
                        cell(share(true >= TARGET)),
                        cell(mean(true), 3),
                        cell(share(true < TARGET - FAR_OFF)),
                        f"{np.mean([r['made'] for r in found]):.1f}",
                        "" if kind == kinds[0] else cell(mean(gain)),
                        "" if kind == kinds[0] else cell(mean(true - base), 3),
                    ]
                )
    head = ["coupons", "kind", "ranges", "lines with 0.97 possible", "true >= 0.95", "mean true", "true < 0.80"]
    head += ["made", "minus the first: true >= 0.95", "minus the first: mean true"]
    return table(head, rows), figures


def left_out(records: Sequence[Record]) -> tuple[str, Figures]:
    """Each family judged with the kind that the other families choose, beside the first kind and its own best."""
    rows, figures = [], Figures()
    for coupons, kinds in ALL_CASES.items():
        chosen, usual = [], []
        for family in sorted({r["family"] for r in records}):
            others = [r for r in records if r["family"] != family]
            own = [r for r in records if r["family"] == family]
            picked = max(kinds, key=lambda kind: worth(outcomes(others, coupons, kind)))
            best = max(kinds, key=lambda kind: worth(outcomes(own, coupons, kind)))
            chosen += outcomes(own, coupons, picked)
            usual += outcomes(own, coupons, kinds[0])
            values = (worth(outcomes(own, coupons, kind)) for kind in (picked, kinds[0], best))
            rows.append([str(coupons), family, picked, *(f"{v:.2f}" for v in values), best])
        figures[f"left_out_worth_{coupons}"] = worth(chosen)
        figures[f"first_worth_{coupons}"] = worth(usual)
        rows.append([str(coupons), "all", "", f"{worth(chosen):.2f}", f"{worth(usual):.2f}", "", ""])
    head = [
        "coupons",
        "family left out",
        "kind chosen by the others",
        "its worth here",
        "the first kind's",
        "the best's",
    ]
    return table([*head, "best here"], rows), figures


def write_tables(records: Sequence[Record], cases: str) -> None:
    """The shares that the tool reads, beside where they come from."""
    lines = [
        f"# Written by tests/benchmarks/plan_kinds.py at commit {commit_now()}; what is changed by hand is lost.",
        f"# {cases}; four settings, checks alone, lines where 0.97 is possible.",
        "",
        f"wide_from = {WIDE_FROM}",
    ]
    for coupons, kinds in ALL_CASES.items():
        for kind in kinds:
            for wide in (False, True):
                found = outcomes(records, coupons, kind, wide=wide)
                true = np.array([r["true"] for r in found])
                lines += [
                    "",
                    "[[plans]]",
                    f'kind = "{kind}"',
                    f"coupons = {coupons}",
                    f"wide = {str(wide).lower()}",
                    f"lines = {len(found)}",
                    f"holds = {(true >= TARGET).mean():.4f}",
                    f"far_off = {(true < TARGET - FAR_OFF).mean():.4f}",
                    f"made = {np.mean([r['made'] for r in found]):.1f}",
                ]
    (ROOT / "templates" / "tables" / "plan_decisions.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> None:
    """Run what is missing, then print."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=160)
    parser.add_argument("--first", type=int, default=3000)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--tables", action="store_true", help="write what the tool reads")
    given = parser.parse_args()
    records = list(tuning_only(read_records(given.out)))
    done, families, commit = {r["seed"] for r in records}, list(FAMILIES), commit_now()
    seeds = range(given.first, given.first + given.lines)
    cases = f"{given.lines} lines, seeds {seeds[0]} to {seeds[-1]}"
    with written(given, __file__, __doc__, cases=cases) as figures:
        jobs = [(families[s % len(families)], s) for s in seeds if s not in done]
        parallel = Parallel(n_jobs=given.jobs, return_as="generator_unordered")
        for made in parallel(delayed(one)(family, seed, commit) for family, seed in jobs):
            records += made
            append_records(given.out, made)
        asked = sorted((r for r in records if r["seed"] in seeds), key=lambda r: r["seed"])
        for text, found in (told(asked), left_out(asked)):
            print(f"{text}\n")
            figures.update(found)
    if given.tables:
        write_tables(asked, cases)


if __name__ == "__main__":
    main()
