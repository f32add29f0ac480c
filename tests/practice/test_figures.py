"""The figures of the decisions benchmark, on records small enough to count by hand."""

from __future__ import annotations

from typing import Any

import pytest

from doe.setpoint.verdict import OUT_OF_REACH
from tests.benchmarks import decision_case as cases
from tests.benchmarks import decision_table as figures
from tests.benchmarks import decisions


def record(**changes: Any) -> dict[str, Any]:
    usual = {
        "kind": "smooth",
        "seed": 1,
        "coupons": 20,
        "rounds": 1,
        "best": 0.98,
        "target": 0.95,
        "true": 0.96,
        "pass_rate": 0.95,
        "pass_rate_low": 0.90,
        "made": 20,
        "verdict": "ready",
        "p_target": 0.7,
        "window_below": 0.25,
        "assured_below": None,
        "fit_s": 0.25,
        "recommend_s": 0.25,
        "baselines": {"one factor at a time": 0.90},
        "claims": {},
    }
    return usual | changes


@pytest.fixture
def four() -> list[dict[str, Any]]:
    return [
        record(),
        record(true=0.70, window_below=0.75, kind="sharp"),
        record(true=0.96, verdict="not reachable", window_below=None, baselines={"one factor at a time": 0.96}),
        record(best=0.60, true=0.50, verdict="not reachable", window_below=None, kind="unreachable"),
    ]


def cells(records: list[dict[str, Any]]) -> dict[str, str]:
    rows = figures.main_table(records).splitlines()[2:]
    split = [[part.strip() for part in row.strip("|").split("|")] for row in rows]
    return {row[0]: row[1] for row in split}


def test_figures_are_the_counts_they_name(four):
    shown = cells(four)
    # standard errors by hand: sqrt(p (1 - p) / n); of a mean, sd / sqrt(n)
    assert shown["lines"] == "4"
    assert shown["true robust pass >= 0.95 at the setpoint (best >= 0.97)"] == "0.67 ± 0.27"
    assert shown["bad answer, true < 0.80 (same lines)"] == "0.33 ± 0.27"
    assert shown["lower bound holds, all lines"] == "0.50 ± 0.25"
    assert shown["lower bound holds, worst kind"] in ("0.00 ± 0.50 (sharp)", "0.00 ± 0.50 (unreachable)")
    assert shown["of those called ready, truly < 0.90"] == "0.50 ± 0.35"
    assert shown["not reachable said where true (best < target)"].startswith("1.00")
    assert shown["not reachable said where false (best >= 0.97)"] == "0.33 ± 0.27"
    assert shown["share of window volume truly below target"] == "0.50 ± 0.25"
    assert shown["gain in success over one factor at a time"] == "0.33 ± 0.33"
    assert shown["processor seconds, fit + recommendation, median"].startswith("0.50")


def test_stated_chances_are_held_against_what_was_true():
    stated = [record(p_target=0.9, true=0.96 if i < 18 else 0.94) for i in range(24)]
    few = [record(p_target=0.1) for _ in range(figures.FEW_IN_BIN - 1)]  # far off, but too few to be looked at
    *_, last = figures.chances(stated + few)
    assert last[2:] == (pytest.approx(0.9), (0.75, pytest.approx((0.75 * 0.25 / 24) ** 0.5), 24))
    assert figures.headlines(stated + few)["chance_gap_20"] == pytest.approx(0.15)


def test_headline_figures_are_those_of_the_table(four):
    said, shown = figures.headlines(four), cells(four)
    assert said["lines_20"] == 4
    for name, label, _, digits in figures.ROWS:
        if name == "bound_worst_kind" or f"{name}_20" not in said:
            continue
        assert shown[label].startswith(f"{said[f'{name}_20']:.{digits}f}"), label


def test_a_case_that_raised_is_counted_and_named():
    text = figures.report([record(), {"error": "Traceback ...", "kind": "easy", "seed": 9, "coupons": 12, "rounds": 1}])
    assert "Cases that raised an error: 1" in text
    assert "easy seed 9, 12 coupons" in text


def test_seeds_for_tuning_and_for_published_figures_never_meet():
    tuning = {seed for _, seed in decisions.wanted_lines(10_000, "tuning", ["easy"])}
    published = {seed for _, seed in decisions.wanted_lines(10_000, "published", ["easy"])}
    assert not tuning & published
    with pytest.raises(SystemExit, match="9999"):
        decisions.wanted_lines(10, "tuning", ["easy"], 9_995)


def test_a_run_goes_on_where_it_stopped(tmp_path):
    out = tmp_path / "records.jsonl"
    out.write_text('{"kind": "easy", "seed": 0, "coupons": 20, "rounds": 1}\n{"kind": "easy", "se')
    done = {decisions.key(r) for r in decisions.read_records(out)}
    jobs = decisions.missing([("easy", 0), ("easy", 1)], [(20, 1), (28, 1)], done)
    assert jobs == [("easy", 0, [(28, 1)]), ("easy", 1, [(20, 1), (28, 1)])]
    decisions.append_records(out, [record(kind="easy", seed=5)])
    assert [r["seed"] for r in decisions.read_records(out)] == [0, 5]


def test_kept_chances_are_judged_by_todays_thresholds():
    kept = record(
        verdict="more coupons",
        made=20,
        p_target=0.0,
        p_reachable=0.0,
        best_pass_rate=0.4,
        pass_rate=0.3,
        pass_rate_low=0.1,
    )
    assert cases.judged(kept)["verdict"] == "not reachable"
    assert cases.judged(kept | {"p_reachable": OUT_OF_REACH + 0.01})["verdict"] == "more coupons"
    assert cases.judged(kept | {"p_reachable": OUT_OF_REACH - 0.01, "made": 8})["verdict"] == "more coupons"
    assert cases.judged(kept | {"pass_rate": 0.96, "pass_rate_low": 0.9})["verdict"] == "ready"
    assert "verdict" not in cases.judged({"error": "Traceback ..."})


def test_the_ovens_table_counts_bounds_with_and_without_batch_errors():
    def said(true: float, low: float) -> dict[str, float]:
        return {"true": true, "pass_rate": 0.95, "pass_rate_low": low}

    usual = {"with": said(0.9, 0.8), "without": said(0.9, 0.8)}
    lines = [
        {
            "kind": kind,
            "seed": i,
            "coupons": 28,
            "rounds": 0,
            "best": 0.98,
            "target": 0.95,
            "usual": usual,
            "whole": {"with": said(0.9, 0.8), "without": said(0.9, 0.95 if i else 0.8)},
        }
        for i, kind in enumerate(("smooth", "sharp"))
    ]
    rows = [[c.strip() for c in row.strip("|").split("|")] for row in figures.oven_table(lines, 28).splitlines()[2:]]
    assert [row[1] for row in rows] == ["with", "without"] * 2
    assert [row[3].split(" ")[0] for row in rows] == ["1.00", "1.00", "1.00", "0.50"]
    assert rows[3][4].endswith("(sharp)")
    assert "28 coupons" in figures.oven_report(lines)


def test_batch_errors_are_fitted_on_one_side_of_the_ovens_table_only():
    record = cases.run_oven("easy", 1, [10])[0]
    assert "error" not in record
    for oven in cases.OVEN_ERRORS:
        assert record[oven]["with"] != record[oven]["without"]
    assert record["usual"]["with"] != record["whole"]["with"]
