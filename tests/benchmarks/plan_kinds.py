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
from typing import NamedTuple

import numpy as np
from joblib import Parallel, delayed

import doe
from doe.domain.errors import InputError
from doe.domain.stack import DEFAULT_LINE
from doe.plans.build import add_round, fits, usual_kind
from doe.plans.classical import CLASSICAL, sizes
from doe.plans.decisions import FAR_OFF, width
from doe.plans.plan import KINDS
from doe.practice.coupons import DEFAULT_SCORING, Scoring
from doe.practice.lines import SimulatedLine
from doe.practice.population.draw import FAMILIES, draw_line
from tests.benchmarks.decision_case import FIRST_STEP, line_of, true_rate, warm_up
from tests.benchmarks.population import draw_other_study
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


class Question(NamedTuple):
    """Factors with a range, and factors of two levels beside them."""

    settings: int
    named: int

    @classmethod
    def parsed(cls, text: str) -> Question:
        """``3`` is three factors with a range, ``3+1`` the same and one of two levels."""
        settings, _, named = text.partition("+")
        return cls(int(settings), int(named or 0))

    @classmethod
    def of(cls, record: Record) -> Question:
        """The question of a record; those without a number of settings are of the usual four."""
        return cls(record.get("settings", 4), record.get("named", 0))

    def line(self, family: str, seed: int) -> SimulatedLine:
        """A line of a family with a study of this many factors."""
        if self == USUAL:
            return line_of(family, seed, hand=False)
        return draw_line(family, seed, draw_other_study(seed, *self))


USUAL = Question(4, 0)


def kinds_of(question: Question) -> dict[int, tuple[str, ...]]:
    """Kinds that exist in one copy at every size, the one that is made where nothing was tried first."""
    if question == USUAL:
        return CASES
    study, found = draw_other_study(0, *question), {}
    for coupons in CASES:
        usual = usual_kind(study, coupons)[0]
        possible = [k for k in KINDS if k != "auto" and (k not in CLASSICAL or _in_one_copy(study, k, coupons))]
        found[coupons] = (usual, *(k for k in possible if k != usual))
    return found


def _in_one_copy(study: doe.Study, kind: str, coupons: int) -> bool:
    return fits(study, kind, coupons) and coupons <= sizes(study, kind)[0][1]


def one(question: Question, family: str, seed: int, commit: str) -> list[Record]:
    """Every case of one line; one record that counts nowhere where 0.97 is out of reach or no line fits."""
    warm_up()
    head = {"family": family, "seed": seed, **question._asdict(), "commit": commit}
    try:
        line = question.line(family, seed)
    except InputError:
        return [head | {"coupons": 0, "kind": "none", "best": 0.0, "width": 0.0}]
    study = line.study
    head |= {"best": line.best().robust_pass, "width": width(study)}
    if head["best"] < POSSIBLE:
        return [head | {"coupons": 0, "kind": "none"}]
    found = []
    for coupons, kinds in kinds_of(question).items():
        for kind in kinds:
            plan = doe.make_plan(study, coupons=coupons, kind=kind, seed=seed)
            results = line.run(plan.coupons, seed, DEFAULT_SCORING)
            answer = doe.recommend(study, doe.fit(study, results, seed=seed), seed=seed)
            found.append(head | {"coupons": coupons, "kind": kind} | _record(line, answer, len(results)))
    for kind in STEPS if question == USUAL else ():
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
    parser.add_argument("--lines", type=int, default=160, help="lines of each question")
    parser.add_argument("--first", type=int, default=3000)
    parser.add_argument("--questions", default="4", help="factors with a range, +1 for one of two levels: 2,3,3+1,5")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--tables", action="store_true", help="write what the tool reads")
    given = parser.parse_args()
    questions = [Question.parsed(text) for text in given.questions.split(",")]
    records = list(tuning_only(read_records(given.out)))
    done, families, commit = {(Question.of(r), r["seed"]) for r in records}, list(FAMILIES), commit_now()
    seeds = range(given.first, given.first + given.lines)
    cases = f"{given.lines} lines, seeds {seeds[0]} to {seeds[-1]}"
    with written(given, __file__, __doc__, cases=cases) as figures:
        jobs = [(q, families[s % len(families)], s) for s in seeds for q in questions if (q, s) not in done]
        parallel = Parallel(n_jobs=given.jobs, return_as="generator_unordered")
        for made in parallel(delayed(one)(*job, commit) for job in jobs):
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
