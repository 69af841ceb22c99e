"""The whole site in one file, and back: every row, and the pictures nobody can draw again.

The file is a ZIP of ``backup.json`` (what it is), ``database.db`` (SQLite, whatever
kind of database it came from: so a site can move from one to the other) and
``pictures/``. Eyes that nobody was shown and the gallery's plates are left out:
the program draws them anew. Eyes that somebody answered are not: their pictures
are looked at again, and an older renderer's cannot be drawn any more.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import IO

from sqlalchemy import Connection, delete, exists, select, update

from server.errors import BadInput
from server.settings import Settings
from server.storage.engine import Database, named_failures, opened
from server.storage.migrating import migrate, newest_revision, prepared, revision_of
from server.storage.models import (
    Base,
    CardEventRow,
    DesignEyeRow,
    EyeRow,
    GalleryPlateRow,
    PhotographRow,
    WideEyeRow,
)
from server.storage.photographs import PHOTOGRAPH
from server.storage.pictures import SUFFIX, picture_path
from server.storage.problems import DatabaseUnavailable
from server.storage.table_copy import copy_tables, empty_tables, row_counts
from server.storage.whole_file import whole_file

FORMAT = 1
MANIFEST, DATABASE, PICTURES = "backup.json", "database.db", "pictures/"


@dataclass(frozen=True)
class Manifest:
    """What a backup says of itself.

    Parameters
    ----------
    revision : of its tables.
    rows : by table.
    database_sha256 : of the database file within.
    pictures : files within.
    missing : pictures that its rows name and that were not there when it was made.
    """

    format: int
    made_at: str
    revision: str
    rows: dict[str, int]
    database_sha256: str
    pictures: int
    missing: int


@contextmanager
def named_file_failures(path: Path) -> Iterator[None]:
    """Turn what goes wrong with a copy into words."""
    try:
        yield
    except sqlite3.Error as problem:
        raise DatabaseUnavailable(
            f"The database could not be copied for {path} ({problem}): see that the disk has room "
            "for it, and try again. Nothing was changed."
        ) from problem


def back_up(settings: Settings, path: Path, now: datetime) -> Manifest:
    """Write a consistent copy of the whole site to a file, also while it is in use.

    SQLite is copied by its own online backup; from PostgreSQL all tables are read
    in one transaction that sees one state.

    Raises
    ------
    BadInput : the file cannot be written, or there is nothing of this version to copy.
    """
    with (
        named_file_failures(path),
        named_failures(),
        whole_file(path) as file,
        tempfile.TemporaryDirectory(dir=path.parent) as folder,
    ):
        copy = Path(folder) / DATABASE
        with opened(settings) as database:
            there = database.path is None or database.path.exists()
            revision = revision_of(database) if there else None
            if revision != newest_revision():
                raise BadInput(
                    "There is no database of this version of the program to back up (its tables "
                    f"are {revision or 'not there'}, this program's {newest_revision()}): use the "
                    "version that serves it, or name its folder with --data DIR."
                )
            _copy_out(database, copy)
        with file_database(copy) as copied:
            with copied.write_engine.begin() as connection:
                _leave_out(connection)
            with copied.read_engine.connect() as connection:
                rows = row_counts(connection)
                names = sorted(set(_pictures_of(connection)))
        settle(copy)
        return _pack(file, copy, settings, names, rows, now)


def _copy_out(database: Database, copy: Path) -> None:
    if database.path is not None:
        source, target = sqlite3.connect(database.path), sqlite3.connect(copy)
        try:
            source.backup(target)
        finally:
            source.close()
            target.close()
        return
    migrate(Settings(data_dir=copy.parent, database_url=f"sqlite:///{copy}"))
    with (
        file_database(copy) as made,
        database.write_engine.execution_options(
            isolation_level="REPEATABLE READ", postgresql_readonly=True
        ).connect() as source_rows,
        prepared(made) as target_rows,
    ):
        empty_tables(target_rows)
        copy_tables(source_rows, target_rows)


def _leave_out(connection: Connection) -> None:
    """Take out of a copy what the program draws anew."""
    keys = [
        key
        for table in Base.metadata.sorted_tables
        for key in table.foreign_keys
        if key.column is EyeRow.__table__.columns.id and key.ondelete != "CASCADE"
    ]
    used = [exists().where(key.parent == EyeRow.id) for key in keys]
    # A photograph cannot be drawn again.
    query = delete(EyeRow).where(EyeRow.source != PHOTOGRAPH)
    for one in used:
        query = query.where(~one)
    connection.execute(query)
    connection.execute(delete(WideEyeRow).where(~exists().where(EyeRow.id == WideEyeRow.eye_id)))
    connection.execute(delete(GalleryPlateRow))
    remarked = exists().where(CardEventRow.picture == DesignEyeRow.name)
    connection.execute(delete(DesignEyeRow).where(~remarked))
    # Of an eye that a reviewer remarked on, what it is drawn by is kept.
    connection.execute(update(DesignEyeRow).values(picture="", bytes=0, objection="", drawn={}))


def _pictures_of(connection: Connection) -> Iterator[str]:
    """Yield the pictures that rows name; an eye that was never drawn names none."""
    for row in (EyeRow, WideEyeRow):
        for picture, twin in connection.execute(select(row.picture, row.twin)):
            yield from (name for name in (picture, twin) if name)
    yield from connection.scalars(select(PhotographRow.picture))


def _pack(
    file: IO[bytes],
    copy: Path,
    settings: Settings,
    names: list[str],
    rows: dict[str, int],
    now: datetime,
) -> Manifest:
    kept = 0
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(copy, DATABASE)
        for name in names:
            try:
                data = picture_path(settings.pictures_dir, name).read_bytes()
            except FileNotFoundError:
                continue  # counted as missing
            # Pictures are compressed as they are.
            archive.writestr(f"{PICTURES}{name}{SUFFIX}", data, zipfile.ZIP_STORED)
            kept += 1
        manifest = Manifest(
            format=FORMAT,
            made_at=now.isoformat(),
            revision=newest_revision(),
            rows=rows,
            database_sha256=sha256_of(copy),
            pictures=kept,
            missing=len(names) - kept,
        )
        archive.writestr(MANIFEST, json.dumps(asdict(manifest), indent=1))
    return manifest


def settle(path: Path) -> None:
    """Make an SQLite file whole in itself, without the log that write-ahead mode keeps beside it.

    Raises
    ------
    sqlite3.OperationalError : somebody else has it open.
    """
    connection = sqlite3.connect(path, timeout=0)
    try:
        connection.execute("PRAGMA journal_mode=DELETE").fetchone()
    finally:
        connection.close()


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def file_database(path: Path) -> Iterator[Database]:
    """Give the database of an SQLite file, and close it on leaving."""
    database = Database(f"sqlite:///{path}")
    try:
        yield database
    finally:
        database.dispose()
