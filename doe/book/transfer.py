"""A whole book as one file, and back.

Format of an export, version 1. A zip with a member ``book.json``, UTF-8::

    {"format": "first-article book", "format_version": 1,
     "tables": {"<table>": [{"<column>": <value>, ...}, ...], ...}}

Tables are those of `doe.book.tables.KEPT`, rows in the order of their ``id``, every row with every column. Columns of
type `doe.book.tables.Json` hold JSON as it is, not as text in text. Times are ISO 8601 in UTC, quantities in degC,
s, bar and g/m2. Photos are members of their own, ``photos/<sha256>``, and their rows come without the picture. The
same book always gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from doe.book.older import recipe_with_facts, scale_of_notes
from doe.book.photos import LARGEST
from doe.book.store import Writing
from doe.book.tables import (
    KEPT,
    Json,
    Moment,
    acts,
    as_text,
    columns_of,
    gauge_readings,
    is_current,
    lines,
    photos,
    recipes,
    rounds,
    shop_notes,
    stacks,
    studies,
    study_entries,
    to_text,
)
from doe.book.upkeep import coherence
from doe.domain.errors import InputError, InputErrors
from doe.files import placed_whole

FORMAT, FORMAT_VERSION, MEMBER = "first-article book", 1, "book.json"
_LATER = (shop_notes.name, recipes.name, photos.name)  # tables an older program did not have yet
_FOLDER = "photos/"
_LARGEST = 300_000_000  # bytes of JSON: thousands of studies; a small zip can unpack to anything
_LONG_AGO = (1980, 1, 1, 0, 0, 0)  # the member's time, so that the same book gives the same bytes

Rows = list[dict[str, Any]]


def write(connection: sa.Connection, path: Path) -> Path:
    """Write everything the book holds to a new zip.

    Raises
    ------
    InputError
        If the file exists, or cannot be written.
    """
    if path.exists():
        raise InputError(f"export {path}", "a file", "a new file", "Choose another name; exports are not overwritten.")
    tables = {table.name: _rows(connection, table) for table in KEPT}
    content = {"format": FORMAT, "format_version": FORMAT_VERSION, "tables": tables}
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1)
    if not path.parent.is_dir():
        raise InputError(
            f"export {path}", f"no folder {path.parent}", "a folder that can be written to", "Make it first."
        )
    try:
        with (
            placed_whole(path, replaces=False) as beside,
            zipfile.ZipFile(beside, "w", zipfile.ZIP_DEFLATED) as archive,
        ):
            member = zipfile.ZipInfo(MEMBER, _LONG_AGO)
            member.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(member, text)
            _write_photos(connection, archive)
    except OSError as error:
        raise InputError(
            f"export {path}", error.strerror or str(error), "a folder that can be written to", "Choose another folder."
        ) from error
    return path


def _write_photos(connection: sa.Connection, archive: zipfile.ZipFile) -> None:
    query = sa.select(photos.c.sha256, sa.func.min(photos.c.id)).where(photos.c.size > 0).group_by(photos.c.sha256)
    for digest, photo_id in connection.execute(query.order_by(photos.c.sha256)).all():
        image = connection.scalar(sa.select(photos.c.image).where(photos.c.id == photo_id))  # one at a time: many MB
        archive.writestr(zipfile.ZipInfo(f"{_FOLDER}{digest}", _LONG_AGO), bytes(image or b""))


def _rows(connection: sa.Connection, table: sa.Table) -> Rows:
    # times stay the text they are in the book
    columns = (as_text(c).label(c.name) if isinstance(c.type, Moment) else c for c in columns_of(table))
    return [dict(row._mapping) for row in connection.execute(sa.select(*columns).order_by(table.c.id))]


def read(path: Path) -> dict[str, Rows]:
    """Rows of an export by table, checked in form but not yet against any book.

    Raises
    ------
    InputError
        If it is not an export, a newer one, or damaged.
    """
    where = f"export {path}"
    try:
        with zipfile.ZipFile(path) as archive:
            if archive.getinfo(MEMBER).file_size > _LARGEST:
                raise InputError(
                    where, f"more than {_LARGEST // 1_000_000} MB", "an export of a book", "Check the file."
                )
            content = json.loads(archive.read(MEMBER))
    except OSError as error:
        raise InputError(where, error.strerror or str(error), "a file that can be read", "Check the path.") from error
    # a zip that is locked, packed in a way we do not read, or broken fails with the next three, or ends too early
    except (zipfile.BadZipFile, KeyError, ValueError, RecursionError, RuntimeError, zlib.error, EOFError) as error:
        if isinstance(error, InputError):
            raise
        raise _not_an_export(where, "another kind of file") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise _not_an_export(where, "another kind of file")
    version = content.get("format_version")
    if version != FORMAT_VERSION:
        raise InputError(where, f"format version {version}", f"{FORMAT_VERSION}", "Update this program.")
    given = content.get("tables")
    if not isinstance(given, dict) or {*_LATER, *given} != {table.name for table in KEPT}:
        raise _not_an_export(where, "other tables")
    tables: dict[str, Rows] = {**{name: [] for name in _LATER}, **given}
    for name, rows in tables.items():
        for row in rows if isinstance(rows, list) else ():
            if isinstance(row, dict):
                _give_facts(name, row)
    for table in KEPT:
        _check_rows(table, tables[table.name], where)
    return tables


def _give_facts(table: str, row: dict[str, Any]) -> None:
    """Give a row of an older program's export the fields that it kept as sentences."""
    if table == rounds.name and "scale" not in row and isinstance(row.get("notes"), list):
        row["scale"], row["notes"] = scale_of_notes(row["notes"])
    elif table == recipes.name and isinstance(row.get("data"), dict):
        row["data"] = recipe_with_facts(row["data"])


def _check_rows(table: sa.Table, rows: Any, where: str) -> None:
    columns = {c.name: c for c in columns_of(table)}
    seen = set()
    for number, row in enumerate(rows if isinstance(rows, list) else [None], start=1):
        if not isinstance(row, dict) or set(row) != set(columns):
            raise _not_an_export(where, f"other columns in {table.name}, row {number}")
        for name, column in columns.items():
            value, kind = row[name], str if isinstance(column.type, Moment) else column.type.python_type
            if isinstance(column.type, Json) or (value is None and column.nullable):
                continue
            if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
                raise _not_an_export(where, f"{value!r} in {table.name}, row {number}, {name}")
        if row["id"] in seen:
            raise _not_an_export(where, f"row {row['id']} twice in {table.name}")
        seen.add(row["id"])


def _not_an_export(where: str, found: str) -> InputError:
    return InputError(where, found, "an export of a book", "Export the book again, and bring that file.")


def merge(writing: Writing, path: Path, tables: dict[str, Rows]) -> int:
    """Add the rows of an export; returns how many studies came in.

    Into an empty book everything keeps its number. Into another one, numbers are shifted; stacks and lines that are
    there already with the same details are used, and gauge readings and notes that are there already are left out.

    Raises
    ------
    InputErrors
        Listing every name that clashes, or everything in the export that does not hang together.
    """
    connection = writing.connection
    where = f"export {path}"
    added = _rows_by_act(tables)
    for act in tables[acts.name]:
        there = added[act["id"]]
        if act["rows_added"] != there:
            found = f"{there} rows of act {act['id']} ({act['verb']}), which added {act['rows_added']}"
            raise _not_an_export(where, found)
    same = {
        stacks: ("name", "data"),
        lines: ("name", "data"),
        shop_notes: ("uid",),
        recipes: ("uid",),
        photos: ("uid",),
    }
    known = {table.name: _known(connection, table, tables[table.name], *names) for table, names in same.items()}
    known[gauge_readings.name] = _known_readings(connection, tables[gauge_readings.name])
    fresh = {name: [row for row in rows if row["id"] not in known.get(name, {})] for name, rows in tables.items()}
    if clashes := list(_clashes(connection, fresh, where)):
        raise InputErrors(clashes)
    added = _rows_by_act(fresh)  # an act all of whose rows are here already does not come again
    fresh[acts.name] = [
        {**act, "rows_added": added[act["id"]]} for act in fresh[acts.name] if added[act["id"]] or not act["rows_added"]
    ]
    shift = {t.name: connection.scalar(sa.select(sa.func.coalesce(sa.func.max(t.c.id), 0))) or 0 for t in KEPT}
    for table in KEPT:
        try:
            moved = [_shifted(table, row, shift, known) for row in fresh[table.name]]
            if table is photos:
                _insert_photos(connection, path, moved)
            elif moved:
                connection.execute(table.insert(), moved)
        except (sa.exc.IntegrityError, sa.exc.DataError, OverflowError) as error:
            raise _not_an_export(where, f"rows in {table.name} that cannot all be there") from error
        if connection.dialect.name == "postgresql" and fresh[table.name]:
            # the server counts ids by itself; tell it how far we have come
            connection.execute(
                sa.text(f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), max(id)) FROM {table.name}")
            )
    if broken := coherence(connection):
        raise InputErrors([_not_an_export(where, sentence.rstrip(".")) for sentence in broken])
    writing.act("import", f"{path.name}: {len(tables[studies.name])} studies", rows=0)
    return len(tables[studies.name])


def _rows_by_act(tables: dict[str, Rows]) -> Counter[int]:
    return Counter(row["act_id"] for rows in tables.values() for row in rows if "act_id" in row)


def _known(connection: sa.Connection, table: sa.Table, rows: Rows, *names: str) -> dict[int, int]:
    """Rows of the export that the book has, the same in these columns: id there -> id here."""
    columns = [table.c[name] for name in names]
    here = {to_text(values): number for number, *values in connection.execute(sa.select(table.c.id, *columns))}
    keys = {row["id"]: to_text([row[name] for name in names]) for row in rows}
    return {there: here[key] for there, key in keys.items() if key in here}


def _known_readings(connection: sa.Connection, rows: Rows) -> dict[int, int]:
    readings = [row for row in rows if row["withdraws"] is None]
    known = _known(connection, gauge_readings, readings, "line_name", "data", "withdraws")
    ends = sa.select(gauge_readings.c.withdraws, gauge_readings.c.id).where(gauge_readings.c.withdraws.is_not(None))
    ended = {reading: number for reading, number in connection.execute(ends)}  # noqa: C416 - dict() asks it for keys
    here = {row["id"]: ended.get(known.get(row["withdraws"], 0)) for row in rows if row["withdraws"] is not None}
    return known | {there: number for there, number in here.items() if number is not None}


def _clashes(connection: sa.Connection, fresh: dict[str, Rows], where: str) -> Iterator[InputError]:
    """Names of what would come in that stand for something else here."""
    in_use = sa.select(study_entries.c.name).where(is_current(study_entries), sa.not_(study_entries.c.archived))
    rows = fresh[study_entries.name]
    replaced = {row["supersedes"] for row in rows}
    there = {row["name"] for row in rows if row["id"] not in replaced and not row["archived"]}
    for name in sorted(there.intersection(connection.scalars(in_use))):
        yield InputError(
            f"{where}, study {name}",
            "a study that is here already",
            "a name that no study in use has",
            "Archive or rename the one here, then import again.",
        )
    for table in (stacks, lines):
        kind = table.name.removesuffix("s")
        there = {row["name"] for row in fresh[table.name]}
        for name in sorted(there.intersection(connection.scalars(sa.select(table.c.name)))):
            yield InputError(
                f"{where}, {kind} {name}",
                "other details than here",
                f"the same details, or a {kind} not here yet",
                "Make them the same in both books, with a reason; or import into a new book.",
            )
    found = connection.execute(sa.select(recipes.c.name, recipes.c.revision, recipes.c.event))
    here = {(name, revision, event) for name, revision, event in found}
    events = {(row["name"], row["revision"], row["event"]) for row in fresh[recipes.name]}
    for name, revision in sorted({(name, revision) for name, revision, _ in events & here}):
        yield InputError(
            f"{where}, recipe {name}",
            f"another revision {revision} than here",
            "the same recipe, or a new name",
            "Import into a new book, or release it here again.",
        )


def _insert_photos(connection: sa.Connection, path: Path, rows: Rows) -> None:
    """Photos one by one, each compared with the digest of its row; a withdrawal has no picture."""
    where = f"export {path}"
    try:
        with zipfile.ZipFile(path) as archive:
            for row in rows:
                image = b""
                if row["withdraws"] is None:
                    member = archive.getinfo(f"{_FOLDER}{row['sha256']}")
                    if member.file_size > LARGEST:
                        raise _not_an_export(where, f"a photo of {member.file_size / 1e6:.1f} MB")
                    image = archive.read(member)
                    if hashlib.sha256(image).hexdigest() != row["sha256"] or len(image) != row["size"]:
                        raise _not_an_export(where, f"another photo {row['id']} than was exported")
                connection.execute(photos.insert().values(**row, image=image))
    except (OSError, zipfile.BadZipFile, KeyError, zlib.error, EOFError, RuntimeError) as error:
        raise _not_an_export(where, "a photo that cannot be read") from error


def _shifted(
    table: sa.Table, row: dict[str, Any], shift: dict[str, int], known: dict[str, dict[int, int]]
) -> dict[str, Any]:
    """Row as it goes into this book: its own number and those it points to moved."""
    moved = {**row, "id": row["id"] + shift[table.name]}
    for key in table.foreign_keys:
        name, parent = key.parent.name, key.column.table.name
        if row[name] is not None:
            moved[name] = known.get(parent, {}).get(row[name], row[name] + shift[parent])
    return moved
