"""What every script here shares: its options, its tables, and the page in `results/` that a run writes when asked to.

    python -m tests.benchmarks.NAME --write          # writes results/NAME.md and results/NAME.json
    python -m tests.benchmarks.NAME --write PART     # writes results/NAME-PART.md and results/NAME-PART.json

A page holds what the run printed, word for word, under a head that says with which command, version, commit and
machine. The headline figures stand in the JSON file, by name, so that a test can hold quoted figures against them.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.metadata
import io
import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import scipy

from doe.practice.lines import KINDS
from doe.practice.population.draw import FAMILIES

RESULTS = Path(__file__).parent / "results"
ROOT = Path(__file__).parents[2]

LINE_KINDS: tuple[str, ...] = tuple(kind for kind in KINDS if kind != "borderline")
"""Kinds of line taken in turn; on a borderline one neither verdict is wrong, so it teaches nothing here."""

Record = dict[str, Any]
Figure = tuple[float, float, int]
"""A figure, its standard error, and the number of cases behind it."""
Figures = dict[str, float]


def arguments(doc: str | None) -> argparse.ArgumentParser:
    """A parser with what every script takes; the help is the script's docstring."""
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--write",
        nargs="?",
        const="",
        metavar="PART",
        help="keep what is printed as a page in tests/benchmarks/results",
    )
    return parser


def numbers(text: str) -> list[int]:
    """Whole numbers of a comma list."""
    return [int(part) for part in text.split(",")]


@contextlib.contextmanager
def written(
    given: argparse.Namespace, script: str, doc: str | None, *, cases: str, part: str = ""
) -> Iterator[Figures]:
    """Keep what is printed inside as the page of a script, if that was asked for.

    Parameters
    ----------
    given : argparse.Namespace
        Parsed by `arguments`.
    script : str
        The script's `__file__`.
    doc : str
        The script's docstring: its first line heads the page, the rest says what is measured.
    cases : str
        Seeds, lines or other sizes of this run, in words.
    part : str
        Ending of the page's name when ``--write`` names none, for scripts that measure several things.

    Yields
    ------
    dict of str to float
        Empty; headline figures put into it are kept as JSON.
    """
    figures: Figures = {}
    if given.write is None:
        yield figures
        return
    stem = Path(script).stem
    name = "-".join(filter(None, (stem, given.write or part)))
    commit, started, begun = commit_now(), datetime.now(UTC), time.perf_counter()
    printed = _Both(sys.stdout)
    with contextlib.redirect_stdout(printed):
        yield figures
    kept = {label: float(f"{value:.6g}") for label, value in figures.items() if np.isfinite(value)}
    title, _, about = (doc or "").strip().partition("\n")
    head = {
        "script": f"`tests/benchmarks/{stem}.py`",
        "command": f"`{command_line(stem, sys.argv[1:])}`",
        "version": importlib.metadata.version("first-article-tuning"),
        "commit": commit,
        "date": f"{started:%Y-%m-%d %H:%M} UTC, {time.perf_counter() - begun:.0f} s",
        "machine": machine(),
        "cases": cases,
        "figures": f"{len(kept)} headline figures, by name, in `{name}.json`" if kept else "none by name",
    }
    lines = [
        f"# {title.rstrip('.')}",
        "",
        "Written by the script; what is changed by hand is lost.",
        "",
    ]
    lines += [f"- {label}: {value}" for label, value in head.items()]
    lines += [
        "",
        "## What is measured",
        "",
        about.strip().replace("``", "`").replace("::\n", ":\n"),
        "",
        "## What was printed",
        "",
    ]
    RESULTS.mkdir(exist_ok=True)
    page = "\n".join(lines) + "\n" + printed.kept.getvalue().strip() + "\n"
    (RESULTS / f"{name}.md").write_text(page, encoding="utf-8", newline="\n")
    if kept:
        text = json.dumps(kept, indent=2) + "\n"
        (RESULTS / f"{name}.json").write_text(text, encoding="utf-8", newline="\n")


class _Both(io.TextIOBase):
    """Passes text on and keeps it."""

    def __init__(self, shown: Any) -> None:
        self.shown, self.kept = shown, io.StringIO()

    def write(self, text: str) -> int:
        self.shown.write(text)
        return self.kept.write(text)

    def flush(self) -> None:
        self.shown.flush()


def command_line(stem: str, words: Sequence[str]) -> str:
    """The command as it would be typed at the project's root; of absolute paths only the files' names."""
    shown = [",".join(Path(p).name if Path(p).is_absolute() else p for p in w.split(",")) for w in words]
    return " ".join(["python -m", f"tests.benchmarks.{stem}", *shown])


def commit_now() -> str:
    """Short hash of the commit that is checked out, and whether anything but results differs from it."""
    try:
        commit = _git("rev-parse", "--short", "HEAD")
        changed = _git("status", "--porcelain", "--", ".", ":!tests/benchmarks/results")
    except (OSError, subprocess.CalledProcessError):
        return "unknown, no checkout"
    return commit + (" and uncommitted changes" if changed else "")


def _git(*words: str) -> str:
    return subprocess.run(["git", *words], cwd=ROOT, check=True, capture_output=True, text=True).stdout.strip()


def machine() -> str:
    """Cores, processor, memory and versions; neither a name nor a path of the machine."""
    packages = f"Python {platform.python_version()}, NumPy {np.__version__}, SciPy {scipy.__version__}"
    threads = os.environ.get("OMP_NUM_THREADS", "any number of")
    parts = [f"{os.cpu_count()} cores", _processor(), _memory(), platform.system()]
    return f"{', '.join(filter(None, parts))}; {packages}; {threads} thread(s) for linear algebra"


def _processor() -> str:
    try:
        facts = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return platform.processor()
    return next((line.split(":")[1].strip() for line in facts.splitlines() if line.startswith("model name")), "")


def _memory() -> str:
    try:
        return f"{os.sysconf('SC_PHYS_PAGES') * os.sysconf('SC_PAGE_SIZE') / 2**30:.0f} GB"
    except (AttributeError, ValueError, OSError):  # not every system tells it this way
        return ""


def table(head: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    """Rows of text as a markdown table."""
    rows = [head, ["---"] * len(head), *body]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def mean(values: Iterable[float]) -> Figure:
    """Mean and its standard error."""
    v = np.array(list(values), dtype=float)
    if not len(v):
        return np.nan, np.nan, 0
    return float(v.mean()), float(v.std(ddof=1) / np.sqrt(len(v))) if len(v) > 1 else np.nan, len(v)


def share(values: Iterable[bool]) -> Figure:
    """Share and its standard error; at 0 or 1 that of a count half a case away, so that it is not zero."""
    v = np.array(list(values), dtype=bool)
    n = len(v)
    if not n:
        return np.nan, np.nan, 0
    p = float(v.mean())
    q = min(max(p, 0.5 / n), 1 - 0.5 / n)
    return p, float(np.sqrt(q * (1 - q) / n)), n


def cell(figure: Figure, digits: int = 2) -> str:
    """A figure with its standard error, as a table shows it."""
    value, error, n = figure
    if not n:
        return "none"
    spread = "" if np.isnan(error) else f" ± {error:.{digits}f}"
    return f"{value:.{digits}f}{spread}"


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


def tuning_only(records: Sequence[Record]) -> Sequence[Record]:
    """The records, if all are of families on which choices may be made; their family or kind says so.

    Raises
    ------
    SystemExit
        If one is of another family or kind: nothing is chosen on it.
    """
    strangers = {str(r.get("family", r.get("kind"))) for r in records} - set(FAMILIES)
    if strangers:
        raise SystemExit(f"nothing is chosen on {', '.join(sorted(strangers))}: give records of {', '.join(FAMILIES)}")
    return records


def append_records(path: Path | None, records: Sequence[Record]) -> None:
    """Add records, on a line of their own even after a run that was cut short; nothing without a path."""
    if path is None:
        return
    whole = not path.exists() or path.read_text(encoding="utf-8")[-1:] in ("", "\n")
    with path.open("a", encoding="utf-8") as file:
        file.write("" if whole else "\n")
        file.writelines(json.dumps(record) + "\n" for record in records)


def made_at(records: Iterable[Record]) -> str:
    """Commits at which kept records were made, in words."""
    commits = sorted({r["commit"] for r in records if "commit" in r})
    return f"; records made at commit {', '.join(commits)}" if commits else ""
