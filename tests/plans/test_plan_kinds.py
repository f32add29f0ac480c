"""The script behind what plans led to: the kinds it tries, what it chooses, and what it leaves as it is."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from doe.domain.jsonable import packaged_table
from doe.plans.decisions import AS_THE_TOOL
from tests.benchmarks import plan_kinds, results
from tests.benchmarks.plan_kinds import USUAL, Question, chosen, gain, kinds_of, one, worths
from tests.benchmarks.results import Record

THREE = Question.parsed("3")


def record(seed: int, kind: str, true: float, *, wide: bool = False, family: str = "bowl") -> Record:
    """A record of three settings and twenty coupons."""
    width = 10.0 if wide else 7.0
    where = {"family": family, "seed": seed, "settings": 3, "named": 0, "commit": "0000000", "best": 0.99}
    return where | {"width": width, "coupons": 20, "kind": kind, "true": true, "made": 20}


def tried(better: int, lines: int = 20) -> list[Record]:
    """Spread holds on as many lines more than composite, which holds on none."""
    spread = [record(s, "spread", 0.97 if s < better else 0.90) for s in range(lines)]
    return spread + [record(s, "composite", 0.90) for s in range(lines)]


def test_kinds_exist_in_one_copy_and_the_usual_one_is_first() -> None:
    assert kinds_of(Question.parsed("3"))[20] == ("composite", "optimal", "d-optimal", "spread")
    assert kinds_of(Question.parsed("3+1"))[12] == ("optimal", "half", "d-optimal", "spread")
    assert kinds_of(Question.parsed("5"))[12][:2] == ("spread", "quarter")
    assert Question.of({"seed": 1}) == USUAL


def test_worth_and_paired_differences_are_those_of_the_lines() -> None:
    lines = tried(5)
    assert worths([record(1, "spread", true) for true in (0.95, 0.94, 0.81, 0.79)]).tolist() == [1, 0, 0, -1]
    difference, error, count = gain(lines[:20], lines[20:])
    assert (difference, count) == (0.25, 20)
    assert error == pytest.approx((0.25 * 0.75 / 19) ** 0.5)


def test_another_kind_is_sure_only_beyond_three_standard_errors() -> None:
    for better, sure in ((2, "composite"), (5, "composite"), (8, "spread")):
        lines = tried(better)
        assert chosen(lines, THREE, 20, wide=None, sure=True) == sure
        assert chosen(lines, THREE, 20, wide=None, sure=False) == "spread"


def test_lines_that_do_not_count_are_not_worked_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plan_kinds, "POSSIBLE", 1.1)
    (found,) = one(Question.parsed("2"), "bowl", 1, "0000000")
    assert (found["coupons"], found["settings"], found["family"]) == (0, 2, "bowl")
    assert plan_kinds.outcomes([found], Question.parsed("2"), 0, "none") == []


def everything(lines: int = 6) -> list[Record]:
    """Every kind and size of three settings, on lines of either width."""
    families = list(plan_kinds.FAMILIES)
    return [
        record(s, kind, 0.97 if (s + len(kind)) % 3 else 0.7, wide=s % 2 == 0, family=families[s % 6]) | {"coupons": n}
        for n, kinds in kinds_of(THREE).items()
        for kind in kinds
        for s in range(lines)
    ]


def test_rows_of_other_questions_stay_as_they_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    name = Path("templates", "tables", "plan_decisions.toml")
    (tmp_path / name).parent.mkdir(parents=True)
    shutil.copy(results.ROOT / name, tmp_path / name)
    monkeypatch.setattr(plan_kinds, "ROOT", tmp_path)
    plan_kinds.write_tables(everything(), [THREE], "6 lines")
    once = (tmp_path / name).read_text("utf-8")
    plan_kinds.write_tables(everything(), [THREE], "6 lines")
    assert (tmp_path / name).read_text("utf-8") == once
    made = plan_kinds.tomllib.loads(once)["plans"]
    others = [row for row in packaged_table("plan_decisions")["plans"] if Question.of(row) != THREE]
    assert [row for row in made if Question.of(row) != THREE] == others
    three = [row for row in made if Question.of(row) == THREE]
    assert len(three) == 2 * sum(len(kinds) for kinds in kinds_of(THREE).values())
    assert {row["lines"] for row in three} == {3}
    assert once.count("# 3 settings: 6 lines") == 1


def test_of_four_settings_another_kind_is_taken_only_beyond_chance(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def four(better: int) -> list[Record]:
        return [
            record(s, kind, 0.97 if kind == "spread" and s < better else 0.90, wide=s % 2 == 0)
            | {"settings": 4, "coupons": n}
            for n, kinds in plan_kinds.ALL_CASES.items()
            for kind in kinds
            for s in range(40)
        ]

    name = Path("templates", "tables", "plan_decisions.toml")
    (tmp_path / name).parent.mkdir(parents=True)
    shutil.copy(results.ROOT / name, tmp_path / name)
    monkeypatch.setattr(plan_kinds, "ROOT", tmp_path)
    before = {(p["coupons"], p["wide"]): p["kind"] for p in packaged_table("plan_decisions")["plans"] if p.get("taken")}
    assert before[20, True] == before[20, False] == "optimal"
    for better, taken in ((10, before[20, True]), (40, "spread")):
        plan_kinds.write_tables(four(better), [USUAL], "40 lines")
        made = plan_kinds.tomllib.loads((tmp_path / name).read_text("utf-8"))["plans"]
        now = {(p["coupons"], p["wide"]): p["kind"] for p in made if p.get("taken")}
        assert len(now) == 6
        assert (now[20, True], now[20, False]) == (taken, taken)


def test_searches_with_other_settings_have_a_section_and_rows_of_their_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    searches = Question.parsed("3+1s")
    assert (searches.name, searches.tail) == (
        "3 settings and one of two levels, step by step",
        "_of_3_named_searches",
    )
    lines = [
        record(s, AS_THE_TOOL, 0.97 if s else 0.9, wide=s % 2 == 0) | {"named": 1, "coupons": 40, "made": 24 + s}
        for s in range(4)
    ]
    assert {Question.of(line) for line in lines} == {searches}
    text, figures = plan_kinds.section(lines, searches, "4 lines")
    assert text.count("\n| 40 | steps, auto | 0.75") == 1
    assert "left out" not in text
    assert figures["reached_40_steps_auto_of_3_named_searches"] == 0.75
    name = Path("templates", "tables", "plan_decisions.toml")
    (tmp_path / name).parent.mkdir(parents=True)
    shutil.copy(results.ROOT / name, tmp_path / name)
    monkeypatch.setattr(plan_kinds, "ROOT", tmp_path)
    plan_kinds.write_tables(lines, [searches], "4 lines")
    made = plan_kinds.tomllib.loads((tmp_path / name).read_text("utf-8"))["plans"]
    narrow, wide = (row for row in made if Question.of(row) == searches)
    assert (narrow["wide"], narrow["holds"], narrow["made"]) == (False, 1.0, 26.0)
    assert (wide["wide"], wide["holds"], wide["made"]) == (True, 0.5, 25.0)


def test_a_page_keeps_what_it_said_of_questions_not_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for ending in ("md", "json"):
        shutil.copy(results.RESULTS / f"plan_kinds.{ending}", tmp_path)
    monkeypatch.setattr(plan_kinds, "RESULTS", tmp_path)
    texts, figures = plan_kinds.kept_sections("plan_kinds")
    assert texts[USUAL.head].count("\n| 40 | steps, spread | 0.62 ± 0.06 |") == 1
    assert figures["reached_20_optimal"] == pytest.approx(0.552632)
    assert plan_kinds.kept_sections("no such page") == ({}, {})
    text, more = plan_kinds.section(everything(), THREE, "6 lines")
    assert text.startswith(
        "### 3 settings\n\nOf 6 lines; 0.97 is possible on 6, 3 of them with wide ranges; records made"
    )
    assert not set(more) & {name for name in figures if "_of_" not in name}
