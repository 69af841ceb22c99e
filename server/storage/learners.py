"""Learners in the database."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy import select
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
