"""How good the decisions are: plan, simulate, fit, recommend, and compare with the truth on many simulated lines.

Usage::

    python -m tests.benchmarks.decisions --lines 300 --coupons 20,28 --seeds published --out published.jsonl

Seeds 0 to 9999 are for tuning: priors and thresholds may be chosen on them. Published figures use seeds 10000 to 19999,
which no choice may look at; from 20000 on are the demo and practice. Line number i is of kind i modulo the kinds asked
for, with seed first + i, so a longer run contains a shorter one. Every line's records are appended to ``--out`` when it
is done; started again with the same file, only what is missing is run. Delete the file after a change of the method;
after one of the verdicts' thresholds alone, ``--judge-again`` applies them to the kept chances.

``--world tuning`` and ``--world locked`` draw from the population (`doe.practice.population`): families on which
choices may be made, and families on which none may, run only to publish. Their ranges are 5 to 14 setting errors wide.

With ``--oven`` something else is measured on the same lines: coupons are made with the usual and with whole oven and
press errors common to a batch, and fitted with and without batch errors in the model; how often does each bound hold?
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from joblib import Parallel, delayed
from rich.console import Console
from rich.progress import MofNCompleteColumn, Progress, TimeRemainingColumn

from tests.benchmarks.decision_case import STEPWISE, WORLDS, judged, run_line, run_oven, warm_up
from tests.benchmarks.decision_table import headlines, oven_report, report
from tests.benchmarks.results import (
    Record,
    append_records,
    arguments,
    commit_now,
    made_at,
    numbers,
    read_records,
    written,
)

FIRST_SEED = {"tuning": 0, "published": 10_000}
SEEDS = 10_000

Job = tuple[str, int, list[tuple[int, int]]]


def wanted_lines(lines: int, seeds: str, kinds: Sequence[str], first: int = 0) -> list[tuple[str, int]]:
    """Kind and seed of each line."""
    if first + lines > SEEDS:
        raise SystemExit(f"{seeds} seeds end at {FIRST_SEED[seeds] + SEEDS - 1}")
    return [(kinds[i % len(kinds)], FIRST_SEED[seeds] + i) for i in range(first, first + lines)]


def key(record: Record) -> tuple[str, int, int, int]:
    """What identifies a record."""
    return record["kind"], record["seed"], record["coupons"], record["rounds"]


def missing(
    lines: list[tuple[str, int]], cases: list[tuple[int, int]], done: set[tuple[str, int, int, int]]
) -> list[Job]:
    """Lines with the cases that are not done yet."""
    jobs = [(kind, seed, [c for c in cases if (kind, seed, *c) not in done]) for kind, seed in lines]
    return [job for job in jobs if job[2]]


def one(job: Job, baselines: bool, hand: bool, grades: bool, commit: str) -> list[Record]:
    """Run one job, warming the process up first; rounds 0 stands for the oven's question."""
    warm_up()
    kind, seed, cases = job
    oven = cases[0][1] == 0
    made = (
        run_oven(kind, seed, [c for c, _ in cases])
        if oven
        else run_line(kind, seed, cases, baselines=baselines, hand=hand, grades=grades)
    )
    return [record | {"commit": commit} for record in made]


def parse() -> argparse.Namespace:
    """Command line."""
    parser = arguments(__doc__)
    parser.add_argument("--lines", type=int, default=70, help="how many simulated lines")
    parser.add_argument("--first", type=int, default=0, help="number of the first line")
    parser.add_argument("--coupons", type=numbers, default=[20, 28], help="comma list")
    parser.add_argument("--rounds", type=numbers, default=[1], help="1, 2 or 1,2")
    parser.add_argument("--seeds", choices=FIRST_SEED, default="tuning")
    parser.add_argument("--world", choices=WORLDS, default="kinds", help="where lines are drawn from")
    parser.add_argument("--no-hand", action="store_true", help="the spec asks for no hand-feel")
    parser.add_argument("--grades", action="store_true", help="coupons are graded, not only passed or failed")
    parser.add_argument("--step-by-step", action="store_true", help="--coupons are the most that a search may make")
    parser.add_argument(
        "--kinds",
        help="comma list of kinds or families; those of the world by default (not borderline, not workshop)",
    )
    parser.add_argument("--no-baselines", action="store_true", help="only this tool")
    parser.add_argument("--oven", action="store_true", help="fits with and without batch errors instead; one round")
    parser.add_argument("--out", type=Path, help="JSON-lines file to append to and to continue from")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--judge-again", action="store_true", help="verdicts by today's thresholds, from what is kept")
    parser.add_argument("--table-only", action="store_true", help="print the table of what --out holds")
    return parser.parse_args()


def part_of(options: argparse.Namespace) -> str:
    """Which results page a run belongs to: one for each world, with and without hand-feel."""
    parts = ["oven"] if options.oven else []
    parts += [options.world] if options.world != "kinds" else []
    marks = {"checks": options.no_hand, "grades": options.grades, "steps": options.step_by_step}
    return "-".join(parts + [mark for mark, on in marks.items() if on])


def main() -> None:
    """Run what is missing, then print the tables of the lines asked for."""
    options = parse()
    kinds = options.kinds.split(",") if options.kinds else WORLDS[options.world]
    lines = wanted_lines(options.lines, options.seeds, kinds, options.first)
    seeds = f"{options.lines} lines, {options.seeds} seeds {lines[0][1]} to {lines[-1][1]}"
    with written(options, __file__, __doc__, cases=seeds, part=part_of(options)) as figures:
        found = sorted(run(options, lines), key=lambda r: r["seed"])
        said = oven_report(found) if options.oven else report(found)
        print(f"{len({r['seed'] for r in found})} of {options.lines} lines{made_at(found)}\n\n{said}")
        if not options.oven:
            figures.update(headlines(found))


def run(options: argparse.Namespace, lines: list[tuple[str, int]]) -> list[Record]:
    """Run what is missing; records of all that was asked for."""
    rounds = [0] if options.oven else [STEPWISE] if options.step_by_step else options.rounds
    cases = [(c, r) for r in rounds for c in options.coupons]
    records = read_records(options.out)
    jobs = [] if options.table_only else missing(lines, cases, {key(r) for r in records})
    console, commit = Console(stderr=True), commit_now()
    bar = Progress(*Progress.get_default_columns()[:2], MofNCompleteColumn(), TimeRemainingColumn(), console=console)
    with bar:
        task = bar.add_task("lines", total=len(jobs))
        parallel = Parallel(n_jobs=options.jobs, return_as="generator_unordered")
        how = not options.no_baselines, not options.no_hand, options.grades
        for made in parallel(delayed(one)(job, *how, commit) for job in jobs):
            records += made
            append_records(options.out, made)
            bar.advance(task)
    asked = {(kind, seed, *case) for kind, seed in lines for case in cases}
    found = [r for r in records if key(r) in asked]
    if not options.judge_again:
        return found
    return [judged(r, hand=not options.no_hand, grades=options.grades) for r in found]


if __name__ == "__main__":
    main()
