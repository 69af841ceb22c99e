"""Moments keep their meaning through the database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy.exc import StatementError

from server.storage.engine import Database
from server.storage.models import LearnerRow
from tests import factories


def test_a_moment_comes_back_aware_and_unchanged(database: Database) -> None:
    """SQLite alone would return 23:30-08:00 as a naive 23:30, eight hours off."""
    evening = datetime(2026, 3, 1, 23, 30, tzinfo=timezone(-timedelta(hours=8)))
    with database.writing() as session:
        learner = factories.guest(session)
        session.get_one(LearnerRow, learner.id).seen_at = evening
    with database.reading() as session:
        seen = session.get_one(LearnerRow, learner.id).seen_at
    assert seen == evening
    assert seen.tzinfo is UTC
    assert seen.hour == 7


def test_a_naive_moment_is_refused(database: Database) -> None:
    naive = datetime(2026, 3, 1, 23, 30)  # noqa: DTZ001  (being refused is the point)
    with database.writing() as session:
        row = session.get_one(LearnerRow, factories.guest(session).id)
        row.seen_at = naive
        with pytest.raises(StatementError, match="without a time zone"):
            session.flush()
        session.rollback()
