"""The engines: nothing is lost, reads do not wait, failures have names."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from server.errors import BadInput
from server.storage import learners
from server.storage.engine import Database
from server.storage.models import LearnerRow, WebSessionRow
from server.storage.problems import DatabaseBusy, DatabaseUnavailable
from tests import factories


def name_of(session: Session) -> str:
    return session.scalars(select(LearnerRow.name)).one()


def test_simultaneous_read_modify_write_loses_no_update(database: Database) -> None:
    """Left to the driver, 8 threads of 40 keep 42 of 320 on SQLite, without an error."""
    with database.writing() as session:
        learner = factories.guest(session)

    def count_up(_: int) -> None:
        for _ in range(40):
            with database.writing() as session:
                row = learners.lock(session, learner.id)
                assert row is not None
                row.answers += 1

    with ThreadPoolExecutor(8) as threads:
        list(threads.map(count_up, range(8)))
    with database.reading() as session:
        assert session.get_one(LearnerRow, learner.id).answers == 320


def test_a_reader_sees_the_last_committed_state_without_waiting(database: Database) -> None:
    with database.writing() as session:
        factories.guest(session)
    with database.writing() as session:
        session.scalars(select(LearnerRow)).one().name = "Changed"
        session.flush()
        started = time.monotonic()
        with database.reading() as reader:
            assert name_of(reader) == ""
        # Far below the 20 s it would wait for the writer; no measure of speed.
        assert time.monotonic() - started < 5
    with database.reading() as reader:
        assert name_of(reader) == "Changed"


def test_a_reading_session_cannot_write(database: Database) -> None:
    with pytest.raises((DBAPIError, DatabaseUnavailable)), database.reading() as session:
        session.execute(text("DELETE FROM learner"))


def test_an_exception_rolls_everything_back(database: Database) -> None:
    def insert_and_fail() -> None:
        with database.writing() as session:
            factories.guest(session)
            session.flush()
            raise RuntimeError("after the insert")

    with pytest.raises(RuntimeError, match="after the insert"):
        insert_and_fail()
    with database.reading() as session:
        assert session.scalars(select(LearnerRow)).all() == []


def test_a_savepoint_rolls_back_alone(database: Database) -> None:
    with database.writing() as session:
        factories.guest(session)
        savepoint = session.begin_nested()
        session.scalars(select(LearnerRow)).one().name = "Inside"
        session.flush()
        savepoint.rollback()
    with database.reading() as session:
        assert name_of(session) == ""


def test_foreign_keys_hold(database: Database) -> None:
    with pytest.raises(IntegrityError), database.writing() as session:
        session.add(
            WebSessionRow(
                token_hash="a" * 64,
                learner_id=uuid4(),
                created_at=factories.NOON,
                used_at=factories.NOON,
            )
        )


def test_a_writer_that_waits_too_long_is_told_so(sqlite_database: Database) -> None:
    impatient = Database(f"sqlite:///{sqlite_database.path}", wait_seconds=0.2)
    try:
        with (
            sqlite_database.writing(),
            pytest.raises(DatabaseBusy, match="try again"),
            impatient.writing(),
        ):
            raise AssertionError("two writers at once")
    finally:
        impatient.dispose()


def test_writers_take_turns_instead_of_failing(sqlite_database: Database) -> None:
    """A deferred transaction that reads and then writes fails at once, whatever the time-out."""
    with sqlite_database.writing() as session:
        factories.guest(session)
    inside = threading.Event()

    def hold() -> None:
        with sqlite_database.writing() as session:
            inside.set()
            time.sleep(0.3)
            session.scalars(select(LearnerRow)).one().name = "First"

    holder = threading.Thread(target=hold)
    holder.start()
    inside.wait()
    with sqlite_database.writing() as session:
        assert name_of(session) == "First"
    holder.join()


def test_a_database_that_cannot_be_opened_is_named(tmp_path: Path) -> None:
    missing = Database(f"sqlite:///{tmp_path / 'no' / 'such' / 'folder.db'}")
    with pytest.raises(DatabaseUnavailable, match="cannot be opened"), missing.writing():
        raise AssertionError("opened a file in a folder that does not exist")


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///:memory:", "mysql://localhost/x"])
def test_databases_that_cannot_serve_are_refused(url: str) -> None:
    with pytest.raises(BadInput):
        Database(url)


def test_acknowledged_means_on_disk(sqlite_database: Database) -> None:
    """WAL with synchronous FULL (2): a commit survives a power cut (SQLite documentation)."""
    with sqlite_database.writing() as session:
        assert session.execute(text("PRAGMA journal_mode")).scalar() == "wal"
        assert session.execute(text("PRAGMA synchronous")).scalar() == 2
