"""Open browser sessions in the database."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from server.storage.models import LearnerRow, WebSessionRow


def add(session: Session, token_hash: str, learner_id: UUID, now: datetime) -> None:
    """Store a new session."""
    session.add(
        WebSessionRow(token_hash=token_hash, learner_id=learner_id, created_at=now, used_at=now)
    )


def get(session: Session, token_hash: str) -> WebSessionRow | None:
    """Return the session of this hash, or None."""
    return session.get(WebSessionRow, token_hash)


def learner_of(session: Session, token_hash: str, used_since: datetime) -> LearnerRow | None:
    """Return the learner of a session that was used since a moment, or None."""
    return session.scalar(
        select(LearnerRow)
        .join(WebSessionRow, WebSessionRow.learner_id == LearnerRow.id)
        .where(WebSessionRow.token_hash == token_hash, WebSessionRow.used_at >= used_since)
    )


def remove(session: Session, token_hash: str) -> None:
    """Delete the session of this hash, if there is one."""
    session.execute(delete(WebSessionRow).where(WebSessionRow.token_hash == token_hash))


def remove_unused_since(session: Session, moment: datetime) -> None:
    """Delete the sessions not used since a moment."""
    session.execute(delete(WebSessionRow).where(WebSessionRow.used_at < moment))
