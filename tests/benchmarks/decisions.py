"""How good are the decisions? Plan, simulate, fit, recommend, and compare with the truth on many simulated lines.

    python -m tests.benchmarks.decisions --lines 300 --coupons 20,28 --seeds published --out published.jsonl

Seeds 0 to 9999 are for tuning: priors and thresholds may be chosen on them. Published figures use seeds 10000 to
19999, which no choice may look at; from 20000 on are the demo and practice. Line number i is of kind i modulo the
kinds asked for, with seed first + i, so a longer run contains a shorter one. Every line's records are appended to
``--out`` when it is done; started again with the same file, only what is missing is run. Delete the file after a
change of the method; after one of the verdicts' thresholds alone, ``--judge-again`` applies them to the kept chances.

With ``--oven`` something else is measured on the same lines: coupons are made with the usual and with whole oven and
press errors common to a batch, and fitted with and without batch errors in the model; how often does each bound hold?
"""

# ruff: noqa: E402 - the number of threads must be known before NumPy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before NumPy: the figures are seconds on one core

import argparse
import json
from pathlib import Path

from joblib import Parallel, delayed
from rich.console import Console
from rich.progress import MofNCompleteColumn, Progress, TimeRemainingColumn

from doe.practice.lines import KINDS
from tests.benchmarks.decision_case import Record, judged, run_line, run_oven, warm_up
from tests.benchmarks.decision_table import oven_report, report

FIRST_SEED = {"tuning": 0, "published": 10_000}
SEEDS = 10_000

Job = tuple[str, int, list[tuple[int, int]]]


def numbers(text: str) -> list[int]:
    """Whole numbers of a comma list."""
    return [int(part) for part in text.split(",")]


def wanted_lines(lines: int, seeds: str, kinds: list[str], first: int = 0) -> list[tuple[str, int]]:
    """Kind and seed of each line."""
    if first + lines > SEEDS:
        raise SystemExit(f"{seeds} seeds end at {FIRST_SEED[seeds] + SEEDS - 1}")
    return [(kinds[i % len(kinds)], FIRST_SEED[seeds] + i) for i in range(first, first + lines)]


def read_records(path: Path | None) -> list[Record]:
    """Records of an earlier run; a last line cut short by an interruption is left out."""
    if path is None or not path.exists():
        return []
    records = []
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            records.append(json.loads(line))
        except json.JSONDecodeError:
            continue
    return records


def append_records(path: Path, records: list[Record]) -> None:
    """Add records, on a line of their own even after a run that was cut short."""
    whole = not path.exists() or path.read_text(encoding="utf-8")[-1:] in ("", "\n")
    with path.open("a", encoding="utf-8") as file:
        file.write("" if whole else "\n")
        file.writelines(json.dumps(record) + "\n" for record in records)


def key(record: Record) -> tuple[str, int, int, int]:
    """What identifies a record."""
    return record["kind"], record["seed"], record["coupons"], record["rounds"]


def missing(
    lines: list[tuple[str, int]], cases: list[tuple[int, int]], done: set[tuple[str, int, int, int]]
) -> list[Job]:
    """Lines with the cases that are not done yet."""
    jobs = [(kind, seed, [c for c in cases if (kind, seed, *c) not in done]) for kind, seed in lines]
    return [job for job in jobs if job[2]]


def one(job: Job, baselines: bool) -> list[Record]:
    """Run one job, warming the process up first; rounds 0 stands for the oven's question."""
    warm_up()
    kind, seed, cases = job
    if cases[0][1] == 0:
        return run_oven(kind, seed, [coupons for coupons, _ in cases])
    return run_line(kind, seed, cases, baselines=baselines)


def parse() -> argparse.Namespace:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=70, help="how many simulated lines")
    parser.add_argument("--first", type=int, default=0, help="number of the first line")
    parser.add_argument("--coupons", type=numbers, default=[20, 28], help="comma list")
    parser.add_argument("--rounds", type=numbers, default=[1], help="1, 2 or 1,2")
    parser.add_argument("--seeds", choices=FIRST_SEED, default="tuning")
    usual = ",".join(k for k in KINDS if k != "borderline")
    parser.add_argument(
        "--kinds",
        default=usual,
        help="comma list of kinds of line; borderline, and workshop (practice world), are left out by default",
    )
    parser.add_argument("--no-baselines", action="store_true", help="only this tool")
    parser.add_argument("--oven", action="store_true", help="fits with and without batch errors instead; one round")
    parser.add_argument("--out", type=Path, help="JSON-lines file to append to and to continue from")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--judge-again", action="store_true", help="verdicts by today's thresholds, from what is kept")
    parser.add_argument("--table-only", action="store_true", help="print the table of what --out holds")
    return parser.parse_args()


def main() -> None:
    """Run what is missing, then print the tables of the lines asked for."""
    options = parse()
    lines = wanted_lines(options.lines, options.seeds, options.kinds.split(","), options.first)
    cases = [(c, r) for r in ([0] if options.oven else options.rounds) for c in options.coupons]
    records = read_records(options.out)
    jobs = [] if options.table_only else missing(lines, cases, {key(r) for r in records})
    console = Console(stderr=True)
    bar = Progress(*Progress.get_default_columns()[:2], MofNCompleteColumn(), TimeRemainingColumn(), console=console)
    with bar:
        task = bar.add_task("lines", total=len(jobs))
        parallel = Parallel(n_jobs=options.jobs, return_as="generator_unordered")
        for made in parallel(delayed(one)(job, not options.no_baselines) for job in jobs):
            records += made
            if options.out is not None:
                append_records(options.out, made)
            bar.advance(task)
    asked = {(kind, seed, *case) for kind, seed in lines for case in cases}
    found = [judged(r) if options.judge_again else r for r in records if key(r) in asked]
    print(oven_report(found) if options.oven else report(found))


if __name__ == "__main__":
    main()
