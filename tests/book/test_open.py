"""Opening: what is refused and how, what is upgraded, and that looking changes nothing."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from doe.book.book import Book
from doe.book.tables import SCHEMA_VERSION
from doe.domain.errors import InputError
from doe.domain.score import ScoreEntry
from tests.book.samples import fill, ticking

OLDER = Path(__file__).with_name("book_of_schema_0001.sql")


def older_book(path: Path) -> Path:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(OLDER.read_text())
    return path


def as_found(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file of a folder with its content and time of change."""
    return {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in sorted(folder.iterdir())}


def refusal(target: Path | str, **options: bool) -> str:
    """The one line a person reads; the folder stays as it was."""
    with pytest.raises(InputError) as caught:
        Book.open(target, who="Ina", **options)
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_what_is_not_a_book_is_refused_in_one_line_and_left_alone(tmp_path: Path) -> None:
    sheet = tmp_path / "results.csv"
    sheet.write_text("coupon,passed\nR1-01,1\n")
    other = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE songs (name TEXT)")
        connection.commit()
    before = as_found(tmp_path)
    assert "found something that is not a book; allowed: a book or a new file" in refusal(sheet)
    assert "found something that is not a book" in refusal(other)
    assert "found a folder; allowed: a file. Name a file in it" in refusal(tmp_path)
    assert "found no folder" in refusal(tmp_path / "missing" / "shop.sqlite")
    assert "found no file; allowed: an existing book" in refusal(tmp_path / "new.sqlite", create=False)
    assert "found nothing; allowed: a file or a database URL" in refusal("  ")
    assert "found sqlite://; allowed: a file" in refusal("sqlite://")
    assert "found a URL of nosuch; allowed: a file, or postgresql://" in refusal("nosuch+driver://host/book")
    assert as_found(tmp_path) == before


def test_a_name_for_who_is_needed(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="who: found nothing"):
        Book.open(tmp_path / "shop.sqlite", who=" ")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("start", [0, 100, 4096])
def test_a_damaged_book_is_refused_or_reported_never_a_traceback(tmp_path: Path, start: int) -> None:
    path = tmp_path / "shop.sqlite"
    with Book.open(path, who="Ina") as book:
        fill(book)
    content = bytearray(path.read_bytes())
    content[start:] = b"\x55" * (len(content) - start)
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"not a book|a damaged book"):
        Book.open(path, who="Ina")


def test_damage_found_later_is_an_input_error_too(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    with Book.open(path, who="Ina") as book:
        fill(book, coupons=20)
    with closing(sqlite3.connect(path)) as connection:
        page = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'coupons'").fetchone()[0]
    content = bytearray(path.read_bytes())
    assert len(content) >= page * 4096
    content[(page - 1) * 4096 : page * 4096] = b"\x55" * 4096
    path.write_bytes(content)
    with Book.open(path, who="Ina") as book:
        with pytest.raises(InputError, match=r"found a damaged book; .* go back to the last backup"):
            book.plan_coupons(1)
        assert "damaged" in " ".join(book.check())


def test_an_empty_file_becomes_a_book(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    path.touch()
    with Book.open(path, who="Ina") as book:
        assert fill(book) == 1


def test_a_newer_book_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    Book.open(path, who="Ina").close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE book_version SET version_num = '0999'")
        connection.commit()
    before = as_found(tmp_path)
    assert "found a book of schema 0999, made by a newer program; allowed: schema" in refusal(path)
    assert as_found(tmp_path) == before


def test_an_older_book_is_backed_up_then_upgraded(tmp_path: Path) -> None:
    path = older_book(tmp_path / "shop.sqlite")
    with Book.open(path, who="Ina", now=ticking()) as book:
        copy = book.upgraded_from
        assert copy == tmp_path / "shop-schema-0001-20300101000000.sqlite"
        assert book.check() == []
        (summary,) = book.studies()
        assert (summary.name, summary.coupons, summary.scored) == ("first article, blank A", 4, 4)
        assert summary.verdict == "more coupons"  # once only inside the payload
        assert book.stack("blank A".replace("blank", "invented blank")).fabric.lot == "M-2"
        frame = book.results(1)
        assert list(frame["passed"]) == [False, True, True, True]
        assert list(frame["hand_ina"]) == [4.0, 4.5, 4.0, 3.5]
        assert [e.value for e in book.history(1, "R1-02") if e.field == "hand:ina"] == [3.5, 4.5]
        book.record(1, [ScoreEntry("R1-01", checks={"wash_1": False})])
    assert copy is not None
    with closing(sqlite3.connect(copy)) as connection, closing(sqlite3.connect(":memory:")) as original:
        original.executescript(OLDER.read_text())
        assert list(connection.iterdump()) == list(original.iterdump())
    with Book.open(path, who="Ina") as book:
        assert book.upgraded_from is None


def test_an_older_book_stays_as_it_is_when_no_upgrade_is_wanted(tmp_path: Path) -> None:
    path = older_book(tmp_path / "shop.sqlite")
    before = as_found(tmp_path)
    assert f"found a book of schema 0001; allowed: schema {SCHEMA_VERSION}" in refusal(path, upgrade=False)
    assert as_found(tmp_path) == before


def test_an_upgrade_never_overwrites_the_copy_of_another(tmp_path: Path) -> None:
    path = older_book(tmp_path / "shop.sqlite")
    taken = tmp_path / "shop-schema-0001-20300101000000.sqlite"
    taken.touch()
    with Book.open(path, who="Ina", now=ticking()) as book:
        copy = book.upgraded_from
    assert taken.read_bytes() == b""
    assert copy is not None
    assert copy.name == "shop-schema-0001-20300101000000-2.sqlite"
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("SELECT version_num FROM book_version").fetchone() == ("0001",)


def test_looking_never_writes(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    with Book.open(path, who="Ina") as book:
        fill(book)
        book.record(1, [ScoreEntry("R1-01", checks={"release": True})])
    before = as_found(tmp_path)
    assert set(before) == {"shop.sqlite"}
    with Book.open(path, who="Bo") as book:
        book.studies()
        book.study(1)
        book.results(1)
        book.history(1)
        book.plan_info(1)
        book.analyses(1)
        book.audit()
        book.stacks()
        book.lines()
        book.gauge_history("line 1")
        assert book.check() == []
    assert as_found(tmp_path) == before


@pytest.fixture
def locked_folder() -> Iterator[Path]:
    """A folder with a book, where nothing can be written, seen by a user who is not the administrator."""
    if os.name == "nt":
        pytest.skip("Windows has no read-only folders in this sense")
    folder = Path(tempfile.mkdtemp())  # not tmp_path: others may not even pass through that one
    (folder / "old").mkdir()
    with Book.open(folder / "shop.sqlite", who="Ina") as book:
        fill(book)
    older_book(folder / "older.sqlite")
    (folder / "shop.sqlite").chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)
    folder.chmod(stat.S_IRUSR | stat.S_IXUSR | stat.S_IRGRP | stat.S_IXGRP | stat.S_IROTH | stat.S_IXOTH)
    administrator = os.geteuid() == 0
    if administrator:
        os.seteuid(65534)  # nobody: the administrator may write everywhere
    try:
        yield folder
    finally:
        if administrator:
            os.seteuid(0)
        folder.chmod(stat.S_IRWXU)
        shutil.rmtree(folder)


def test_a_read_only_folder_can_be_looked_at_and_says_so_when_written_to(locked_folder: Path) -> None:
    before = as_found(locked_folder / "old"), (locked_folder / "shop.sqlite").read_bytes()
    with Book.open(locked_folder / "shop.sqlite", who="Ina") as book:
        assert len(book.results(1)) == 4
        assert book.check() == []
        with pytest.raises(InputError, match=r"^backup .*Permission denied"):
            book.backup(locked_folder / "copy.sqlite")
        with pytest.raises(InputError, match=r"no permission to write|cannot be opened"):
            book.record(1, [ScoreEntry("R1-01", checks={"release": True})])
    assert "a folder that can be read and written to" in refusal(locked_folder / "new.sqlite")
    assert "can be" in refusal(locked_folder / "older.sqlite")
    assert (as_found(locked_folder / "old"), (locked_folder / "shop.sqlite").read_bytes()) == before


def test_the_usual_place_is_the_variable_or_the_users_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DOE_BOOK", str(tmp_path / "named.sqlite"))
    Book.open(who="Ina").close()
    assert (tmp_path / "named.sqlite").exists()
    monkeypatch.delenv("DOE_BOOK")
    monkeypatch.setattr("platformdirs.user_data_dir", lambda *_, **__: str(tmp_path / "data" / "doe"))
    with Book.open(who="Ina") as book:
        assert book.label == str(tmp_path / "data" / "doe" / "doe-book.sqlite")


def test_a_url_of_a_file_is_a_file(tmp_path: Path) -> None:
    with Book.open(f"sqlite:///{tmp_path / 'shop.sqlite'}", who="Ina") as book:
        fill(book)
    with Book.open(tmp_path / "shop.sqlite", who="Ina", create=False) as book:
        assert len(book.studies()) == 1


def test_opening_a_book_that_is_up_to_date_imports_neither_alembic_nor_pandas(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    with Book.open(path, who="Ina") as book:
        fill(book)
    code = (
        "import sys; from doe.book.book import Book\n"
        f"with Book.open({str(path)!r}, who='Ina') as book: assert len(book.studies()) == 1\n"
        "print([name for name in ('alembic', 'pandas', 'numpy', 'scipy', 'platformdirs') if name in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


BESIDE = """
import sys
from doe.book.book import Book
with Book.open(sys.argv[1], who="beside", create=False) as book:
    print(len(book.audit(None)))
"""


def acts_seen_beside(path: Path) -> int:
    """Acts of a book as another program finds them, which closes the book again."""
    run = subprocess.run([sys.executable, "-c", BESIDE, str(path)], capture_output=True, text=True, check=True)
    return int(run.stdout)


def test_a_program_that_comes_and_goes_takes_nothing_from_one_with_the_book_open_twice(tmp_path: Path) -> None:
    # as the page at the press has it open, once for each person: opening it again must not give up the locks of before,
    # or whoever closes it next takes it for unused and puts its journal away, with what is still written to that
    path = tmp_path / "shop.sqlite"
    with Book.open(path, who="ana") as ana:
        fill(ana)
        with Book.open(path, who="ben", create=False) as ben:
            ben.save_note("remark", "tees", {"text": "first"})
            before = acts_seen_beside(path)
            ana.save_note("remark", "tees", {"text": "second"})
            ben.save_note("remark", "tees", {"text": "third"})
            assert acts_seen_beside(path) == before + 2
    assert acts_seen_beside(path) == before + 2
