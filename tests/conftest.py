"""Fixtures for every room: databases, and nothing that a room could own itself."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from sqlalchemy import event

from server.identity import passwords
from server.settings import Settings
from server.storage.engine import Database
from server.storage.migrating import migrate
from tests import databases


@pytest.fixture(autouse=True)
def light_hashing(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash passwords by argon2id with the least work it allows.

    A hash in earnest takes 64 MiB and a tenth of a second, as it should; hundreds of tests
    only need an account. The room of passwords itself, and every real program that a test
    starts, hash in earnest.
    """
    if "identity" not in request.node.path.parts:
        light = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
        monkeypatch.setattr(passwords, "_hasher", light)
        passwords._nobodys_hash.cache_clear()


@pytest.fixture(autouse=True)
def own_logging() -> Iterator[None]:
    """Undo what a test sets up for log lines: its stream is closed when the next one writes."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    # What pytest itself put there during the test it takes away itself.
    root.handlers[:] = [one for one in root.handlers if one in handlers]
    root.setLevel(level)


@pytest.fixture(scope="session")
def migrated_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty, migrated SQLite file, made once per test process."""
    return databases.migrated_file(tmp_path_factory.mktemp("migrated"))


@pytest.fixture(scope="session")
def postgres_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a migrated PostgreSQL database of this test process."""
    folder = tmp_path_factory.mktemp("postgres")
    with databases.own_postgres(folder.parent.name.replace("-", "_")) as address:
        migrate(Settings(data_dir=folder, database_url=address))
        yield address


@pytest.fixture(params=databases.BACKENDS)
def database(
    request: pytest.FixtureRequest, tmp_path: Path, migrated_file: Path
) -> Iterator[Database]:
    """A fresh, migrated database: SQLite, and PostgreSQL too where one is offered."""
    if request.param == "sqlite":
        with databases.sqlite_copy(migrated_file, tmp_path / "database") as fresh:
            yield fresh
        return
    address = request.getfixturevalue("postgres_url")
    fresh = Database(
        Settings(data_dir=tmp_path, database_url=address).resolved_database_url, wait_seconds=20
    )
    databases.empty(fresh)
    try:
        yield fresh
    finally:
        fresh.dispose()


@pytest.fixture
def sqlite_database(tmp_path: Path, migrated_file: Path) -> Iterator[Database]:
    """A fresh, migrated SQLite database, for what is SQLite's own."""
    with databases.sqlite_copy(migrated_file, tmp_path / "database") as fresh:
        yield fresh


@pytest.fixture
def statements(database: Database) -> Iterator[list[str]]:
    """Every statement that the database is sent, as it is sent."""
    sent: list[str] = []

    def note(_c: object, _k: object, statement: str, *_: object) -> None:
        sent.append(statement)

    engines = {id(one): one for one in (database.write_engine, database.read_engine)}
    for engine in engines.values():
        event.listen(engine, "before_cursor_execute", note)
    yield sent
    for engine in engines.values():
        event.remove(engine, "before_cursor_execute", note)
