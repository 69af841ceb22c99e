"""Real databases for tests: a file of SQLite each, and PostgreSQL where one is offered.

``FUNDUS_TEST_POSTGRES_URL`` names a PostgreSQL server and a database on it
whose user may create databases; every test that takes ``database`` then runs
on both.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from server.settings import Settings
from server.storage.engine import Database
from server.storage.migrating import migrate
from server.storage.models import Base

POSTGRES_URL = os.environ.get("FUNDUS_TEST_POSTGRES_URL", "")
BACKENDS = ("sqlite", "postgresql") if POSTGRES_URL else ("sqlite",)


def sqlite_settings(folder: Path, **more: object) -> Settings:
    """Return settings for a database file in a folder, whatever the environment says."""
    # Most tests are not about second factors; those that are say so.
    settings: dict[str, object] = {"second_factor": "off", **more}
    return Settings(data_dir=folder, database_url="", **settings)  # type: ignore[arg-type]


def migrated_file(folder: Path) -> Path:
    """Make an empty, migrated SQLite file to copy from."""
    settings = sqlite_settings(folder)
    migrate(settings)
    path = Database(settings.resolved_database_url).path
    assert path is not None
    return path


@contextmanager
def sqlite_copy(template: Path, folder: Path) -> Iterator[Database]:
    """Give a fresh SQLite database, a copy of the migrated one."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(template, folder / template.name)
    database = Database(f"sqlite:///{folder / template.name}", wait_seconds=20)
    try:
        yield database
    finally:
        database.dispose()


@contextmanager
def own_postgres(worker: str) -> Iterator[str]:
    """Make a database of the test process's own on the offered server; yield its address."""
    name = f"fundus_test_{worker}_{os.getpid()}"
    outer = create_engine(
        make_url(POSTGRES_URL).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT"
    )
    with outer.connect() as connection:
        connection.execute(text(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)'))
        connection.execute(text(f'CREATE DATABASE "{name}"'))
    try:
        address = make_url(POSTGRES_URL).set(database=name)
        yield address.render_as_string(hide_password=False)
    finally:
        with outer.connect() as connection:
            connection.execute(text(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)'))
        outer.dispose()


def empty(database: Database) -> None:
    """Delete every row of every table, children first.

    Tests write little, and deleting little is ten times as fast as truncating all tables.
    """
    tables = reversed(Base.metadata.sorted_tables)
    statements = "; ".join(f'DELETE FROM "{table.name}"' for table in tables)
    with database.write_engine.begin() as connection:
        connection.exec_driver_sql(statements)
