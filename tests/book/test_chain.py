"""The chain of acts: whatever is changed behind the book's back is found, and the act is named."""

from __future__ import annotations

import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.book.book import Book
from doe.book.tables import KEPT, SCHEMA_VERSION
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from tests.book.samples import RECIPE, fill, ticking
from tests.postgres import Place, Server

S = "first article"
OLDER = Path(__file__).with_name("book_of_schema_0005.sql")


def fill_all(book: Book) -> None:
    """Something in every table."""
    fill(book)
    book.record(S, [ScoreEntry("R1-01", checks={"release": True}, hand={"ana": 4}, note="n")])
    book.record(S, [ScoreEntry("R1-01", hand={"ana": 4.5})], why="felt again")
    book.add_gauge_reading("line 1", GaugeReading("press", 150, 150, 148))
    book.save_analysis(S, kind="fit", inputs_hash="h", seed=1, version="1", payload={"verdict": "ready"})
    book.withdraw_note(book.save_note("case", "tee", {"cause": "dust"}), "it was ink")
    book.release_recipe(RECIPE, study=None)
    book.add_photo(S, "R1-01", b"\xff\xd8\xff" + bytes(500), face="print", media_type="image/jpeg")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("chain") / "whole.sqlite"
    with Book.open(path, who="Ina", now=ticking()) as book:
        fill_all(book)
        assert book.check() == []
        return book.backup(path.with_name("copy.sqlite"))


def after(whole: Path, place: Path, *changes: str) -> list[str]:
    """What `check` says of a copy in which this was changed, its guards put back afterwards."""
    shutil.copy(whole, place)
    with closing(sqlite3.connect(place)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        for change in changes:
            assert connection.execute(change).rowcount, f"nothing was changed by {change}"
        for _, text in guards:
            connection.execute(text)
        connection.commit()
    with Book.open(place, who="Ina") as book:
        return book.check()


@pytest.mark.parametrize(
    ("change", "act"),
    [
        ("UPDATE entries SET value = 'false' WHERE id = 1", "Act 5 (record first article: R1-01, by Ina"),
        ("UPDATE acts SET who = 'Bo' WHERE id = 6", "Act 6 (record first article: R1-01, by Bo"),
        ("UPDATE acts SET why = 'felt twice' WHERE id = 6", "Act 6 ("),
        ("UPDATE coupons SET settings = replace(settings, '110.0', '111.0') WHERE id = 1", "Act 4 (add round"),
        ("UPDATE studies SET made_at = '2030-01-01T00:00:00+00:00'", "Act 4 ("),
        ("UPDATE recipes SET uid = 'x'", "(release revision 1 tee white"),
        ('UPDATE analyses SET payload = \'{"verdict": "no"}\'', "(keep fit first article"),
        ("DELETE FROM gauge_readings", "(add gauge reading line 1"),
        ("DELETE FROM acts WHERE id = 6", "Act 6 was taken out: its seal is there, the act is not."),
        ("DELETE FROM seals WHERE id = 6", "Act 6 has no seal"),
        ("UPDATE seals SET digest = 'x' WHERE id = 6", "Act 7 ("),
        ("UPDATE photos SET image = zeroblob(503)", "(add photo R1-01"),
    ],
)
def test_what_was_changed_is_found_and_the_act_is_named(whole: Path, tmp_path: Path, change: str, act: str) -> None:
    assert act in " ".join(after(whole, tmp_path / "changed.sqlite", change))


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_value_of_any_row_can_be_changed_unseen(whole: Path, tmp_path: Path, data: st.DataObject) -> None:
    table = data.draw(st.sampled_from(KEPT))
    column = data.draw(st.sampled_from([c.name for c in table.columns if c.name != "id"]))
    with closing(sqlite3.connect(whole)) as connection:
        rows = connection.execute(f"SELECT id, {column} FROM {table.name}").fetchall()
    number, value = data.draw(st.sampled_from(rows))
    if isinstance(value, int):
        other = str(value + 1)
    elif isinstance(value, bytes):
        other = f"X'{value.hex()}00'"
    else:
        other = "'" + (value or "").replace("'", "''") + "x'"
    change = f"UPDATE {table.name} SET {column} = {other} WHERE id = {number}"
    assert after(whole, tmp_path / "changed.sqlite", change)


def test_a_guard_that_is_gone_is_found(whole: Path, tmp_path: Path) -> None:
    shutil.copy(whole, tmp_path / "open.sqlite")
    with closing(sqlite3.connect(tmp_path / "open.sqlite")) as connection:
        connection.execute("DROP TRIGGER no_update_entries")
        connection.commit()
    with Book.open(tmp_path / "open.sqlite", who="Ina") as book:
        assert book.check() == ["Guards against changes of what is stored are gone: no_update_entries."]


def test_a_history_written_anew_to_its_end_no_longer_has_the_seal_that_was_printed(tmp_path: Path) -> None:
    seals = []
    for value in (4.0, 4.5):
        path = tmp_path / f"{value}.sqlite"
        with Book.open(path, who="Ina", now=ticking()) as book:
            fill(book)
            book.record(S, [ScoreEntry("R1-01", hand={"ana": value})])
            seals.append(book.seal())
            book.record(S, [ScoreEntry("R1-02", hand={"ana": 3})])
            assert book.check(seals[-1]) == []
    with Book.open(path, who="Ina") as book:
        (said,) = book.check(seals[0])
        assert f"No act has the seal {seals[0]}" in said


def test_what_one_transaction_stores_is_sealed_act_by_act(place: Place) -> None:
    with Book.open(place(), who="Ina") as book:
        with book.writing():
            fill_all(book)
        assert book.check() == []
        before = book.seal()

        def break_off() -> None:
            with book.writing():
                book.record(S, [ScoreEntry("R1-03", note="n")])
                raise RuntimeError

        with pytest.raises(RuntimeError):
            break_off()
        assert (book.check(), book.seal()) == ([], before)


def test_an_older_book_is_sealed_when_it_is_upgraded_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(OLDER.read_text(encoding="utf-8"))
    with Book.open(path, who="Bo") as book:
        assert book.upgraded_from is not None
        assert book.check() == []
        acts = len(book.audit(None))
        assert re.fullmatch("[0-9a-f]{16}", book.seal())
        book.record(S, [ScoreEntry("R1-02", note="after the upgrade")])
        assert len(book.audit(None)) == acts + 1
        assert book.check() == []
        assert book.history(S)[0].value is not None
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT version_num FROM book_version").fetchone() == (SCHEMA_VERSION,)
        assert connection.execute("SELECT count(*) FROM seals").fetchone() == (acts + 1,)
        assert connection.execute("SELECT count(*) FROM page_state").fetchone() == (0,)


def test_seals_hold_on_a_server_and_after_a_move(postgres: Server, tmp_path: Path) -> None:
    url = postgres.database()
    with Book.open(tmp_path / "shop.sqlite", who="Ina", now=ticking()) as file, Book.open(url, who="Bo") as book:
        fill_all(file)
        book.import_(file.export(tmp_path / "a.zip"))
        assert book.check(file.seal()) == []  # the history that came over still has the seal on its reports
        back = book.export(tmp_path / "b.zip")
        with Book.open(tmp_path / "back.sqlite", who="Ina") as again:
            again.import_(back)
            assert again.check(book.seal()) == []
    engine = sa.create_engine(sa.make_url(url).set(drivername="postgresql+psycopg"))
    with engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE entries DISABLE TRIGGER no_change_entries")
        connection.exec_driver_sql("UPDATE entries SET value = 'false' WHERE id = 1")
    engine.dispose()
    with Book.open(url, who="Bo") as book:
        said = " ".join(book.check())
    assert "Act 5 (record first article: R1-01" in said
    assert "Guards against changes of what is stored are gone: no_change_entries." in said
