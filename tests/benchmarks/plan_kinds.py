"""Which kind of plan leads to the best decisions: the same lines of the population, planned in different ways.

Usage::

    python -m tests.benchmarks.plan_kinds --questions 2,3,3+1,5 --lines 60 --out kinds.jsonl
    python -m tests.benchmarks.plan_kinds --questions 2s,3s,3+1s,5s --lines 60 --out searches.jsonl

Lines are of the tuning families (`doe.practice.population`), their ranges 5 to 14 setting errors wide (wide: 9 or
more); seeds below 10000 are for choices such as this one. Every kind sees the same lines, so differences are paired.
Checks alone are wanted, one round; `steps` are searches step by step up to 40 graded coupons whose first 12 are of that
kind, with other than four settings of the tool's own. Only lines where 0.97 is possible count, and with other than four
settings no others are worked out. Kinds are those that exist in one copy; the first of a size is the one made where
nothing was tried. A setpoint holds where 0.95 truly pass, is far off below 0.80; worth is the first share minus the
second, and differences are of worth.

With other than four settings `auto` leaves the first kind only where another is better by three standard errors of the
paired difference, with four the kind it makes already; each family is judged with what the others choose that way in
place of the first kind, and with what is worth most to them. What was printed of a question that is not asked again is
kept. ``--tables`` writes what `auto` and `doe plan` read, `templates/tables/plan_decisions.toml`, and leaves rows of
other questions as they are.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

import doe
from doe.domain.errors import InputError
from doe.domain.stack import DEFAULT_LINE
from doe.plans.build import add_round, fits, usual_kind
from doe.plans.classical import CLASSICAL, sizes
from doe.plans.decisions import AS_THE_TOOL, BEYOND, FAR_OFF, width
from doe.plans.plan import KINDS
from doe.practice.coupons import DEFAULT_SCORING, Scoring
from doe.practice.lines import SimulatedLine
from doe.practice.population.draw import FAMILIES, draw_line
from tests.benchmarks.decision_case import FIRST_STEP, line_of, true_rate, warm_up
from tests.benchmarks.population import draw_other_study
from tests.benchmarks.results import (
    RESULTS,
    ROOT,
    Figure,
    Figures,
    Record,
    append_records,
    arguments,
    cell,
    commit_now,
    made_at,
    mean,
    read_records,
    share,
    table,
    tuning_only,
    written,
)

FloatArray = NDArray[np.float64]

FIRST = "optimal"
CASES: dict[int, tuple[str, ...]] = {
    12: (FIRST, "d-optimal", "spread", "half"),
    20: (FIRST, "d-optimal", "spread", "full"),
    28: (FIRST, "d-optimal", "spread", "composite"),
}
MOST = 40
ALL_CASES = CASES | {MOST: ("steps, half", "steps, spread")}
POSSIBLE, TARGET, WIDE_FROM = 0.97, 0.95, 9.0
"""Best rate of lines that count, the wanted rate, and how many setting errors wide ranges are called wide from."""


class Question(NamedTuple):
    """Factors with a range, factors of two levels beside them, and whether searches with other than four are meant."""

    settings: int
    named: int
    searches: bool = False

    @classmethod
    def parsed(cls, text: str) -> Question:
        """``3`` is three factors with a range, ``3+1`` the same and one of two levels, ``3s`` searches with three."""
        settings, _, named = text.removesuffix("s").partition("+")
        return cls(int(settings), int(named or 0), text.endswith("s"))

    @classmethod
    def of(cls, record: Record) -> Question:
        """The question of a record or a row; those without a number of settings are of the usual four."""
        settings = record.get("settings", 4)
        return cls(settings, record.get("named", 0), settings != 4 and record["kind"] == AS_THE_TOOL)

    def line(self, family: str, seed: int) -> SimulatedLine:
        """A line of a family with a study of this many factors."""
        if self == USUAL:
            return line_of(family, seed, hand=False)
        return draw_line(family, seed, draw_other_study(seed, self.settings, self.named))

    @property
    def name(self) -> str:
        """The question in words."""
        return f"{self.settings} settings" + " and one of two levels" * self.named + ", step by step" * self.searches

    @property
    def head(self) -> str:
        """Head of its section."""
        return f"### {self.name.capitalize()}"

    @property
    def tail(self) -> str:
        """Ending of the names of its figures; none of the usual four."""
        return "" if self == USUAL else f"_of_{self.settings}" + "_named" * self.named + "_searches" * self.searches


USUAL = Question(4, 0)


@cache
def kinds_of(question: Question) -> dict[int, tuple[str, ...]]:
    """Kinds that exist in one copy at every size, the one that is made where nothing was tried first."""
    if question == USUAL:
        return CASES
    study, found = draw_other_study(0, question.settings, question.named), {}
    for coupons in CASES:
        usual = usual_kind(study, coupons)[0]
        possible = [k for k in KINDS if k != "auto" and (k not in CLASSICAL or _in_one_copy(study, k, coupons))]
        found[coupons] = (usual, *(k for k in possible if k != usual))
    return found


def sizes_of(question: Question) -> dict[int, tuple[str, ...]]:
    """`kinds_of`, and of four settings the searches step by step, or one search as the tool begins it."""
    if question.searches:
        return {MOST: (AS_THE_TOOL,)}
    return ALL_CASES if question == USUAL else kinds_of(question)


def _in_one_copy(study: doe.Study, kind: str, coupons: int) -> bool:
    return fits(study, kind, coupons) and coupons <= sizes(study, kind)[0][1]


def one(question: Question, family: str, seed: int, commit: str) -> list[Record]:
    """Every case of one line; one record that counts nowhere where 0.97 is out of reach or no line fits."""
    warm_up()
    head = {"family": family, "seed": seed, "settings": question.settings, "named": question.named, "commit": commit}
    nothing = {"coupons": 0, "kind": AS_THE_TOOL if question.searches else "none"}
    try:
        line = question.line(family, seed)
    except InputError:
        return [head | nothing | {"best": 0.0, "width": 0.0}]
    study = line.study
    head |= {"best": line.best().robust_pass, "width": width(study)}
    if head["best"] < POSSIBLE:
        return [head | nothing]
    found = []
    for coupons, kinds in sizes_of(question).items():
        for kind in kinds:
            if coupons == MOST:
                found.append(head | {"coupons": MOST, "kind": kind} | _steps(line, kind.split(", ")[1], seed))
                continue
            plan = doe.make_plan(study, coupons=coupons, kind=kind, seed=seed)
            results = line.run(plan.coupons, seed, DEFAULT_SCORING)
            answer = doe.recommend(study, doe.fit(study, results, seed=seed), seed=seed)
            found.append(head | {"coupons": coupons, "kind": kind} | _record(line, answer, len(results)))
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


def outcomes(
    records: Sequence[Record], question: Question, coupons: int, kind: str, *, wide: bool | None = None
) -> list[Record]:
    """Records of one kind and size on lines where 0.97 is possible."""
    return [
        r
        for r in records
        if Question.of(r) == question
        and r["coupons"] == coupons
        and r["kind"] == kind
        and r["best"] >= POSSIBLE
        and (wide is None or (r["width"] >= WIDE_FROM) == wide)
    ]


def worths(found: Sequence[Record]) -> FloatArray:
    """What each setpoint is worth, as `doe.plans.decisions` ranks plans: 1 if it holds, -1 if it is far off, else 0."""
    true = np.array([r["true"] for r in found])
    return np.asarray((true >= TARGET).astype(float) - (true < TARGET - FAR_OFF))


def gain(found: Sequence[Record], usual: Sequence[Record]) -> Figure:
    """What a kind is worth minus the usual one on the same lines, with the standard error of this paired difference."""
    by_seed = {r["seed"]: w for r, w in zip(usual, worths(usual), strict=True)}
    pairs = [(w, by_seed[r["seed"]]) for r, w in zip(found, worths(found), strict=True) if r["seed"] in by_seed]
    return mean(w - base for w, base in pairs)


def chosen(records: Sequence[Record], question: Question, coupons: int, *, wide: bool | None, sure: bool) -> str:
    """The kind worth most; if it must be ``sure``, of the usual one and those better than it beyond chance."""
    kinds = sizes_of(question)[coupons]
    found = {kind: outcomes(records, question, coupons, kind, wide=wide) for kind in kinds}
    if sure:
        gains = {kind: gain(found[kind], found[kinds[0]]) for kind in kinds}
        kinds = tuple(k for k in kinds if k == kinds[0] or gains[k][0] > BEYOND * gains[k][1])
    return max(kinds, key=lambda kind: worths(found[kind]).mean() if found[kind] else 0.0)


def told(records: Sequence[Record], question: Question) -> tuple[str, Figures]:
    """One row a kind and size, ranges of either width beside each other."""
    rows, figures = [], {f"lines{question.tail}": float(len({r["seed"] for r in records}))}
    for coupons, kinds in sizes_of(question).items():
        for kind in kinds:
            row = [str(coupons), kind]
            for wide in (None, False, True):
                found = outcomes(records, question, coupons, kind, wide=wide)
                usual = outcomes(records, question, coupons, kinds[0], wide=wide)
                true = np.array([r["true"] for r in found])
                row += [cell(share(true >= TARGET)), cell(share(true < TARGET - FAR_OFF))]
                row.append("" if kind == kinds[0] else cell(gain(found, usual)))
                if wide is None:
                    label = f"{coupons}_{re.sub('[^a-z]+', '_', kind)}{question.tail}"
                    figures[f"reached_{label}"] = share(true >= TARGET)[0]
                    figures[f"gain_{label}"] = gain(found, usual)[0]
            rows.append(row)
    head = ["holds", "far off", "minus the first"]
    head = ["coupons", "kind", *head, *(f"{w}: {name}" for w in ("narrow", "wide") for name in head)]
    return table(head, rows), figures


def left_out(records: Sequence[Record], question: Question) -> tuple[str, Figures]:
    """Each family judged with the kinds that the other families choose for its narrow and its wide ranges."""
    rows, figures = [], Figures()
    for coupons, kinds in sizes_of(question).items():
        judged: dict[str, list[Record]] = {"sure": [], "most": [], "first": []}
        for family in sorted({r["family"] for r in records}):
            others = [r for r in records if r["family"] != family]
            own = [r for r in records if r["family"] == family]
            here: dict[str, list[Record]] = {name: [] for name in judged}
            sure = [chosen(others, question, coupons, wide=wide, sure=True) for wide in (False, True)]
            most = [chosen(others, question, coupons, wide=wide, sure=False) for wide in (False, True)]
            for name, picked in (("sure", sure), ("most", most), ("first", [kinds[0]] * 2)):
                for wide in (False, True):
                    here[name] += outcomes(own, question, coupons, picked[wide], wide=wide)
                judged[name] += here[name]
            rows.append([str(coupons), family, " / ".join(sure), _worth(here["sure"])])
            rows[-1] += [" / ".join(most), _worth(here["most"]), _worth(here["first"])]
        rows.append([str(coupons), "all", "", _worth(judged["sure"]), "", _worth(judged["most"]), ""])
        rows[-1][-1] = _worth(judged["first"])
        for name, label in (("sure", "left_out_sure"), ("most", "left_out"), ("first", "first")):
            figures[f"{label}_worth_{coupons}{question.tail}"] = float(worths(judged[name]).mean())
    head = ["coupons", "family left out", "better beyond chance: narrow / wide", "its worth here"]
    return table([*head, "worth most: narrow / wide", "its worth here", "the first kind's"], rows), figures


def _worth(found: Sequence[Record]) -> str:
    return f"{worths(found).mean():.2f}" if found else "none"


def section(records: Sequence[Record], question: Question, cases: str) -> tuple[str, Figures]:
    """What is told of one question, under its head."""
    able = {r["seed"]: r["width"] >= WIDE_FROM for r in records if r["best"] >= POSSIBLE}
    lines = f"{cases}; 0.97 is possible on {len(able)}, {sum(able.values())} of them with wide ranges"
    shares, figures = told(records, question)
    text = f"{question.head}\n\nOf {lines}{made_at(records)}.\n\n{shares}"
    if question.searches:  # nothing to choose from
        return text, figures
    families, more = left_out(records, question)
    return f"{text}\n\n{families}", figures | more


def kept_sections(name: str) -> tuple[dict[str, str], Figures]:
    """What a page says by question, and its figures: questions that are not asked again keep what was measured."""
    path = RESULTS / f"{name}.md"
    if not path.exists():
        return {}, {}
    page = path.read_text(encoding="utf-8")
    head, _, printed = page.partition("## What was printed\n\n")
    figures = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    if not printed.startswith("### "):  # of four settings alone, from before there were others
        how = ", ".join(f"{what} {found[1]}" for what in ("commit", "date", "cases") if (found := _line(head, what)))
        printed = f"{USUAL.head}\n\nKept as it was printed once: {how}.\n\n{printed}"
    parts = re.split(r"^(?=### )", printed, flags=re.MULTILINE)
    return {part.partition("\n")[0]: part.strip() for part in parts if part.strip()}, figures


def _line(head: str, label: str) -> re.Match[str] | None:
    return re.search(rf"^- {label}: (.+)$", head, re.MULTILINE)


def write_tables(records: Sequence[Record], questions: Sequence[Question], cases: str) -> None:
    """The shares that the tool reads, beside where they come from; rows of other questions stay as they are."""
    path = ROOT / "templates" / "tables" / "plan_decisions.toml"
    head, *blocks = re.split(r"\n(?=\[\[plans\]\]\n)", path.read_text(encoding="utf-8").strip())
    rows = [tomllib.loads(block)["plans"][0] for block in blocks]
    now = {(row["coupons"], row["wide"]): row["kind"] for row in rows if row.get("taken")}
    blocks = [b.strip() for b, row in zip(blocks, rows, strict=True) if Question.of(row) not in questions]
    for question in sorted(questions):
        label = f"# {question.name}: {cases}; checks alone, lines where 0.97 is possible{made_at(records)}."
        notes = [n for n in head.splitlines() if not n.startswith(f"# {question.name}:")]
        at = max(i for i, n in enumerate(notes) if n.startswith("#"))
        head = "\n".join([*notes[: at + 1], label, *notes[at + 1 :]])
        for coupons, kinds in sizes_of(question).items():
            for kind in kinds:
                for wide in (False, True):
                    block = _block(records, question, coupons, kind, wide=wide)
                    is_taken = question == USUAL and kind == _taken(records, now, coupons, wide=wide)
                    blocks.append(block + "\ntaken = true" * is_taken)
    path.write_text("\n\n".join([head.strip(), *blocks]) + "\n", encoding="utf-8")


def _taken(records: Sequence[Record], now: dict[tuple[int, bool], str], coupons: int, *, wide: bool) -> str:
    """The kind made of four settings: the one made now, or the best of those better than it beyond chance."""
    kept = now.get((coupons, wide), "")
    own = outcomes(records, USUAL, coupons, kept, wide=wide)
    gains = {k: gain(outcomes(records, USUAL, coupons, k, wide=wide), own) for k in ALL_CASES[coupons] if kept}
    better = {kind: found[0] for kind, found in gains.items() if found[0] > BEYOND * found[1]}
    return max(better, key=lambda kind: better[kind], default=kept)


def _block(records: Sequence[Record], question: Question, coupons: int, kind: str, *, wide: bool) -> str:
    """One row of the table; of four settings without a difference: one of them is marked as taken."""
    usual = sizes_of(question)[coupons][0]
    found = outcomes(records, question, coupons, kind, wide=wide)
    true = np.array([r["true"] for r in found])
    difference, error, _ = gain(found, outcomes(records, question, coupons, usual, wide=wide))
    of_others = [
        f"settings = {question.settings}",
        f"named = {question.named}",
        f'usual = "{usual}"',
        f"gain = {difference:.4f}",
        f"gain_error = {error:.4f}",
    ]
    lines = [
        "[[plans]]",
        f'kind = "{kind}"',
        f"coupons = {coupons}",
        f"wide = {str(wide).lower()}",
        f"lines = {len(found)}",
        f"holds = {(true >= TARGET).mean():.4f}",
        f"far_off = {(true < TARGET - FAR_OFF).mean():.4f}",
        f"made = {np.mean([r['made'] for r in found]):.1f}",
        *(() if question == USUAL else of_others[:2] if question.searches else of_others),
    ]
    return "\n".join(lines)


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
        texts: dict[str, str] = {}
        if given.write is not None:
            texts, kept = kept_sections("-".join(filter(None, (Path(__file__).stem, given.write))))
            figures.update(kept)
        asked = sorted((r for r in records if r["seed"] in seeds), key=lambda r: r["seed"])
        for question in questions:
            found = [r for r in asked if Question.of(r) == question]
            texts[question.head], more = section(found, question, cases)
            figures.update(more)
        print("\n\n".join(texts[head] for head in sorted(texts)))
    if given.tables:
        write_tables([r for r in asked if Question.of(r) in questions], questions, cases)


if __name__ == "__main__":
    main()
