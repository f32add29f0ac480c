"""No meaning hangs on a sentence: with every sentence reworded, answers, dials and verdicts stay what they are."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from doe.acts.demo.run import BOOK, DemoDone
from tests.demo import copied
from tests.words.reworded import MARK, is_sentence

ROOT = Path(__file__).parents[2]
OF_ITS_OWN = {"inputs_hash", "made_at"}  # a book made in other words holds other check labels, and was made later


def tool(wording: str, what: str, where: Path) -> str:
    words = [sys.executable, "-m", "tests.words.reworded", wording, what, str(where)]
    env = {**os.environ, "OMP_NUM_THREADS": "1"}
    done = subprocess.run(words, cwd=ROOT, env=env, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def facts(wording: str, book: Path, folder: Path) -> dict[str, Any]:
    """Of a copy, since answers given are kept."""
    copy = folder / f"{wording}-{book.parent.name}.sqlite"
    shutil.copy(book, copy)
    return json.loads(tool(wording, "facts", copy))


def comparable(thing: Any) -> Any:
    if isinstance(thing, dict):
        return {k: comparable(v) for k, v in thing.items() if k not in OF_ITS_OWN}
    return [comparable(v) for v in thing] if isinstance(thing, list) else thing


@pytest.fixture(scope="module")
def books(demo_of_the_run: DemoDone, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo in our words and in others: two processes, the first of them that of the run."""
    folder = tmp_path_factory.mktemp("demos")
    plain = copied(demo_of_the_run, folder / "plain").path(BOOK)
    tool("reworded", "demo", folder / "reworded")
    return {"plain": plain, "reworded": folder / "reworded" / BOOK}


@pytest.fixture(scope="module")
def plain(books: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the demo means in our words."""
    return facts("plain", books["plain"], tmp_path_factory.mktemp("plain"))


def test_sentences_are_reworded_in_what_is_shown(books):
    page = (books["reworded"].parent / "report.html").read_text(encoding="utf-8")
    assert page.count(f".{MARK}") > 100
    assert f".{MARK}" not in (books["plain"].parent / "report.html").read_text(encoding="utf-8")
    assert is_sentence("nothing was measured")
    assert not is_sentence("PRAGMA foreign_keys = ON")


def test_a_kept_book_means_the_same_in_other_words(books, plain, tmp_path):
    study = plain["new powder on the heavy tee"]
    assert study["answer"]["verdict"] == "ready"
    assert study["confirmation"]
    assert facts("reworded", books["plain"], tmp_path) == plain


def test_a_book_made_in_other_words_means_the_same(books, plain, tmp_path):
    assert comparable(facts("reworded", books["reworded"], tmp_path)) == comparable(plain)
