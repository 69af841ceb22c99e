"""Learners in the database."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from server.storage.models import LearnerRow


def get(session: Session, learner_id: UUID) -> LearnerRow | None:
    """Return the learner, or None."""
    return session.get(LearnerRow, learner_id)


def lock(session: Session, learner_id: UUID) -> LearnerRow | None:
    """Return the learner, held until the transaction ends, so that their writes take turns.

    SQLite has one writer at a time anyway and leaves the clause out.
    """
    return session.scalar(
        select(LearnerRow)
        .where(LearnerRow.id == learner_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )


def note_seen(session: Session, learner_id: UUID, now: datetime) -> None:
    """Note when a learner was last here; a clock that was set back changes nothing."""
    session.execute(
        update(LearnerRow)
        .where(LearnerRow.id == learner_id, LearnerRow.seen_at < now)
        .values(seen_at=now)
    )
