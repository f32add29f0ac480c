"""Command lines and files that nobody should type, drawn over every command and every file that a command reads."""

from __future__ import annotations

import csv
import io
import os
import shutil
import signal
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from doe.acts.demo.run import _record, _set_up
from doe.acts.demo.story import read_rounds, read_story
from doe.book.book import Book
from doe.cli.app import app
from doe.domain.errors import InputError
from tests.cli.test_examples import COMMANDS, in_order
from tests.shop import STUDY, Shop, quick_line

NASTY = [
    *("", " ", "-", "--", "-1", "0", "1e400", "nan", "inf", "-inf", "1e-320", "9" * 30, "0x10", "1_000", "1,5", "½"),
    *("=", "a=", "=b", "a=b=c", "..", "1..", "..2", "2..1", "1..2..3", "140-", "@", "x@", ";", ";;", "a;b", "a;lot="),
    *("200", "320", "320F", "-40C", "150 K", "150 psi", "20 %", "120%", "0.5", "R1-01", "R9-99", "true", "none", "NaT"),
    *("%s", "{}", "{0}", "{x!r}", "{{7*7}}", "<script>", "'; DROP TABLE acts; --", "$(id)", "\\", "\t", "\n", "a\nb"),
    *("\u202eabc", "\ud83d", "\udc80", "é", "e\u0301", "한", "🔥", "\x1b[31m", "\x07", "ｱ", "x" * 300, "y" * 5000),
    *("no/such/file.html", "no/such.xlsx", "sheet.pdf", ".", "sub", "a.csv", "a.xlsx", "a.zip", "shop.sqlite", "[1"),
    *("postgresql://x:y@127.0.0.1:1/b", "mysql://a/b", "postgresql://", "sqlite://", "://", "R1-01,R1-02", "ana=6"),
    *("release", "press_temp", "press_temp=1..2", "dwell=8..8", "cure_time=-5..5", "platen=left/right,every", "1/0"),
]
"""What people, pasting hands and other programs have typed somewhere."""

SLOW = ("fit", "recommend", "extend", "confirm", "release", "compare", "report", "plan", "practice", "demo", "recipe")
"""Commands that may take seconds when what was typed happens to be right; asked less often."""

WORDS = st.one_of(
    st.sampled_from(NASTY),
    st.text(st.characters(exclude_characters="/~\0"), max_size=12),
    st.integers(-(10**20), 10**20).map(str),
    st.floats().map(str),
)
_AS_HERE = {"new powder": STUDY, "tee-fine": "heavy tee, fine powder", "back-room": "back room"}


@dataclass(frozen=True)
class Case:
    """One command line, and the file it finds, if it reads one."""

    words: tuple[str, ...]
    file: tuple[str, bytes] | None = None
    is_empty: bool = False
    """Whether the study it is about has no coupon yet."""


def _baselines() -> tuple[list[list[str]], list[list[str]]]:
    """Examples of the help, for this book: quick ones and slow ones."""
    known = [[_AS_HERE.get(word, word) for word in words] for words in in_order() if words[0] not in ("bench", "open")]
    known += [["bench", "--port", "70000"], ["open", "--port", "70000"]]
    return [w for w in known if w[0] not in SLOW], [w for w in known if w[0] in SLOW]


@st.composite
def command_lines(draw: st.DrawFn) -> Case:
    """An example of a command with one to three things wrong in it."""
    quick, slow = _BASE
    words = list(draw(st.sampled_from(quick if draw(st.integers(0, 9)) else slow)))
    path = tuple(words[:2]) if tuple(words[:2]) in COMMANDS else tuple(words[:1])
    options = [name for p in COMMANDS[path].params for name in p.opts if name.startswith("--")] or ["--json"]
    for _ in range(draw(st.integers(1, 3))):
        how = draw(st.integers(0, 5))
        at = draw(st.integers(min(len(path), len(words) - 1), len(words) - 1))
        if how == 0:
            words.insert(at + 1, words[at])
        elif how == 1 and len(words) > len(path):
            words.pop(at)
        elif how == 2:
            words += [draw(st.sampled_from(options)), draw(WORDS)]
        elif how == 3 and "=" in words[at]:
            words[at] = words[at].partition("=")[0] + "=" + draw(WORDS)
        else:
            words[at] = draw(WORDS)
    if path[0] in ("bench", "open"):
        words += ["--port", "70000"]  # whatever else was right: nothing is served here
    return Case(tuple(word for word in words if "\0" not in word), is_empty=draw(st.booleans()))


@st.composite
def files(draw: st.DrawFn) -> Case:
    """A file that a command reads, with something wrong in it."""
    name, words = draw(st.sampled_from(_READ))
    content = _FILES[name]
    if name.endswith(".csv") and draw(st.booleans()):
        rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"))))
        for _ in range(draw(st.integers(1, 4))):
            row = draw(st.sampled_from(rows))
            how = draw(st.integers(0, 4))
            if how == 0 and row:
                row.pop(draw(st.integers(0, len(row) - 1)))
            elif how == 1:
                row.insert(draw(st.integers(0, len(row))), draw(WORDS))
            elif how == 2:
                rows.append(list(row))
            elif row:
                row[draw(st.integers(0, len(row) - 1))] = draw(WORDS)
        text = io.StringIO()
        csv.writer(text, delimiter=draw(st.sampled_from(",;\t"))).writerows(rows)
        code = draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16", "latin-1"]))
        content = text.getvalue().encode(code, "replace")
    elif name.endswith((".zip", ".xlsx")) and draw(st.booleans()):
        content = _other_part(draw, content)
    else:
        content = _other_bytes(draw, content)
    return Case(words, (name, content))


def _other_bytes(draw: st.DrawFn, content: bytes) -> bytes:
    changed = bytearray(content)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, max(len(changed) - 1, 0)))
        how = draw(st.integers(0, 3))
        if how == 0:
            del changed[at:]
        elif how == 1:
            changed[at:at] = draw(st.binary(max_size=8))
        elif how == 2:
            del changed[at : at + draw(st.integers(1, 50))]
        elif changed:
            changed[min(at, len(changed) - 1)] = draw(st.integers(0, 255))
    return bytes(changed)


def _other_part(draw: st.DrawFn, content: bytes) -> bytes:
    """A zip whose parts can be read, one of them changed inside: a letter, or a value between its signs."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        names = old.namelist()
        chosen = draw(st.sampled_from(names))
        for name in names:
            part = old.read(name)
            if name == chosen:
                values = part.split(b'"')
                at = draw(st.integers(0, len(values) - 1))
                values[at] = draw(WORDS).encode("utf-8", "surrogatepass" if draw(st.booleans()) else "replace")
                part = b'"'.join(values) if draw(st.booleans()) else _other_bytes(draw, part)
            new.writestr(name, part)
    return made.getvalue()


INPUTS = st.integers(0, 3).flatmap(lambda kind: files() if kind == 0 else command_lines())
_BASE: tuple[list[list[str]], list[list[str]]] = ([], [])
_FILES: dict[str, bytes] = {}
_READ: list[tuple[str, tuple[str, ...]]] = [
    ("entry.csv", ("record", STUDY, "--file", "entry.csv")),
    ("entry.xlsx", ("record", STUDY, "--file", "entry.xlsx")),
    ("own.csv", ("record", STUDY, "--own-sheet", "own.csv")),
    ("own.xlsx", ("record", STUDY, "--own-sheet", "own.xlsx", "--json")),
    ("shop.zip", ("book", "import", "shop.zip", "--book", "other.sqlite")),
    ("damaged.sqlite", ("study", "show", STUDY, "--book", "damaged.sqlite")),
    ("damaged.sqlite", ("book", "check", "--book", "damaged.sqlite")),
]


class _TooLong(Exception):
    pass


class Asked:
    """A shop to ask bad things of: with a scored study, and with one that was only begun."""

    def __init__(self, folder: Path) -> None:
        global _BASE  # noqa: PLW0603 - examples are read once for all drawings
        self.folder = folder / "asked"
        self.home = self.folder / "before"
        self.home.mkdir(parents=True)
        story = read_story()
        for name, rounds in (("scored", 1), ("begun", 0)):
            with Book.open(self.folder / "making.sqlite", who="ana") as book:
                _set_up(book, story)
                for made in read_rounds(story)[:rounds]:
                    _record(book, story.study.name, made)
                if rounds:
                    book.export(self.folder / "shop.zip")
                book.backup(self.home / f"{name}.sqlite")
            (self.folder / "making.sqlite").unlink()
        _BASE = _baselines()
        self.place = self.folder / "place"
        self.runner, self.asked = CliRunner(), 0
        self.clean()
        shop = Shop(self.place, self.place / "scored.sqlite")
        back = Path.cwd()
        os.chdir(self.place)
        for ending in ("csv", "xlsx"):
            shop.good("sheet", STUDY, "-o", f"entry.{ending}", "--person", "ana")
            _FILES[f"entry.{ending}"] = (self.place / f"entry.{ending}").read_bytes()
        _FILES["own.csv"] = b"coupon,cure temp,cure time,press temp,dwell,peel,hand\n" + b"".join(
            f"A{i},{110 + i},{90 + 5 * i},{140 + i},{8 + i},{'ok' if i % 3 else 'peeled'},{3 + i % 3}\n".encode()
            for i in range(10)
        )
        _FILES["own.xlsx"] = _FILES["entry.xlsx"]
        _FILES["shop.zip"] = (self.folder / "shop.zip").read_bytes()
        _FILES["damaged.sqlite"] = (self.home / "scored.sqlite").read_bytes()
        os.chdir(back)
        self.clean()

    def clean(self) -> None:
        """The folder as it was at first."""
        shutil.rmtree(self.place, ignore_errors=True)
        shutil.copytree(self.home, self.place)

    def ask(self, case: Case) -> list[str]:
        """Run one case; what went wrong in the program, never in the input."""
        self.asked += 1
        if self.asked % 50 == 0:
            self.clean()
        if case.file is not None:
            (self.place / case.file[0]).write_bytes(case.file[1])
            (self.place / "other.sqlite").unlink(missing_ok=True)
        env = {
            "DOE_BOOK": "begun.sqlite" if case.is_empty else "scored.sqlite",
            **{"DOE_WHO": "ana", "DOE_UNITS": "", "COLUMNS": "80", "NO_COLOR": "1"},
            **{"DOE_CACHE": "cache", "XDG_STATE_HOME": str(self.folder), "XDG_DATA_HOME": str(self.folder)},
        }
        back = Path.cwd()
        os.chdir(self.place)
        signal.signal(signal.SIGALRM, _give_up)
        signal.alarm(60)
        try:
            with (
                mock.patch("doe.practice.worth.LINES", 1),
                mock.patch("doe.practice.worth.try_line", quick_line),
                mock.patch("doe.acts.study.worth._cores", return_value=1),
                mock.patch("doe.acts.demo.run._tell_story", _no_story),
            ):
                found = self.runner.invoke(app, list(case.words), env=env)
        finally:
            signal.alarm(0)
            os.chdir(back)
        return list(_faults(case, found))


def _faults(case: Case, found: Any) -> Iterator[str]:
    told = f"{case.words!r}" + (f" {case.file[0]} {case.file[1][:0]!r}" if case.file else "")
    error = found.exception
    if isinstance(error, BaseException) and not isinstance(error, SystemExit):
        yield f"traceback: {type(error).__name__} {error} at {told}"
    elif "Traceback" in found.output:
        yield f"traceback: {found.output[-300:]} at {told}"
    if found.exit_code == 3:
        yield f"exit 3: {found.stderr[-300:]} at {told}"
    elif found.exit_code not in (0, 1, 2, 130):
        yield f"traceback: left with {found.exit_code} at {told}"
    elif found.exit_code == 2 and not found.stderr.strip():
        yield f"silent: left with 2 and without a word at {told}"


def _give_up(*_: object) -> None:
    raise _TooLong


def _no_story(*_: object) -> Any:
    raise InputError("demo", "this place", "another one", "It is made elsewhere.")


def run_many(asked: Asked, number: int, tries: int) -> Iterator[Sequence[str]]:
    """Draw and run so many cases, the same ones for the same number; faults of each."""
    found: list[list[str]] = []

    @seed(number)
    @settings(
        max_examples=tries,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(INPUTS)
    def ask(case: Case) -> None:
        found.append(asked.ask(case))

    ask()
    yield from found
