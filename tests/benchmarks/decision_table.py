"""The benchmark's figures with their standard errors, as markdown tables."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Record = dict[str, Any]
FloatArray = NDArray[np.float64]

SUCCESS, BAD, READY_BAD, REACHABLE = 0.95, 0.80, 0.90, 0.97
OWN = "this tool"


def _mean(values: Iterable[float]) -> tuple[float, float, int]:
    v = np.array(list(values), dtype=float)
    if not len(v):
        return np.nan, np.nan, 0
    return float(v.mean()), float(v.std(ddof=1) / np.sqrt(len(v))) if len(v) > 1 else np.nan, len(v)


def _share(values: Iterable[bool]) -> tuple[float, float, int]:
    """Share and its standard error; at 0 or 1 that of a count half a case away, so that it is not zero."""
    v = np.array(list(values), dtype=bool)
    n = len(v)
    if not n:
        return np.nan, np.nan, 0
    p = float(v.mean())
    q = min(max(p, 0.5 / n), 1 - 0.5 / n)
    return p, float(np.sqrt(q * (1 - q) / n)), n


def _cell(figure: tuple[float, float, int], digits: int = 2) -> str:
    value, error, n = figure
    if not n:
        return "none"
    spread = "" if np.isnan(error) else f" ± {error:.{digits}f}"
    return f"{value:.{digits}f}{spread}"


def reachable(records: Iterable[Record]) -> list[Record]:
    """Lines on which the target can be met with room to spare."""
    return [r for r in records if r["best"] >= REACHABLE]


def out_of_reach(records: Iterable[Record]) -> list[Record]:
    """Lines on which no setting meets the target."""
    return [r for r in records if r["best"] < r["target"]]


def lower_bound_holds(records: Iterable[Record]) -> tuple[float, float, int]:
    """Share of lines whose true rate at the setpoint is at least the stated lower bound."""
    return _share(r["true"] >= r["pass_rate_low"] for r in records)


def hand_holds(records: Iterable[Record], *, both: bool) -> tuple[float, float, int]:
    """Share of lines whose true hand-feel at the setpoint keeps to the stated lower limit, or to both limits."""
    return _share(
        r["hand_low"] <= r["hand_true"] and (not both or r["hand_true"] <= r["hand_high"])
        for r in records
        if r.get("hand_low") is not None
    )


def worst_kind(records: Sequence[Record]) -> str:
    """Kind of line on which the lower bound holds least often, with the figure."""
    kinds = sorted({r["kind"] for r in records})
    figures = {k: lower_bound_holds(r for r in records if r["kind"] == k) for k in kinds}
    kind = min(figures, key=lambda k: figures[k][0])
    return f"{_cell(figures[kind])} ({kind})"


def _seconds(record: Record) -> float:
    return float(record["fit_s"] + record["recommend_s"])


def _gain(records: Sequence[Record], over: str) -> tuple[float, float, int]:
    return _mean(
        float(r["true"] >= SUCCESS) - float(r["baselines"][over] >= SUCCESS) for r in records if "baselines" in r
    )


ROWS: tuple[tuple[str, Callable[[list[Record]], str]], ...] = (
    ("lines", lambda rs: str(len(rs))),
    (
        "true robust pass >= 0.95 at the setpoint (best >= 0.97)",
        lambda rs: _cell(_share(r["true"] >= SUCCESS for r in reachable(rs))),
    ),
    ("mean true robust pass (same lines)", lambda rs: _cell(_mean(r["true"] for r in reachable(rs)), 3)),
    ("best possible (same lines)", lambda rs: _cell(_mean(r["best"] for r in reachable(rs)), 3)),
    ("bad answer, true < 0.80 (same lines)", lambda rs: _cell(_share(r["true"] < BAD for r in reachable(rs)))),
    ("lower bound holds, all lines", lambda rs: _cell(lower_bound_holds(rs))),
    ("lower bound holds, worst kind", worst_kind),
    ("stated minus true pass rate, mean", lambda rs: _cell(_mean(r["pass_rate"] - r["true"] for r in rs), 3)),
    ("share called ready (best >= 0.97)", lambda rs: _cell(_share(r["verdict"] == "ready" for r in reachable(rs)))),
    (
        "of those called ready, truly < 0.90",
        lambda rs: _cell(_share(r["true"] < READY_BAD for r in rs if r["verdict"] == "ready")),
    ),
    (
        "of those called ready, truly below target",
        lambda rs: _cell(_share(r["true"] < r["target"] for r in rs if r["verdict"] == "ready")),
    ),
    (
        "not reachable said where true (best < target)",
        lambda rs: _cell(_share(r["verdict"] == "not reachable" for r in out_of_reach(rs))),
    ),
    (
        "not reachable said where false (best >= 0.97)",
        lambda rs: _cell(_share(r["verdict"] == "not reachable" for r in reachable(rs))),
    ),
    ("lines with a window", lambda rs: _cell(_share(r["window_below"] is not None for r in rs))),
    (
        "share of window volume truly below target",
        lambda rs: _cell(_mean(r["window_below"] for r in rs if r["window_below"] is not None)),
    ),
    (
        "the same for assured windows",
        lambda rs: _cell(_mean(r["assured_below"] for r in rs if r["assured_below"] is not None)),
    ),
    ("hand-feel on the scorers' scale: lower limit holds (0.90)", lambda rs: _cell(hand_holds(rs, both=False))),
    ("hand-feel on the scorers' scale: both limits hold (0.80)", lambda rs: _cell(hand_holds(rs, both=True))),
    ("gain in success over one factor at a time", lambda rs: _cell(_gain(reachable(rs), "one factor at a time"))),
    ("processor seconds, fit + recommendation, mean", lambda rs: _cell(_mean(map(_seconds, rs)))),
    ("processor seconds, slowest of 20", lambda rs: f"{np.quantile([*map(_seconds, rs)], 0.95):.2f}"),
)


def _table(head: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    rows = [head, ["---"] * len(head), *body]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def _cases(records: Sequence[Record]) -> list[tuple[int, int]]:
    return sorted({(r["coupons"], r["rounds"]) for r in records}, key=lambda c: (c[1], c[0]))


def _of_case(records: Sequence[Record], case: tuple[int, int]) -> list[Record]:
    return [r for r in records if (r["coupons"], r["rounds"]) == case]


def _name(case: tuple[int, int]) -> str:
    return f"{case[0]} coupons" + (", two rounds" if case[1] == 2 else "")


def main_table(records: Sequence[Record]) -> str:
    """One column a number of coupons, one row a figure."""
    cases = _cases(records)
    body = [[label, *(figure(_of_case(records, c)) for c in cases)] for label, figure in ROWS]
    return _table(["", *map(_name, cases)], body)


def kinds_table(records: Sequence[Record], case: tuple[int, int]) -> str:
    """One row a kind of line."""
    body = []
    for kind in dict.fromkeys(r["kind"] for r in records):
        of = [r for r in _of_case(records, case) if r["kind"] == kind]
        body.append(
            [
                kind,
                str(len(of)),
                _cell(_share(r["true"] >= SUCCESS for r in of)),
                _cell(_mean(r["true"] for r in of), 3),
                _cell(_mean(r["best"] for r in of), 3),
                _cell(_share(r["true"] < BAD for r in of)),
                _cell(lower_bound_holds(of)),
                _cell(_mean(r["pass_rate"] - r["true"] for r in of), 3),
                *(_cell(_share(r["verdict"] == v for r in of)) for v in ("ready", "more coupons", "not reachable")),
                _cell(_mean(r["window_below"] for r in of if r["window_below"] is not None)),
            ]
        )
    return _table(
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
        said = _mean(c - t for c, t in zip(claims[name], true, strict=True)) if name in claims else (0, 0, 0)
        body.append(
            [
                name,
                _cell(_share(t >= SUCCESS for t in true)),
                _cell(_mean(true), 3),
                _cell(_share(t < BAD for t in true)),
                _cell(said, 3) if said[2] else "says nothing",
            ]
        )
    return _table(["way", "true >= 0.95", "mean true", "true < 0.80", "stated minus true"], body)


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
                    _cell(lower_bound_holds(said)),
                    worst_kind(said),
                    _cell(_mean(r["pass_rate"] - r["true"] for r in said), 3),
                    _cell(_share(r["true"] >= SUCCESS for r in reachable(said))),
                ]
            )
    return _table(
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
            methods = methods_table(sound, case)
            if methods:
                parts.append(f"### {_name(case)}, beside the usual ways\n\n{methods}")
    return "\n\n".join(parts)
