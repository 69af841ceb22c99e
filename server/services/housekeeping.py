"""Deleting what has run its time: sessions, links, attempts, packages, and forgotten guests."""

from __future__ import annotations

from datetime import datetime

from server.services import privacy, sessions
from server.services.accounts import limits, links, school
from server.services.packages import waiting as packages
from server.settings import Settings
from server.storage.engine import Database


def tidy(database: Database, settings: Settings, now: datetime) -> int:
    """Delete what has run its time, in short transactions; return the number of guests deleted."""
    with database.writing() as session:
        sessions.end_old(
            session,
            now,
            session_days=settings.session_days,
            sign_in_days=settings.sign_in_days,
        )
        limits.forget_old_attempts(session, now)
        links.forget_expired(session, now)
        school.forget_old_attempts(session, now)
        packages.drop_old(session, settings.data_dir, now)
    forgotten = 0
    while True:
        with database.writing() as session:
            some = privacy.forget_unused_guests(session, now, settings.guest_days)
        if not some:
            return forgotten
        forgotten += some
