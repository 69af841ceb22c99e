"""A backup leaves out what can be drawn again, and no photograph can."""

from __future__ import annotations

from pathlib import Path

from server.services.photograph_cards import put_in_use
from server.storage.backups import back_up
from server.storage.engine import Database, opened
from server.storage.restoring import restore
from tests import factories
from tests.databases import sqlite_settings
from tests.factories import NOON
from tests.storage.test_backups import settings_of


def test_a_photograph_that_nobody_saw_is_kept(sqlite_database: Database, tmp_path: Path) -> None:
    """An eye in store is drawn again; nobody can draw a photograph again."""
    here, there = settings_of(sqlite_database, tmp_path), sqlite_settings(tmp_path / "other")
    with sqlite_database.writing() as session:
        put_in_use(session, factories.photograph_card(factories.photograph()), NOON)
    file = tmp_path / "site.zip"
    back_up(here, file, NOON)
    restore(there, file, NOON, replace=False)
    with opened(there) as database, database.writing() as session:
        look = factories.dealt(session, factories.guest(session))
        assert look.attribution is not None
