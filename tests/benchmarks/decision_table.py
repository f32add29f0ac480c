"""The benchmark's figures with their standard errors, as markdown tables."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from tests.benchmarks.decision_case import STEPWISE
from tests.benchmarks.results import Figure, Figures, Record, cell, mean, share, table

SUCCESS, BAD, READY_BAD, REACHABLE = 0.95, 0.80, 0.90, 0.97
OWN = "this tool"


def reachable(records: Iterable[Record]) -> list[Record]:
    """Lines on which the target can be met with room to spare."""
    return [r for r in records if r["best"] >= REACHABLE]


def out_of_reach(records: Iterable[Record]) -> list[Record]:
    """Lines on which no setting meets the target."""
    return [r for r in records if r["best"] < r["target"]]


def lower_bound_holds(records: Iterable[Record]) -> Figure:
    """Share of lines whose true rate at the setpoint is at least the stated lower bound."""
    return share(r["true"] >= r["pass_rate_low"] for r in records)


def hand_holds(records: Iterable[Record], *, both: bool) -> Figure:
    """Share of lines whose true hand-feel at the setpoint keeps to the stated lower limit, or to both limits."""
    return share(
        r["hand_low"] <= r["hand_true"] and (not both or r["hand_true"] <= r["hand_high"])
        for r in records
        if r.get("hand_low") is not None
    )


def _by_kind(records: Sequence[Record]) -> tuple[str, Figure]:
    """Kind of line on which the lower bound holds least often, and how often."""
    figures = {k: lower_bound_holds(r for r in records if r["kind"] == k) for k in sorted({r["kind"] for r in records})}
    kind = min(figures, key=lambda k: figures[k][0])
    return kind, figures[kind]


def worst_kind(records: Sequence[Record]) -> str:
    """The same as a cell of a table."""
    kind, figure = _by_kind(records)
    return f"{cell(figure)} ({kind})"


def _ready(records: Iterable[Record]) -> list[Record]:
    return [r for r in records if r["verdict"] == "ready"]


def _seconds(records: Iterable[Record], at: float) -> Figure:
    """A quantile of processor seconds."""
    spent = [float(r["fit_s"] + r["recommend_s"]) for r in records]
    return float(np.quantile(spent, at)), np.nan, len(spent)


def _gain(records: Sequence[Record], over: str) -> Figure:
    return mean(
        float(r["true"] >= SUCCESS) - float(r["baselines"][over] >= SUCCESS) for r in records if "baselines" in r
    )


def _reached_by(records: Sequence[Record], way: str) -> Figure:
    return share(r["baselines"][way] >= SUCCESS for r in records if "baselines" in r)


CHANCES = tuple(round(i / 6, 3) for i in range(7))
"""Ends of the bins of the stated chance to reach the target."""
FEW_IN_BIN = 20
"""Lines that a bin needs before its gap is looked at."""


def chances(records: Sequence[Record]) -> list[tuple[float, float, float, Figure]]:
    """For each bin: its ends, the mean chance stated there, and the share of lines that truly reach the target."""
    said = np.array([r["p_target"] for r in records])
    bins = np.clip(np.digitize(said, CHANCES) - 1, 0, len(CHANCES) - 2)
    true = np.array([r["true"] >= r["target"] for r in records])
    return [
        (
            CHANCES[i],
            CHANCES[i + 1],
            float(said[bins == i].mean()) if (bins == i).any() else np.nan,
            share(true[bins == i]),
        )
        for i in range(len(CHANCES) - 1)
    ]


def _largest_gap(records: Sequence[Record]) -> Figure:
    gaps = [abs(said - was[0]) for *_, said, was in chances(records) if was[2] >= FEW_IN_BIN]
    return max(gaps, default=np.nan), np.nan, len(gaps)


Statement = Callable[[list[Record]], Figure]
ROWS: tuple[tuple[str, str, Statement, int], ...] = (
    # name in the JSON file, label in the table, figure, digits
    ("made", "coupons made, mean", lambda rs: mean(r["made"] for r in rs), 1),
    (
        "reached",
        "true robust pass >= 0.95 at the setpoint (best >= 0.97)",
        lambda rs: share(r["true"] >= SUCCESS for r in reachable(rs)),
        2,
    ),
    ("mean_true", "mean true robust pass (same lines)", lambda rs: mean(r["true"] for r in reachable(rs)), 3),
    ("best", "best possible (same lines)", lambda rs: mean(r["best"] for r in reachable(rs)), 3),
    ("bad", "bad answer, true < 0.80 (same lines)", lambda rs: share(r["true"] < BAD for r in reachable(rs)), 2),
    ("bound", "lower bound holds, all lines", lower_bound_holds, 2),
    ("bound_worst_kind", "lower bound holds, worst kind", lambda rs: _by_kind(rs)[1], 2),
    (
        "stated_minus_true",
        "stated minus true pass rate, mean",
        lambda rs: mean(r["pass_rate"] - r["true"] for r in rs),
        3,
    ),
    (
        "chance_gap",
        f"chance to reach the target, said against was: largest gap of six bins ({FEW_IN_BIN} lines or more)",
        _largest_gap,
        2,
    ),
    (
        "ready",
        "share called ready (best >= 0.97)",
        lambda rs: share(r["verdict"] == "ready" for r in reachable(rs)),
        2,
    ),
    (
        "ready_below_090",
        "of those called ready, truly < 0.90",
        lambda rs: share(r["true"] < READY_BAD for r in _ready(rs)),
        2,
    ),
    (
        "ready_below_target",
        "of those called ready, truly below target",
        lambda rs: share(r["true"] < r["target"] for r in _ready(rs)),
        2,
    ),
    (
        "out_of_reach_said_where_true",
        "not reachable said where true (best < target)",
        lambda rs: share(r["verdict"] == "not reachable" for r in out_of_reach(rs)),
        2,
    ),
    (
        "out_of_reach_said_where_false",
        "not reachable said where false (best >= 0.97)",
        lambda rs: share(r["verdict"] == "not reachable" for r in reachable(rs)),
        2,
    ),
    ("with_window", "lines with a window", lambda rs: share(r["window_below"] is not None for r in rs), 2),
    (
        "window_below",
        "share of window volume truly below target",
        lambda rs: mean(r["window_below"] for r in rs if r["window_below"] is not None),
        2,
    ),
    (
        "window_flat",
        "windows without width in a setting",
        lambda rs: share(r["window_flat"] for r in rs if r.get("window_flat") is not None),
        2,
    ),
    (
        "assured_below",
        "share of volume truly below target, assured windows",
        lambda rs: mean(r["assured_below"] for r in rs if r["assured_below"] is not None),
        2,
    ),
    (
        "hand_low_holds",
        "hand-feel on the scorers' scale: lower limit holds (0.90)",
        lambda rs: hand_holds(rs, both=False),
        2,
    ),
    (
        "hand_both_hold",
        "hand-feel on the scorers' scale: both limits hold (0.80)",
        lambda rs: hand_holds(rs, both=True),
        2,
    ),
    (
        "one_factor_reached",
        "one factor at a time with as many coupons: true >= 0.95 (best >= 0.97)",
        lambda rs: _reached_by(reachable(rs), "one factor at a time"),
        2,
    ),
    (
        "gain_over_one_factor",
        "gain in success over one factor at a time",
        lambda rs: _gain(reachable(rs), "one factor at a time"),
        2,
    ),
    ("seconds", "processor seconds, fit + recommendation, median", lambda rs: _seconds(rs, 0.5), 2),
    ("seconds_of_20", "processor seconds, slowest of 20", lambda rs: _seconds(rs, 0.95), 2),
    ("seconds_of_100", "processor seconds, slowest of 100", lambda rs: _seconds(rs, 0.99), 2),
)


def headlines(records: Sequence[Record]) -> Figures:
    """Every row of the main table by name and coupons, as `reached_20` and its standard error `reached_20_se`."""
    sound = [r for r in records if "error" not in r]
    seeds = [r["seed"] for r in records]
    said: Figures = {"errors": len(records) - len(sound), "first_seed": min(seeds), "last_seed": max(seeds)}
    for case in _cases(sound):
        of, ending = _of_case(sound, case), f"{case[0]}" + {2: "_two_rounds", STEPWISE: "_steps"}.get(case[1], "")
        said[f"lines_{ending}"] = len(of)
        for name, _, figure, _ in ROWS:
            value, error, count = figure(of)
            if count:
                said |= {f"{name}_{ending}": value, f"{name}_{ending}_se": error}
    return said


def _cases(records: Sequence[Record]) -> list[tuple[int, int]]:
    return sorted({(r["coupons"], r["rounds"]) for r in records}, key=lambda c: (c[1], c[0]))


def _of_case(records: Sequence[Record], case: tuple[int, int]) -> list[Record]:
    return [r for r in records if (r["coupons"], r["rounds"]) == case]


def _name(case: tuple[int, int]) -> str:
    if case[1] == STEPWISE:
        return f"step by step, up to {case[0]}"
    return f"{case[0]} coupons" + (", two rounds" if case[1] == 2 else "")


def main_table(records: Sequence[Record]) -> str:
    """One column a number of coupons, one row a figure."""
    columns = [_of_case(records, case) for case in _cases(records)]
    body = [["lines", *(str(len(of)) for of in columns)]]
    for name, label, figure, digits in ROWS:
        cells = [cell(figure(of), digits) for of in columns]
        if name == "bound_worst_kind":
            cells = [worst_kind(of) for of in columns]
        body.append([label, *cells])
    return table(["", *map(_name, _cases(records))], body)


def chances_table(records: Sequence[Record]) -> str:
    """One row a bin of the stated chance to reach the target."""
    body = [
        [f"{low:.2f} to {high:.2f}", str(was[2]), f"{said:.2f}" if was[2] else "none", cell(was)]
        for low, high, said, was in chances(records)
    ]
    return table(["stated chance", "lines", "mean stated", "target truly reached"], body)


def kinds_table(records: Sequence[Record], case: tuple[int, int]) -> str:
    """One row a kind of line."""
    body = []
    for kind in dict.fromkeys(r["kind"] for r in records):
        of = [r for r in _of_case(records, case) if r["kind"] == kind]
        body.append(
            [
                kind,
                str(len(of)),
                cell(share(r["true"] >= SUCCESS for r in of)),
                cell(mean(r["true"] for r in of), 3),
                cell(mean(r["best"] for r in of), 3),
                cell(share(r["true"] < BAD for r in of)),
                cell(lower_bound_holds(of)),
                cell(mean(r["pass_rate"] - r["true"] for r in of), 3),
                *(cell(share(r["verdict"] == v for r in of)) for v in ("ready", "more coupons", "not reachable")),
                cell(mean(r["window_below"] for r in of if r["window_below"] is not None)),
            ]
        )
    return table(
        [
            "kind of line",
            "lines",
            "true >= 0.95",
            "mean true",
            "best",
            "true < 0.80",
            "lower bound holds",
            "stated minus true",
            "ready",
            "more coupons",
            "not reachable",
            "window below target",
        ],
        body,
    )


def methods_table(records: Sequence[Record], case: tuple[int, int]) -> str:
    """This tool beside the usual ways, on lines where the target can be met."""
    of = [r for r in reachable(_of_case(records, case)) if "baselines" in r]
    if not of:
        return ""
    ways: dict[str, list[float]] = {OWN: [r["true"] for r in of]}
    claims: dict[str, list[float]] = {OWN: [r["pass_rate"] for r in of]}
    for name in of[0]["baselines"]:
        ways[name] = [r["baselines"][name] for r in of]
        if name in of[0]["claims"]:
            claims[name] = [r["claims"][name] for r in of]
    ways["best possible"] = [r["best"] for r in of]
    body = []
    for name, true in ways.items():
        said = mean(c - t for c, t in zip(claims[name], true, strict=True)) if name in claims else (0, 0, 0)
        body.append(
            [
                name,
                cell(share(t >= SUCCESS for t in true)),
                cell(mean(true), 3),
                cell(share(t < BAD for t in true)),
                cell(said, 3) if said[2] else "says nothing",
            ]
        )
    return table(["way", "true >= 0.95", "mean true", "true < 0.80", "stated minus true"], body)


OVENS = {
    "usual": "a batch shares 0.3 to 0.7 of a temperature's error variance",
    "whole": "a batch shares all of it",
}


def oven_table(records: Sequence[Record], coupons: int) -> str:
    """One row an oven error and a model: the same coupons, fitted with and without batch errors."""
    of = [r for r in records if r["coupons"] == coupons]
    body = []
    for oven, label in OVENS.items():
        for model in ("with", "without"):
            said = [r | r[oven][model] for r in of]
            body.append(
                [
                    label,
                    model,
                    str(len(said)),
                    cell(lower_bound_holds(said)),
                    worst_kind(said),
                    cell(mean(r["pass_rate"] - r["true"] for r in said), 3),
                    cell(share(r["true"] >= SUCCESS for r in reachable(said))),
                ]
            )
    return table(
        [
            "oven and press error",
            "batch errors in the model",
            "lines",
            "lower bound holds",
            "worst kind",
            "stated minus true",
            "true >= 0.95 (best >= 0.97)",
        ],
        body,
    )


def oven_report(records: Sequence[Record]) -> str:
    """One table a number of coupons."""
    parts, sound = _failures(records)
    for coupons in sorted({r["coupons"] for r in sound}):
        parts.append(f"### {coupons} coupons, with and without batch errors\n\n{oven_table(sound, coupons)}")
    return "\n\n".join(parts)


def _failures(records: Sequence[Record]) -> tuple[list[str], list[Record]]:
    """What to say of cases that raised an error, and the others."""
    failed = [r for r in records if "error" in r]
    sound = [r for r in records if "error" not in r]
    if not failed:
        return [], sound
    last = failed[-1]
    named = f"{last['kind']} seed {last['seed']}, {last['coupons']} coupons"
    said = f"**Cases that raised an error: {len(failed)}**, the last on {named}:\n\n```\n{last['error']}```"
    return [said], sound


def report(records: Sequence[Record]) -> str:
    """All tables; cases that raised are counted and named first."""
    parts, sound = _failures(records)
    if sound:
        parts.append(main_table(sound))
        for case in _cases(sound):
            parts.append(f"### {_name(case)}, by kind of line\n\n{kinds_table(sound, case)}")
            stated = chances_table(_of_case(sound, case))
            parts.append(f"### {_name(case)}, chance to reach the target\n\n{stated}")
            methods = methods_table(sound, case)
            if methods:
                parts.append(f"### {_name(case)}, beside the usual ways\n\n{methods}")
    return "\n\n".join(parts)
