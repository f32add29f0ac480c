"""Tables of headline figures for README.md and DEVELOPERS.md, built from what the scripts wrote.

Usage::

    python -m tests.benchmarks.headlines            # prints them
    python -m tests.benchmarks.headlines --write    # puts them between their markers in both files

A block begins with `<!-- figures: NAME -->` and ends with `<!-- end -->`, each on a line of its own. No figure in it is
typed by hand, and a test fails when one differs from what the scripts wrote last: change words here, not there.
"""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tests.benchmarks.results import RESULTS, ROOT, Figures, table

FILES = ("README.md", "DEVELOPERS.md")
BLOCK = re.compile(r"<!-- figures: (\S+) -->\n(.*?)<!-- end -->", re.DOTALL)
COUPONS = (20, 28)
LINK = "tests/benchmarks/results"

WORLDS = (
    ("decisions-locked-checks", "one round", ("20", "28")),
    ("decisions-locked-checks-grades", "graded", ("20", "28")),
    ("decisions-locked-grades", "graded, hand-feel too", ("20", "28")),
    ("decisions-locked-checks-steps", "step by step", ("40_steps",)),
    ("decisions-locked-checks-grades-steps", "graded, step by step", ("40_steps",)),
    ("decisions-locked-grades-steps", "graded, step by step, hand-feel too", ("40_steps",)),
)
"""Pages of decisions, the heads of their columns, and the endings of the cases that stand in one."""

QUALITY = (
    ("coupons made, mean", "made", "26 step by step", -1),
    (
        "the setpoint truly reaches 95 %, machines wandering (lines where 97 % is possible)",
        "reached",
        "0.72 / 0.82; 0.88",
        1,
    ),
    ("the setpoint is truly below 80 % (same lines)", "bad", "0.05 / 0.02; 0.02", -1),
    ("the 90 % lower bound holds", "bound", "0.90", 1),
    ("the same for the kind of line on which it holds least often", "bound_worst_kind", "0.82 / 0.85; 0.85", 1),
    (
        "chance to reach 95 %, said against was, largest gap of six bins, of those with 20 lines or more",
        "chance_gap",
        "0.08 / 0.07; 0.07",
        -1,
    ),
    ("called *ready* (lines where 97 % is possible)", "ready", "", 0),
    ("of those called *ready*: truly below 90 %", "ready_below_090", "0.03 / 0.02; 0.02", -1),
    ("*not reachable* is said where no setting reaches 95 %", "out_of_reach_said_where_true", "0.85 / 0.90; 0.95", 1),
    ("*not reachable* is said although 97 % is possible", "out_of_reach_said_where_false", "0.05 / 0.04; 0.03", -1),
    ("share of a window's volume that is truly below 95 %", "window_below", "0.15 / 0.10; 0.10", -1),
)
"""What is said, the name of its figure, what is wanted with 20 / 28 coupons; step by step, and whether more (1) or less
(-1) is better."""


@dataclass(frozen=True)
class Headline:
    """One row of the developers' table.

    Attributes
    ----------
    label, wanted : str
        What is measured, and what is wanted of it (empty where nothing was fixed).
    page : str
        Name of the page in `results/`, without its ending.
    measured : str
        Template over the page's figures.
    """

    label: str
    wanted: str
    page: str
    measured: str


def _both(name: str, digits: int = 2) -> str:
    """Template of one row of the decisions' table: 20 / 28 coupons with standard errors."""
    return " / ".join(f"{{{name}_{n}:.{digits}f}} ± {{{name}_{n}_se:.{digits}f}}" for n in COUPONS)


HEADLINES = (
    Headline(
        "truly 0.95 or more at the setpoint (0.97 possible), 20 / 28 coupons",
        "0.72 / 0.82",
        "decisions-locked-checks",
        _both("reached"),
    ),
    Headline(
        "the same, graded, step by step up to 40; coupons made",
        "0.88; 26",
        "decisions-locked-checks-grades-steps",
        "{reached_40_steps:.2f} ± {reached_40_steps_se:.2f}; {made_40_steps:.1f}",
    ),
    Headline(
        "the same with 20 coupons: one factor at a time / least squares / Firth / Gaussian process / version 0.2.0",
        "",
        "side_by_side",
        "{reached_one_factor_at_a_time:.2f} / {reached_quadratic_least_squares:.2f} / {reached_quadratic_Firth:.2f} / "
        "{reached_GP_classifier:.2f} / {reached_version_0_2_0:.2f}",
    ),
    Headline("truly below 0.80 (same lines)", "0.05 / 0.02", "decisions-locked-checks", _both("bad")),
    Headline(
        "hand-feel wanted: both limits of its mean hold (stated 0.80)",
        "0.78 to 0.90",
        "decisions-locked-grades",
        _both("hand_both_hold"),
    ),
    Headline("90 % bound holds, all lines", "0.90 / 0.90", "decisions-locked-checks", _both("bound")),
    Headline("90 % bound holds, worst kind", "0.82 / 0.85", "decisions-locked-checks", _both("bound_worst_kind")),
    Headline(
        "chance to reach the target, said against was, largest gap of six bins",
        "0.08 / 0.07",
        "decisions-locked-checks",
        "{chance_gap_20:.2f} / {chance_gap_28:.2f}",
    ),
    Headline(
        "*not reachable* where true", "0.85 / 0.90", "decisions-locked-checks", _both("out_of_reach_said_where_true")
    ),
    Headline(
        "*not reachable* where false", "0.05 / 0.04", "decisions-locked-checks", _both("out_of_reach_said_where_false")
    ),
    Headline("*ready*, truly below 0.90", "0.03 / 0.02", "decisions-locked-checks", _both("ready_below_090")),
    Headline(
        "windows: share of volume truly below target", "0.15 / 0.10", "decisions-locked-checks", _both("window_below")
    ),
    Headline("windows without width in a setting", "0 / 0", "decisions-locked-checks", _both("window_flat")),
    Headline(
        "fit and answer, one core, median; slowest of 100; 20 / 28 coupons",
        "1 s; 2 s",
        "decisions-locked-checks",
        "{seconds_20:.2f} / {seconds_28:.2f} s; {seconds_of_100_20:.2f} / {seconds_of_100_28:.2f} s",
    ),
    Headline(
        "limits and intervals at 0.90: lowest share that holds, exact / about / at least",
        "0.88",
        "assure_coverage",
        "{lowest_exact:.3f} / {lowest_about:.3f} / {lowest_at_least:.3f}",
    ),
    Headline(
        "a setpoint that just misses its claim is confirmed, 6 set-ups",
        "0.10",
        "confirmation",
        "{lucky_6:.3f} ± {lucky_6_se:.3f}",
    ),
    Headline(
        "*same recipe holds* said, true drop below 2 points / 15 or more",
        "",
        "comparisons",
        "{holds_small:.2f} / {holds_large:.2f}",
    ),
    Headline(
        "diagnosis: true cause first, by symptoms alone / facts too / gauges and packets too; settled on a wrong one",
        "0.55 / 0.75; 0.05",
        "diagnosis",
        "{first_symptoms_only:.2f} / {first_symptoms_and_facts:.2f} / {first_gauges_and_packets_too:.2f}; "
        "{settled_wrong_symptoms_and_facts:.2f}",
    ),
    Headline(
        "mean ranks of the truth over draws from the priors, 2 factors",
        "0.50",
        "calibration-2-factors",
        "{lowest_mean:.2f} to {highest_mean:.2f}",
    ),
    Headline("the same with 4 factors", "0.50", "calibration-4-factors", "{lowest_mean:.2f} to {highest_mean:.2f}"),
    Headline(
        "means of robust rates beside a dense grid / long random walks, posterior sd",
        "0.00",
        "sampler_reference",
        "{grid_means_off:+.3f} / {walks_means_off:+.3f}",
    ),
    Headline(
        "retune with 12 coupons, another supplier: target reached with the old study at 0 / 0.3 / 1",
        "",
        "prior_knowledge",
        "{reached_supplier_12_0:.2f} / {reached_supplier_12_03:.2f} / {reached_supplier_12_1:.2f}",
    ),
    Headline(
        "a shop's fifth study truly 0.95 or more: 12 coupons / 12 and its four studies (`--shop`) / 20; the same of a "
        "stranger to it",
        "12 do what 20 do",
        "shops-locked",
        "{reach_fifth_study_alone:.2f} / {reach_fifth_study_shop:.2f} / {reach_fifth_study_more:.2f} "
        "({reach_fifth_study_against_more:+.2f} ± {reach_fifth_study_against_more_se:.2f}); "
        "{reach_stranger_alone:.2f} / {reach_stranger_shop:.2f} / {reach_stranger_more:.2f}",
    ),
    Headline(
        "stated rate more than 10 points off: answers warned of for their priors / others",
        "",
        "priors-pulls",
        "{far_off_pulled:.0f} of {answers_pulled:.0f} / {far_off_others:.0f} of {answers_others:.0f}",
    ),
    Headline("`doe --help` against `import typer`", "2.2 times", "cli_speed", "{help_ratio:.2f} times"),
    Headline(
        "`doe demo`, wall time; `doe report`, `study show`, `recipe list`, of a core beyond Python's start",
        "30 s; 3 s, 0.5 s, 0.5 s",
        "cli_speed",
        "{demo_s:.0f} s; {core_s_report_1:.1f} s, {core_s_study_show:.2f} s, {core_s_recipe_list:.2f} s",
    ),
    Headline("1,000 studies with 30,000 coupons opened and listed", "0.5 s", "book_speed", "{open_and_list_s:.2f} s"),
    Headline(
        "plan of 28 coupons, 4 factors; all kinds compared",
        "",
        "plans_speed",
        "{make_4_28_s:.2f} s; {compare_4_28_s:.2f} s",
    ),
    Headline(
        "pages, 20 devices beside 260 silent connections: 95 % of answers within",
        "100 ms",
        "bench_page_load",
        "{within_95_ms:.0f} ms",
    ),
    Headline(
        "fit of 2,800 coupons; most memory",
        "60 s; 500 MB",
        "fit_speed-growth",
        "{fit_s_2800_coupons_600_draws:.0f} s; {most_mb_2800_coupons_600_draws:.0f} MB",
    ),
)


def figures_of(page: str) -> Figures:
    """What a script wrote last, by name."""
    found: Figures = json.loads((RESULTS / f"{page}.json").read_text(encoding="utf-8"))
    return found


def quality() -> str:
    """How often the tool is right, for the README."""
    pages = [(figures_of(page), cases) for page, _, cases in WORLDS]
    lines = {f"{found[f'lines_{case}']:.0f}" for found, cases in pages for case in cases}
    said = (
        f"On {', '.join(sorted(lines))} simulated lines with a known truth; no family's shape is one that the tool "
        "was tuned on, how walls, machines and people are drawn is\n"
        "(four factors, ranges 5 to 14 setting errors wide, wanted pass rate 95 %; checks alone unless it says "
        "otherwise). Shares of lines with\n20 / 28 coupons or step by step up to 40, ± one standard error; "
        f"**bold**: misses what is wanted. Pages: {', '.join(f'[{page}]({LINK}/{page}.md)' for page, *_ in WORLDS)}.\n"
    )
    rows = [
        [label, wanted, *(_with_error(found, name, cases, wanted, better) for found, cases in pages)]
        for label, name, wanted, better in QUALITY
    ]
    return said + "\n" + table(["", "wanted", *(head for _, head, _ in WORLDS)], rows) + "\n"


def _with_error(found: Figures, name: str, cases: Sequence[str], wanted: str, better: int) -> str:
    """One figure of each case of a page, with its standard error; bold where it misses what is wanted."""
    digits = 1 if name == "made" else 2
    told = []
    for case in cases:
        names = [key for key in (f"{name}_{case}", f"{name}_{case}_se") if key in found]
        text = " ± ".join(f"{found[key]:.{digits}f}" for key in names)
        limit = _wanted_of(wanted, case)
        told.append(
            f"**{text}**" if limit is not None and better * (round(found[names[0]], digits) - limit) < 0 else text
        )
    return " / ".join(told)


def _wanted_of(wanted: str, case: str) -> float | None:
    """What is wanted of one case, or None."""
    numbers = [float(number) for number in re.findall(r"\d+(?:\.\d+)?", wanted)]
    if "step by step" in wanted:
        return numbers[0] if case.endswith("steps") else None
    if len(numbers) < 2:
        return numbers[0] if numbers else None
    return dict(zip(("20", "28", "40_steps"), numbers, strict=True))[case]


def headlines() -> str:
    """One row a headline figure, for DEVELOPERS.md."""
    rows = [
        [row.label, row.wanted, row.measured.format(**figures_of(row.page)), f"[{row.page}]({LINK}/{row.page}.md)"]
        for row in HEADLINES
    ]
    return table(["figure", "wanted", "measured", "page"], rows) + "\n"


BLOCKS: dict[str, Callable[[], str]] = {"decisions": quality, "headlines": headlines}


def renewed(text: str) -> str:
    """A file's text with every block built anew.

    Raises
    ------
    KeyError
        If a block has a name that is none of `BLOCKS`.
    """
    return BLOCK.sub(lambda m: f"<!-- figures: {m[1]} -->\n{BLOCKS[m[1]]()}<!-- end -->", text)


def main() -> None:
    """Print the blocks, or put them into the files."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="put the blocks between their markers")
    if not parser.parse_args().write:
        print("\n".join(build() for build in BLOCKS.values()))
        return
    for name in FILES:
        text = (ROOT / name).read_text(encoding="utf-8")
        (ROOT / name).write_text(renewed(text), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
