"""A site from its backup: checked first, then put in place wholly or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from sqlalchemy import func, select

from server.errors import BadInput
from server.settings import Settings
from server.storage.backups import (
    DATABASE,
    FORMAT,
    MANIFEST,
    PICTURES,
    Manifest,
    file_database,
    named_file_failures,
    settle,
    sha256_of,
)
from server.storage.engine import Database, named_failures, opened
from server.storage.migrating import migrate, prepared, revision_of
from server.storage.models import LearnerRow
from server.storage.pictures import SUFFIX, write_picture
from server.storage.problems import DatabaseUnavailable
from server.storage.table_copy import copy_tables, empty_tables


def restore(settings: Settings, path: Path, now: datetime, *, replace: bool) -> Manifest:
    """Put a backup in the place of the settings' database, with its pictures.

    An older backup's tables are brought up to date on the way. An SQLite file that
    was there is kept in ``backups/`` in the data folder. On PostgreSQL all rows
    change in one transaction.

    Parameters
    ----------
    replace : whether a database in which somebody practised may be replaced.

    Raises
    ------
    BadInput : it is no whole backup, it is of a newer version, there is something to be
        replaced, or the program still runs; nothing was changed.
    """
    with (
        _read(path) as (archive, manifest),
        named_file_failures(path),
        named_failures(),
        _room(settings) as folder,
    ):
        copy = folder / DATABASE
        with archive.open(DATABASE) as source, copy.open("wb") as target:
            shutil.copyfileobj(source, target)
        if sha256_of(copy) != manifest.database_sha256:
            raise _damaged(path)
        migrate(Settings(data_dir=folder, database_url=f"sqlite:///{copy}"))
        _check_free(settings, replace=replace)
        _put_pictures(archive, path, settings.pictures_dir)
        with opened(settings) as database:
            if database.path is not None:
                settle(copy)
                database.dispose()
                _put_file(copy, database.path, settings.data_dir / "backups", now)
            else:
                _put_rows(copy, settings, database)
    return manifest


@contextmanager
def _read(path: Path) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    try:
        with zipfile.ZipFile(path) as archive:
            told = json.loads(archive.read(MANIFEST))
            if told["format"] != FORMAT:
                raise BadInput(
                    f"{path} is a backup of format {told['format']}, and this version of the "
                    f"program reads format {FORMAT}: use the version that made it."
                )
            yield archive, Manifest(**told)
    except OSError as problem:
        raise BadInput(
            f"{problem.filename or path} cannot be read or written "
            f"({problem.strerror or problem}): give the file that 'backup' wrote, and see that "
            "the disk has room."
        ) from problem
    except (zipfile.BadZipFile, KeyError, TypeError, ValueError, EOFError) as problem:
        raise _damaged(path) from problem


def _damaged(path: Path) -> BadInput:
    return BadInput(
        f"{path} is no whole backup of this program: take another one. Nothing was changed."
    )


@contextmanager
def _room(settings: Settings) -> Iterator[Path]:
    """Give a folder beside the database, so that a file can take its place in one step."""
    with opened(settings) as database:
        beside = settings.data_dir if database.path is None else database.path.parent
    beside.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=beside, prefix=".restore-") as folder:
        yield Path(folder)


def _check_free(settings: Settings, *, replace: bool) -> None:
    with opened(settings) as database:
        if replace or (database.path is not None and not database.path.exists()):
            return
        if revision_of(database) is None:
            return
        with database.read_engine.connect() as connection:
            learners = connection.scalar(select(func.count()).select_from(LearnerRow)) or 0
    if learners:
        raise BadInput(
            f"There are {learners} learners here already. Stop the program, then say --replace to "
            "put the backup in their place; nothing was changed."
        )


def _put_pictures(archive: zipfile.ZipFile, path: Path, folder: Path) -> None:
    """Write every picture under the hash of its content; those that are there already stay."""
    for name in archive.namelist():
        if not name.startswith(PICTURES):
            continue
        data = archive.read(name)
        content_hash = name.removeprefix(PICTURES).removesuffix(SUFFIX)
        if hashlib.sha256(data).hexdigest() != content_hash:
            raise _damaged(path)
        write_picture(folder, content_hash, data)


def _put_file(copy: Path, path: Path, kept: Path, now: datetime) -> None:
    if path.exists():
        try:
            settle(path)
        except sqlite3.OperationalError as problem:
            raise DatabaseUnavailable(
                f"Another program uses {path}: stop it first. Nothing was changed."
            ) from problem
        except sqlite3.DatabaseError:
            pass  # damaged: what is left of it is kept beside the rest
        kept.mkdir(parents=True, exist_ok=True)
        before = kept / f"{path.stem}-{now:%Y%m%dT%H%M%S%f}-before-restore.db"
        try:
            os.link(path, before)
        except OSError:  # another disk, or one without hard links
            shutil.copy2(path, before)
        for ending in ("-wal", "-shm"):
            beside = path.with_name(path.name + ending)
            if beside.exists():
                beside.replace(before.with_name(before.name + ending))
    copy.replace(path)


def _put_rows(copy: Path, settings: Settings, database: Database) -> None:
    migrate(settings)
    with (
        file_database(copy) as made,
        made.read_engine.connect() as source,
        prepared(database) as target,
    ):
        empty_tables(target)
        copy_tables(source, target)
