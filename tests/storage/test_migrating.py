"""Migrations: they match the models, keep every row, and happen wholly or not at all."""

from __future__ import annotations

import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import func, select, text

from server.settings import CHECKOUT, Settings
from server.storage.engine import Database
from server.storage.migrating import (
    begin_migration,
    migrate,
    newest_revision,
    prepared,
    revision_of,
)
from server.storage.models import AnswerRow, Base, LearnerRow, LookRow
from server.storage.problems import DatabaseDamaged, DatabaseNewer, DatabaseUnavailable
from tests import factories
from tests.databases import sqlite_settings

NEXT = '''"""A later migration, for tests."""
import sqlalchemy as sa
from alembic import op

revision = "9999"
down_revision = "{newest}"
branch_labels = None
depends_on = None


def upgrade() -> None:
    {body}
'''

REBUILD_LEARNER = """with op.batch_alter_table("learner", recreate="always") as table:
        table.drop_column("untimed")
        table.add_column(sa.Column("motto", sa.String(20), server_default="", nullable=False))"""


@pytest.fixture
def later(tmp_path: Path) -> Path:
    """A copy of the migrations' folder, to which a test adds one more."""
    return Path(shutil.copytree(CHECKOUT / "migrations", tmp_path / "migrations"))


def add_migration(folder: Path, body: str) -> None:
    text_ = NEXT.format(newest=newest_revision(), body=body)
    (folder / "versions" / "9999_later.py").write_text(text_)


@pytest.fixture
def filled(tmp_path: Path) -> Settings:
    """A database with a learner who has practised a round."""
    settings = sqlite_settings(tmp_path / "data")
    migrate(settings)
    database = Database(settings.resolved_database_url)
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=3)
        factories.practise(session, factories.guest(session), right=False)
    database.dispose()
    return settings


def counts(settings: Settings) -> tuple[int, int, int]:
    database = Database(settings.resolved_database_url)
    try:
        with database.reading() as session:
            found = [
                session.scalar(select(func.count()).select_from(table))
                for table in (LearnerRow.__table__, LookRow.__table__, AnswerRow.__table__)
            ]
        return found[0] or 0, found[1] or 0, found[2] or 0
    finally:
        database.dispose()


def test_migrated_tables_are_those_of_the_models(database: Database) -> None:
    with prepared(database) as connection:
        context = MigrationContext.configure(
            connection, opts={"compare_type": True, "compare_server_default": True}
        )
        assert compare_metadata(context, Base.metadata) == []


def test_migrating_again_changes_nothing(filled: Settings) -> None:
    before = counts(filled)
    migrate(filled)
    assert counts(filled) == before
    assert not (filled.data_dir / "backups").exists()


def test_rebuilding_a_table_keeps_the_rows_that_point_at_it(filled: Settings, later: Path) -> None:
    """With foreign keys on, SQLite would delete every look and answer of the learner."""
    before = counts(filled)
    assert before[2] > 12
    add_migration(later, REBUILD_LEARNER)
    migrate(filled, later)
    database = Database(filled.resolved_database_url)
    assert revision_of(database) == "9999"
    with database.reading() as session:
        assert session.execute(text("SELECT motto FROM learner")).scalar() == ""
        assert session.execute(text("PRAGMA foreign_keys")).scalar() == 1
    database.dispose()
    assert counts_by_sql(filled) == before


def counts_by_sql(settings: Settings) -> tuple[int, int, int]:
    with sqlite3.connect(settings.data_dir / "fundus-rounds.db") as connection:
        found = [
            connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("learner", "look", "answer")
        ]
    connection.close()
    return found[0], found[1], found[2]


def test_a_copy_is_kept_before_tables_change(filled: Settings, later: Path) -> None:
    before = counts(filled)
    add_migration(later, REBUILD_LEARNER)
    migrate(filled, later)
    (copy,) = (filled.data_dir / "backups").iterdir()
    restored = sqlite_settings(filled.data_dir / "restored")
    restored.data_dir.mkdir()
    shutil.copy(copy, restored.data_dir / "fundus-rounds.db")
    assert counts(restored) == before


@pytest.mark.parametrize(
    ("body", "problem"),
    [
        (f'{REBUILD_LEARNER}\n    raise RuntimeError("half-way")', RuntimeError),
        ('op.execute("DELETE FROM learner")', DatabaseDamaged),
    ],
    ids=["fails half-way", "leaves orphans"],
)
def test_a_migration_that_fails_changes_nothing(
    filled: Settings, later: Path, body: str, problem: type[Exception]
) -> None:
    before = counts(filled)
    add_migration(later, body)
    with pytest.raises(problem):
        migrate(filled, later)
    assert counts(filled) == before
    migrate(filled)


def test_a_database_of_a_newer_program_is_left_alone(filled: Settings, later: Path) -> None:
    add_migration(later, REBUILD_LEARNER)
    migrate(filled, later)
    path = filled.data_dir / "fundus-rounds.db"
    before = path.read_bytes()
    with pytest.raises(DatabaseNewer, match="update the program"):
        migrate(filled)
    assert path.read_bytes() == before


def test_a_new_migration_is_numbered_and_finds_what_the_models_lack(
    tmp_path: Path, later: Path
) -> None:
    first = later / "versions" / "0001_first_tables.py"
    index = '    op.create_index("ix_card_order", "card", ["retired", "position"], unique=False)\n'
    assert index in first.read_text()
    first.write_text(first.read_text().replace(index, ""))
    settings = sqlite_settings(tmp_path / "data")
    made = begin_migration(settings, "order cards", later)
    highest = max(
        int(one.name[:4]) for one in (CHECKOUT / "migrations" / "versions").glob("[0-9]*.py")
    )
    number = f"{highest + 1:04d}"
    assert made == later / "versions" / f"{number}_order_cards.py"
    assert "ix_card_order" in made.read_text()
    migrate(settings, later)
    database = Database(settings.resolved_database_url)
    assert revision_of(database) == number
    with prepared(database) as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
    database.dispose()


def test_processes_that_start_together_migrate_once(tmp_path: Path) -> None:
    settings = sqlite_settings(tmp_path)
    with ThreadPoolExecutor(4) as threads:
        list(threads.map(lambda _: migrate(settings), range(4)))
    database = Database(settings.resolved_database_url)
    assert revision_of(database) == newest_revision()
    database.dispose()


def test_a_new_file_is_opened_by_many_at_once(tmp_path: Path) -> None:
    """Switching to write-ahead mode is the one moment that SQLite does not wait for."""
    for number in range(30):
        databases = [Database(f"sqlite:///{tmp_path / f'{number}.db'}") for _ in range(4)]
        begun = Barrier(4)

        def opened(database: Database, begun: Barrier = begun) -> str:
            begun.wait()
            with database.write_engine.connect() as connection:
                return str(connection.execute(text("PRAGMA journal_mode")).scalar_one())

        with ThreadPoolExecutor(4) as threads:
            assert list(threads.map(opened, databases)) == ["wal"] * 4
        for database in databases:
            database.dispose()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(DatabaseUnavailable, match="choose another with --data"):
        migrate(sqlite_settings(tmp_path / "file" / "data"))


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    (tmp_path / "fundus-rounds.db").write_text("this is not a database file, but a letter\n" * 50)
    with pytest.raises(DatabaseUnavailable, match="damaged or is no database"):
        migrate(sqlite_settings(tmp_path))


UNDO_SEVERITIES = """
    DROP TABLE threshold;
    DROP TABLE eye_wish;
    CREATE TABLE eye_wish (card_id VARCHAR(80) NOT NULL PRIMARY KEY, urgent BOOLEAN NOT NULL,
        wished_at DATETIME NOT NULL);
    INSERT INTO eye_wish VALUES ('normal-0', 1, '2026-11-25 12:00:00');
    ALTER TABLE answer DROP COLUMN rotation_on;
    ALTER TABLE answer DROP COLUMN load;
    ALTER TABLE eye DROP COLUMN severity;
    ALTER TABLE round_item DROP COLUMN severity;
    UPDATE alembic_version SET version_num = '0004';
"""


def severities(path: Path) -> tuple[list[Any], list[Any]]:
    with sqlite3.connect(path) as connection:
        eyes = connection.execute("SELECT id, severity FROM eye ORDER BY id").fetchall()
        records = connection.execute(
            "SELECT learner_id, finding, eyes, json(latest) FROM threshold ORDER BY 1, 2"
        ).fetchall()
    connection.close()
    return eyes, records


def test_severities_of_earlier_eyes_and_answers_are_filled_in(
    filled: Settings, later: Path
) -> None:
    """A database from before severities were kept comes to hold what it would have held."""
    path = filled.data_dir / "fundus-rounds.db"
    expected = severities(path)
    assert any(severity is not None for _, severity in expected[0])
    assert len(expected[1]) >= 2
    with sqlite3.connect(path) as connection:
        connection.executescript(UNDO_SEVERITIES)
    connection.close()
    for script in (later / "versions").glob("[0-9]*.py"):
        if script.name > "0006":
            script.unlink()
    migrate(filled, later)
    assert severities(path) == expected
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT DISTINCT load FROM answer").fetchall() == [("{}",)]
        assert connection.execute("SELECT count(*) FROM eye_wish").fetchone() == (0,)
    connection.close()
