"""Two facts that older programs kept as sentences are fields; an older book or export is brought up to date."""

from __future__ import annotations

import json
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path

import pytest

from doe.book.book import Book
from doe.book.older import AS_DIALLED, AT_SURFACE
from doe.domain.plan_kinds import is_as_dialled
from tests.book.samples import make_plan

OLDER = Path(__file__).with_name("book_of_schema_0004.sql")


@pytest.fixture
def older(tmp_path: Path) -> Path:
    path = tmp_path / "shop.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(OLDER.read_text(encoding="utf-8"))
    return path


def facts(book: Book) -> tuple[list[tuple[str, str, tuple[str, ...]]], dict[str, tuple[bool, tuple[str, ...]]]]:
    """Scale and notes of each study's first round; field and cautions of each recipe."""
    infos = [(record.name, book.plan_info(record.id).rounds[0]) for record in book.studies()]
    rounds = sorted((name, info.scale, info.notes) for name, info in infos)
    return rounds, {k.recipe.name: (k.recipe.as_dialled, k.recipe.cautions) for k in book.recipes()}


EXPECTED = (
    [("first article", "surface", ("invented",)), ("made long ago", "dial", ("invented",))],
    {"tee white": (False, ()), "as dialled": (True, ("Keep it dry.",))},
)


def test_an_older_book_is_upgraded_with_its_facts(older: Path) -> None:
    with Book.open(older, who="Ina", upgrade=True) as book:
        assert facts(book) == EXPECTED
        assert book.check() == []
        first, second = (book.study(name).id for name in ("first article", "made long ago"))
        assert not is_as_dialled(book.plan_info(first).rounds)
        assert is_as_dialled(book.plan_info(second).rounds)


def test_an_upgraded_book_refuses_changes_as_before(older: Path) -> None:
    with Book.open(older, who="Ina", upgrade=True):
        pass
    with closing(sqlite3.connect(older)) as connection:
        for table in ("rounds", "recipes"):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                connection.execute(f"UPDATE {table} SET id = id + 1000")


def test_an_export_of_an_older_program_comes_in_with_its_facts(older: Path, tmp_path: Path) -> None:
    """The export as that program wrote it: no column for the scale, no field in the recipe, the sentences instead."""
    with Book.open(older, who="Ina", upgrade=True) as book:
        book.export(tmp_path / "now.zip")
    with zipfile.ZipFile(tmp_path / "now.zip") as archive:
        content = json.loads(archive.read("book.json"))
    for row in content["tables"]["rounds"]:
        row["notes"] += [AT_SURFACE] if row.pop("scale") == "surface" else []
    for row in content["tables"]["recipes"]:
        row["data"]["cautions"] += [AS_DIALLED] if row["data"].pop("as_dialled") else []
    with zipfile.ZipFile(tmp_path / "then.zip", "w") as archive:
        archive.writestr("book.json", json.dumps(content))
    with Book.open(tmp_path / "new.sqlite", who="Ina") as book:
        book.import_(tmp_path / "then.zip")
        assert facts(book) == EXPECTED
        assert book.check() == []


def test_a_round_remembers_its_scale(older: Path) -> None:
    with Book.open(older, who="Ina", upgrade=True) as book:
        key = book.study("first article").id
        book.save_round(key, make_plan(2, number=2), kind="more", seed=1, scale="surface")
        book.save_round(key, make_plan(2, number=3), kind="more", seed=1)
        assert [made.scale for made in book.plan_info(key).rounds] == ["surface", "surface", "dial"]
