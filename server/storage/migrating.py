"""Bringing a database up to the tables that this version of the program needs.

A new migration is begun with
``python3 -m server.storage.migrating "what changes"`` in the environment: it
compares the tables with the models and writes ``migrations/versions/NNNN_….py``
for the developer to check.
"""

from __future__ import annotations

import logging
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, text
from sqlalchemy.exc import OperationalError

from server.errors import FundusRoundsError
from server.settings import CHECKOUT, Settings
from server.storage.engine import Database, database_of, named_failures
from server.storage.problems import DatabaseDamaged, DatabaseNewer, DatabaseUnavailable

log = logging.getLogger(__name__)

BACKUPS_KEPT = 5

MIGRATIONS = CHECKOUT / "migrations"

MIGRATION_LOCK = 7_305_221_904
"""An arbitrary number of ours: PostgreSQL lets one process at a time hold it."""


def migrate(settings: Settings, folder: Path = MIGRATIONS) -> None:
    """Make the database if there is none, and bring it up to date.

    An SQLite file is copied to ``backups/`` in the data folder first. The
    migration is one transaction: it happens wholly or not at all.

    Parameters
    ----------
    settings : of this program.
    folder : holds ``env.py`` and ``versions/``.

    Raises
    ------
    DatabaseNewer : a newer version of the program has changed the tables; nothing is touched.
    DatabaseDamaged : rows point at rows that do not exist; nothing is changed.
    DatabaseUnavailable : the file cannot be opened, or the server cannot be reached.
    """
    database = _open(settings)
    try:
        with named_failures():
            _migrate(database, settings, folder)
    finally:
        database.dispose()


def revision_of(database: Database) -> str | None:
    """Return the revision of a database's tables; None when it has none yet."""
    with database.read_engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def newest_revision(folder: Path = MIGRATIONS) -> str:
    """Return the revision that this version of the program needs."""
    head = _scripts(folder).get_current_head()
    assert head is not None
    return head


def _open(settings: Settings) -> Database:
    database = database_of(settings)
    if database.path is not None:
        try:
            database.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise DatabaseUnavailable(
                f"The data folder {database.path.parent} cannot be made ({problem.strerror}): "
                "choose another with --data DIR."
            ) from problem
    return database


def _migrate(database: Database, settings: Settings, folder: Path) -> None:
    current = revision_of(database)
    newest = newest_revision(folder)
    known = {script.revision for script in _scripts(folder).walk_revisions()}
    if current is not None and current not in known:
        raise DatabaseNewer(
            f"The database is of a newer version of the program (its tables are {current!r}, this "
            f"program knows up to {newest!r}): update the program, or choose another "
            "data folder with --data DIR."
        )
    if current == newest:
        return
    if current is not None and database.path is not None:
        _back_up(database.path, settings.data_dir / "backups", current)
    with prepared(database) as connection:
        command.upgrade(_config(folder, connection), "head")
    log.info("database tables are now at %s", newest)


@contextmanager
def prepared(database: Database) -> Iterator[Connection]:
    """Give a connection fit for table changes, in one transaction, committed on leaving."""
    with database.write_engine.connect() as connection:
        if database.is_sqlite:
            # Inside a transaction this would be ignored, so it goes to the driver directly.
            cursor = connection.connection.cursor()
            cursor.execute("PRAGMA foreign_keys=OFF")
            cursor.close()
        try:
            with connection.begin():
                if not database.is_sqlite:
                    connection.execute(
                        text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK}
                    )
                yield connection
                if database.is_sqlite:
                    _check_foreign_keys(connection)
        finally:
            # The pool must not hand a connection on that has foreign keys off.
            connection.invalidate()


def _check_foreign_keys(connection: Connection) -> None:
    broken = connection.execute(text("PRAGMA foreign_key_check")).all()
    if broken:
        tables = ", ".join(sorted({str(row[0]) for row in broken}))
        raise DatabaseDamaged(
            f"{len(broken)} rows in {tables} point at rows that do not exist; the database was "
            "left as it was. Restore a back-up from the folder backups/."
        )


def _back_up(path: Path, folder: Path, revision: str) -> None:
    """Copy a database file consistently, also while others use it; keep the latest few."""
    folder.mkdir(parents=True, exist_ok=True)
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    target = folder / f"{path.stem}-{stamp}-before-{revision}.db"
    try:
        with (
            sqlite3.connect(path) as source,
            sqlite3.connect(target) as copy,
        ):
            source.backup(copy)
        source.close()
        copy.close()
    except sqlite3.Error as problem:
        target.unlink(missing_ok=True)
        raise DatabaseUnavailable(
            f"The database could not be copied to {target} before its tables change ({problem}): "
            "free some disk space and start again; nothing was changed."
        ) from problem
    log.info("database copied to %s before its tables change", target)
    for old in sorted(folder.glob(f"{path.stem}-*-before-*.db"))[:-BACKUPS_KEPT]:
        old.unlink()


def _config(folder: Path, connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    config.set_main_option("file_template", "%%(rev)s_%%(slug)s")
    config.attributes["connection"] = connection
    return config


def _scripts(folder: Path) -> ScriptDirectory:
    return ScriptDirectory.from_config(_config(folder))


def begin_migration(settings: Settings, message: str, folder: Path = MIGRATIONS) -> Path:
    """Write a new migration that takes the migrated database of ``settings`` to the models."""
    migrate(settings, folder)
    highest = max(int(one.revision) for one in _scripts(folder).walk_revisions())
    number = f"{highest + 1:04d}"
    database = _open(settings)
    try:
        with prepared(database) as connection:
            made = command.revision(
                _config(folder, connection), message=message, autogenerate=True, rev_id=number
            )
    finally:
        database.dispose()
    assert made is not None
    assert not isinstance(made, list)
    return Path(made.path)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit('usage: python3 -m server.storage.migrating "what changes"')
    try:
        print(begin_migration(Settings(), sys.argv[1]))
    except (FundusRoundsError, OperationalError) as failure:
        sys.exit(str(failure))
