"""Deleting what has run its time: sessions, links, attempts, packages, acts, learners long away."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from server.services import privacy, sessions
from server.services.accounts import half_done, limits, links
from server.services.packages import waiting as packages
from server.settings import Settings
from server.storage import audit
from server.storage.engine import Database


@dataclass(frozen=True)
class Forgotten:
    """How many learners were deleted because they did not come back."""

    guests: int = 0
    accounts: int = 0

    def __bool__(self) -> bool:
        return bool(self.guests or self.accounts)


def tidy(database: Database, settings: Settings, now: datetime) -> Forgotten:
    """Delete what has run its time, in short transactions; return how many learners that were."""
    with database.writing() as session:
        sessions.end_old(
            session,
            now,
            session_days=settings.session_days,
            sign_in_days=settings.sign_in_days,
        )
        limits.forget_old_attempts(session, now)
        links.forget_expired(session, now)
        half_done.forget_old(session, now)
        packages.drop_old(session, settings.data_dir, now)
        if settings.audit_days:
            audit.forget_before(session, now - timedelta(days=settings.audit_days))
    return Forgotten(
        _all_of(database, now, privacy.forget_unused_guests, settings.guest_days),
        _all_of(database, now, privacy.forget_unused_accounts, settings.account_days),
    )


def _all_of(
    database: Database, now: datetime, forget: Callable[[Session, datetime, int], int], days: int
) -> int:
    forgotten = 0
    while True:
        with database.writing() as session:
            some = forget(session, now, days)
        if not some:
            return forgotten
        forgotten += some
