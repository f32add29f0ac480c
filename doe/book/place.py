"""Where the book is: a file or a server, and whether a file can be one at all."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from doe.domain.errors import InputError

BOOK_VARIABLE = "DOE_BOOK"
FILE_NAME = "doe-book.sqlite"
_HEADER = b"SQLite format 3\x00"


@dataclass(frozen=True)
class Place:
    """Where a book is; ``path`` is None for a server. ``label`` is for messages and hides passwords."""

    label: str
    url: sa.URL
    path: Path | None


def find_place(target: str | Path | None) -> Place:
    """Place of a target: a path, an SQLAlchemy URL, or None for the usual one.

    Raises
    ------
    InputError
        If a URL cannot be read.
    """
    if target is None:
        target = os.environ.get(BOOK_VARIABLE) or _usual_file()
    if isinstance(target, str) and "://" in target:
        try:
            url = sa.make_url(target)
        except sa.exc.ArgumentError as error:
            raise InputError("book", target, "a file or a database URL", "Correct the URL.") from error
        if url.get_backend_name() != "sqlite":
            return Place(url.render_as_string(hide_password=True), url, None)
        if not url.database or url.database == ":memory:":
            raise InputError("book", target, "a file", "Name the file, such as sqlite:///shop.sqlite.")
        target = url.database
    if not str(target).strip():
        raise InputError("book", "nothing", "a file or a database URL", "Name the file of the book.")
    path = Path(target).expanduser()
    return Place(str(path), sa.URL.create("sqlite", database=str(path)), path)


def _usual_file() -> Path:
    import platformdirs  # noqa: PLC0415 - only needed when no book is named

    folder = Path(platformdirs.user_data_dir("doe", appauthor=False))
    folder.mkdir(parents=True, exist_ok=True)
    return folder / FILE_NAME


def check_file(path: Path, *, create: bool) -> None:
    """Refuse a file that cannot be a book, before anything is opened or made.

    Raises
    ------
    InputError
        If it is a folder, its folder is missing, it is missing and may not be made, or it is something else.
    """
    where = f"book {path}"
    try:
        if path.is_dir():
            raise InputError(where, "a folder", "a file", f"Name a file in it, such as {path / FILE_NAME}.")
        if not path.exists():
            if not path.parent.is_dir():
                raise InputError(where, f"no folder {path.parent}", "an existing folder", "Make the folder first.")
            if not create:
                raise InputError(where, "no file", "an existing book", "Check the path, or make a new book there.")
            return
        with path.open("rb") as file:
            start = file.read(len(_HEADER))
    except OSError as error:
        raise InputError(
            where, error.strerror or "an error", "a file that can be read", "Check its permissions."
        ) from error
    if start and start != _HEADER:
        raise not_a_book(where)


def not_a_book(where: str) -> InputError:
    """The refusal of a file or database that holds something else."""
    return InputError(
        where, "something that is not a book", "a book or a new file", "Check the path, or choose another name."
    )
