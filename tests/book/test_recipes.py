"""Recipes are kept revision by revision, and photos as they were given."""

from __future__ import annotations

import hashlib
import sqlite3
import zipfile
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from doe.book.book import Book
from doe.book.tables import SCHEMA_VERSION
from doe.domain.errors import InputError, InputErrors
from doe.domain.recipe import Recipe
from tests.book.samples import RECIPE, ticking

S = "first article"
JPEG = b"\xff\xd8\xff\xe0 an invented photo"
OLDER = Path(__file__).with_name("book_of_schema_0003.sql")


def second(**changes: Any) -> Recipe:
    return replace(RECIPE, revision=2, why="new lot of powder", **changes)


def test_a_recipe_comes_back_as_it_was_released(book: Book) -> None:
    book.release_recipe(RECIPE, study=S)
    kept = book.recipe("tee white")
    assert kept.recipe == RECIPE
    assert (kept.study_id, kept.who, kept.in_force, kept.superseded) == (1, "Ina", True, False)
    assert book.check() == []


def test_a_new_revision_supersedes_and_the_old_one_stays(book: Book) -> None:
    book.release_recipe(RECIPE, study=S)
    book.release_recipe(second(pass_rate=0.97), study=None)
    first, newer = book.recipes()
    assert (first.recipe, first.superseded, first.in_force) == (RECIPE, True, False)
    assert (newer.recipe.pass_rate, newer.study_id, newer.in_force) == (0.97, None, True)
    assert book.recipe("tee white", 1).recipe == RECIPE
    assert book.audit(1)[0].why == "new lot of powder"


def test_revisions_follow_one_another(book: Book) -> None:
    with pytest.raises(InputError, match=r"found revision 2 as the first; allowed: revision 1"):
        book.release_recipe(second(), study=S)
    book.release_recipe(RECIPE, study=S)
    with pytest.raises(InputError, match=r"found revision 1 after revision 1; allowed: revision 2"):
        book.release_recipe(RECIPE, study=S)
    with pytest.raises(InputError, match="study"):
        book.release_recipe(second(), study="nobody's")
    assert len(book.recipes()) == 1


def test_a_retired_recipe_says_why_and_takes_a_new_revision(book: Book) -> None:
    book.release_recipe(RECIPE, study=S)
    with pytest.raises(InputError, match="a reason"):
        book.retire_recipe("tee white", " ")
    book.retire_recipe("tee white", "film no longer made")
    kept = book.recipe("tee white")
    assert (kept.retired_why, kept.retired_by, kept.in_force) == ("film no longer made", "Ina", False)
    assert kept.recipe.retired_at is not None
    with pytest.raises(InputError, match="It was retired: film no longer made"):
        book.retire_recipe("tee white", "again")
    with pytest.raises(InputError, match="a retired recipe"):
        book.release_recipe(replace(kept.recipe, revision=2, why="x"), study=S)
    book.release_recipe(second(), study=S)
    assert book.recipe("tee white").in_force
    assert book.check() == []


def test_an_unknown_recipe_names_the_known_ones(book: Book) -> None:
    with pytest.raises(InputError, match="there is none yet"):
        book.recipe("tee")
    book.release_recipe(RECIPE, study=S)
    assert book.recipe("Tee").recipe.name == "tee white"
    with pytest.raises(InputError, match="allowed: tee white"):
        book.recipe("cap")
    with pytest.raises(InputError, match=r"revision: found 3; allowed: 1 to 1"):
        book.recipe("tee white", 3)


def test_a_photo_is_kept_once_and_withdrawn_with_a_reason(book: Book) -> None:
    number = book.add_photo(S, "R1-01", JPEG, face="print", media_type="image/jpeg")
    assert book.add_photo(S, "R1-01", JPEG, face="print", media_type="image/jpeg") == number
    back = book.add_photo(S, "R1-01", JPEG, face="back", media_type="image/jpeg")
    assert book.photo_image(number) == JPEG
    book.withdraw_photo(back, "blurred")
    assert [(p.coupon, p.face, p.size, p.withdrawn) for p in book.photos(S)] == [
        ("R1-01", "print", len(JPEG), ""),
        ("R1-01", "back", len(JPEG), "blurred"),
    ]
    assert book.photos(S, "R1-02") == ()
    with pytest.raises(InputError, match="withdrawn already"):
        book.withdraw_photo(back, "again")
    assert book.check() == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"coupon": "R9-99"}, "no such coupon"),
        ({"face": "side"}, "print or back"),
        ({"media_type": "image/svg+xml"}, "a JPEG or PNG image"),
        ({"image": b"<script>"}, "a JPEG or PNG image"),
        ({"image": JPEG + bytes(4_000_000)}, "at most 4 MB"),
    ],
)
def test_what_is_no_photo_is_refused(book: Book, change: dict[str, Any], said: str) -> None:
    given = {"coupon": "R1-01", "image": JPEG, "face": "print", "media_type": "image/jpeg", **change}
    with pytest.raises(InputError, match=said):
        book.add_photo(S, given.pop("coupon"), given.pop("image"), **given)
    assert book.photos(S) == ()


def test_a_coupon_takes_twelve_photos(book: Book) -> None:
    for number in range(12):
        book.add_photo(S, "R1-01", JPEG + bytes([number]), face="print", media_type="image/jpeg")
    with pytest.raises(InputError, match="found 12 photos; allowed: at most 12"):
        book.add_photo(S, "R1-01", JPEG, face="print", media_type="image/jpeg")


def fill(book: Book) -> None:
    book.release_recipe(RECIPE, study=S)
    book.add_photo(S, "R1-01", JPEG, face="print", media_type="image/jpeg")
    book.withdraw_photo(book.add_photo(S, "R1-02", JPEG, face="back", media_type="image/jpeg"), "blurred")


def test_recipes_and_photos_travel_with_an_export(book: Book, tmp_path: Path) -> None:
    fill(book)
    book.retire_recipe("tee white", "film no longer made")
    file = book.export(tmp_path / "book.zip")
    with Book.open(tmp_path / "other.sqlite", who="Bo", now=ticking()) as other:
        other.import_(file)
        assert other.check() == []
        assert other.recipe("tee white") == book.recipe("tee white")
        assert other.photo_image(1) == JPEG
        assert [p.withdrawn for p in other.photos(S)] == ["", "blurred"]
        again = other.export(tmp_path / "again.zip")
    with zipfile.ZipFile(file) as one, zipfile.ZipFile(again) as two:
        name = f"photos/{hashlib.sha256(JPEG).hexdigest()}"
        assert one.namelist() == two.namelist() == ["book.json", name]
        assert one.read(name) == two.read(name) == JPEG


def test_another_recipe_of_the_same_name_is_refused_as_a_whole(book: Book, tmp_path: Path) -> None:
    book.release_recipe(RECIPE, study=None)
    file = book.export(tmp_path / "book.zip")
    with Book.open(tmp_path / "other.sqlite", who="Bo", now=ticking()) as other:
        other.release_recipe(RECIPE, study=None)
        with pytest.raises(InputErrors, match="recipe tee white: found another revision 1 than here"):
            other.import_(file)
        assert other.studies() == ()


@pytest.mark.parametrize("image", [b"\xff\xd8\xff another picture", None])
def test_an_export_with_another_photo_is_refused(book: Book, tmp_path: Path, image: bytes | None) -> None:
    fill(book)
    file = book.export(tmp_path / "book.zip")
    with zipfile.ZipFile(file) as archive, zipfile.ZipFile(tmp_path / "forged.zip", "w") as forged:
        forged.writestr("book.json", archive.read("book.json"))
        if image is not None:
            forged.writestr(archive.namelist()[1], image)
    with Book.open(tmp_path / "other.sqlite", who="Bo", now=ticking()) as other:
        with pytest.raises(InputError, match="photo"):
            other.import_(tmp_path / "forged.zip")
        assert other.studies() == ()


@pytest.mark.in_file("damages the file behind the program")
def test_check_sees_a_changed_photo_and_a_missing_revision(book: Book, tmp_path: Path) -> None:
    fill(book)
    book.release_recipe(second(), study=S)
    with closing(sqlite3.connect(tmp_path / "shop.sqlite")) as connection:
        for act in ("update", "delete"):
            connection.execute(f"DROP TRIGGER no_{act}_photos")
            connection.execute(f"DROP TRIGGER no_{act}_recipes")
        connection.execute("UPDATE photos SET image = x'ffd8ff00' WHERE id = 1")
        connection.execute("DELETE FROM recipes WHERE revision = 1")
        connection.commit()
    said = book.check()
    assert "Photo 1 is not the one that was stored." in said
    assert "Recipe tee white has a revision 2 after revision 0." in said


def test_book_of_the_schema_before_is_upgraded_and_takes_recipes(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(OLDER.read_text(encoding="utf-8"))
    with Book.open(path, who="Ina", now=ticking()) as book:
        assert book.upgraded_from == tmp_path / "shop-schema-0003-20300101000000.sqlite"
        assert book.check() == []
        assert book.studies()[0].verdict == "more coupons"
        assert book.notes("case")[0].data == {"cause": "dust"}
        assert (book.recipes(), book.photos(1)) == ((), ())
        book.release_recipe(RECIPE, study=1)
        book.add_photo(1, "R1-01", JPEG, face="print", media_type="image/jpeg")
        assert book.check() == []
    with closing(sqlite3.connect(path)) as connection:
        for table in ("recipes", "photos"):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                connection.execute(f"DELETE FROM {table}")
        assert connection.execute("SELECT version_num FROM book_version").fetchone() == (SCHEMA_VERSION,)
