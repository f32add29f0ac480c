"""Measurements come from the scripts that made them: pages are whole, and quoted figures are those of the pages."""

from __future__ import annotations

import argparse
import json
import math
import re
import socket
from pathlib import Path

import pytest

from doe.assure.confirmation.allocation import LUCKY
from doe.setpoint.chances import CHECKS_ALONE, CHECKS_GRADED, HAND_GRADED, HAND_TOO
from tests.benchmarks import headlines, results

PAGES = sorted(path for path in results.RESULTS.glob("*.md") if path.stem != "asvs")  # that one is written by hand
SCRIPTS = results.RESULTS.parent
WAITING: set[str] = set()
"""Scripts whose pages wait: for code that is being replaced, or for a machine that does nothing else for hours."""


def line_of(page: str, label: str) -> str:
    """What a page says under a label of its head."""
    found = re.search(rf"^- {label}: (.+)$", page, re.MULTILINE)
    assert found, f"no line '- {label}:'"
    return found[1]


@pytest.mark.parametrize("path", PAGES, ids=lambda p: p.stem)
def test_a_page_says_how_it_was_made(path: Path) -> None:
    page = path.read_text(encoding="utf-8")
    script = line_of(page, "script").strip("`")
    assert (results.ROOT / script).is_file()
    command = line_of(page, "command").strip("`").split()
    assert command[:2] == ["python", "-m"]
    assert (results.ROOT / f"{command[2].replace('.', '/')}.py") == results.ROOT / script
    assert path.stem.split("-")[0] == Path(script).stem
    assert "--write" in command
    assert re.match(r"\d+\.\d+", line_of(page, "version"))
    assert re.fullmatch(r"[0-9a-f]{7,}( and uncommitted changes)?", line_of(page, "commit"))
    assert re.match(r"\d{4}-\d{2}-\d{2} \d{2}:\d{2} UTC", line_of(page, "date"))
    assert all(word in line_of(page, "machine") for word in ("cores", "Python", "NumPy", "SciPy"))
    assert line_of(page, "cases")


@pytest.mark.parametrize("path", sorted(results.RESULTS.glob("*.json")), ids=lambda p: p.stem)
def test_headline_figures_are_numbers_by_name_beside_their_page(path: Path) -> None:
    figures = json.loads(path.read_text(encoding="utf-8"))
    assert all(isinstance(v, (int, float)) and math.isfinite(v) for v in figures.values())
    assert all(re.fullmatch(r"[a-zA-Z0-9_]+", name) for name in figures)
    page = path.with_suffix(".md").read_text(encoding="utf-8")
    assert line_of(page, "figures").startswith(f"{len(figures)} headline figures")


def test_every_script_that_writes_pages_has_one_or_says_that_it_waits() -> None:
    writing = {p.stem for p in SCRIPTS.glob("*.py") if "written(" in p.read_text(encoding="utf-8")} - {"results"}
    assert writing - {p.stem.split("-")[0] for p in PAGES} <= WAITING


@pytest.mark.parametrize("name", headlines.FILES)
def test_figures_between_markers_are_those_of_the_pages(name: str) -> None:
    text = (results.ROOT / name).read_text(encoding="utf-8")
    assert text.count("<!-- figures:") == len(headlines.BLOCK.findall(text)), "a block has no end"
    assert text == headlines.renewed(text), "run python -m tests.benchmarks.headlines --write"


@pytest.mark.parametrize("name", headlines.BLOCKS)
def test_a_quoted_figure_that_differs_is_noticed(name: str) -> None:
    block = f"before\n<!-- figures: {name} -->\n{headlines.BLOCKS[name]()}<!-- end -->\nafter\n"
    assert headlines.renewed(block) == block
    figure = re.findall(r"\d\.\d\d", block)[-1]
    other = block.replace(figure, "9.99")
    assert other != block
    assert headlines.renewed(other) == block


def test_chances_are_moved_as_was_fitted() -> None:
    found = headlines.figures_of("chances")

    def fitted(spec: str) -> dict[str, tuple[float, float]]:
        return {
            claim: (round(found[f"shift_{short}_{spec}"], 2), round(found[f"slope_{short}_{spec}"], 2))
            for claim, short in (("setpoint reaches", "target"), ("any reaches", "reachable"))
        }

    assert fitted("checks") == CHECKS_ALONE
    assert fitted("hand") == HAND_TOO
    assert fitted("checks_graded") == CHECKS_GRADED
    assert fitted("hand_graded") == HAND_GRADED


def test_what_confirmations_say_of_set_ups_is_what_was_measured() -> None:
    found = headlines.figures_of("confirmation")
    assert {set_ups: round(found[f"lucky_{set_ups}"], 2) for set_ups in LUCKY} == LUCKY


def test_a_block_with_an_unknown_name_is_refused() -> None:
    with pytest.raises(KeyError, match="guesses"):
        headlines.renewed("<!-- figures: guesses -->\n0.99\n<!-- end -->\n")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(results, "RESULTS", tmp_path / "results")
    monkeypatch.setattr("sys.argv", ["trial", "--out", str(tmp_path / "kept.jsonl"), "--write"])
    return tmp_path / "results"


def run(words: list[str]) -> argparse.Namespace:
    """A run of an invented script with its options."""
    given = results.arguments("Trial.").parse_args(words)
    with results.written(given, "trial.py", "A trial.\n\nUsage::\n\n    run it\n", cases="one") as figures:
        print(results.table(["a"], [["0.5"]]))
        figures["half"], figures["none"] = 0.5, math.nan
    return given


def test_a_page_holds_what_was_printed_and_the_figures(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(["--write"])
    page, printed = (folder / "trial.md").read_text(encoding="utf-8"), capsys.readouterr().out
    assert printed == "| a |\n| --- |\n| 0.5 |\n"
    assert page.endswith(printed)
    assert page.startswith("# A trial\n")
    assert "Usage:\n\n    run it" in page
    assert json.loads((folder / "trial.json").read_text(encoding="utf-8")) == {"half": 0.5}
    assert line_of(page, "figures").startswith("1 headline")


def test_a_page_names_neither_the_machine_nor_its_folders(folder: Path) -> None:
    run(["--write"])
    page = (folder / "trial.md").read_text(encoding="utf-8")
    assert socket.gethostname() not in page
    assert str(folder.parent) not in page
    assert str(results.ROOT) not in page
    assert "--out kept.jsonl" in page


def test_parts_have_pages_of_their_own_and_nothing_is_kept_unasked(folder: Path) -> None:
    run([])
    assert not folder.exists()
    run(["--write", "half"])
    assert sorted(p.name for p in folder.iterdir()) == ["trial-half.json", "trial-half.md"]


def test_nothing_is_kept_of_a_run_that_breaks_off(folder: Path) -> None:
    given = results.arguments("Trial.").parse_args(["--write"])
    with pytest.raises(ZeroDivisionError), results.written(given, "trial.py", "Trial.", cases="one"):
        print(1 / 0)
    assert not folder.exists()


def test_what_was_tried_repeats_no_figure_and_names_pages_that_are_there() -> None:
    text = (SCRIPTS / "tried.md").read_text(encoding="utf-8")
    assert re.findall(r"\d\.\d|±|\d %", text) == []
    named = re.findall(r"\]\((results[^)]*)\)", text)
    assert len(named) > 15
    assert [name for name in named if not (SCRIPTS / name).exists()] == []
