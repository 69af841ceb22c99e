"""Links that open one door once, in the database."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import delete, exists, or_, select
from sqlalchemy.orm import Session

from server.storage.models import OneTimeLinkRow


def replace(
    session: Session,
    token_hash: str,
    *,
    purpose: str,
    learner_id: UUID | None,
    now: datetime,
    expires_at: datetime | None,
) -> None:
    """Store a link; an older one for the same door is void from now on."""
    session.execute(
        delete(OneTimeLinkRow).where(
            OneTimeLinkRow.purpose == purpose,
            OneTimeLinkRow.learner_id.is_(None)
            if learner_id is None
            else OneTimeLinkRow.learner_id == learner_id,
        )
    )
    session.add(
        OneTimeLinkRow(
            token_hash=token_hash,
            purpose=purpose,
            learner_id=learner_id,
            created_at=now,
            expires_at=expires_at,
        )
    )
    session.flush()


def get(session: Session, token_hash: str, now: datetime) -> OneTimeLinkRow | None:
    """Return a link that still opens something, or None."""
    return session.scalar(
        select(OneTimeLinkRow).where(
            OneTimeLinkRow.token_hash == token_hash,
            or_(OneTimeLinkRow.expires_at.is_(None), OneTimeLinkRow.expires_at > now),
        )
    )


def spend(session: Session, token_hash: str) -> bool:
    """Delete a link; False when somebody else was faster."""
    gone = session.execute(
        delete(OneTimeLinkRow)
        .where(OneTimeLinkRow.token_hash == token_hash)
        .returning(OneTimeLinkRow.token_hash)
    )
    return gone.first() is not None


def outstanding(session: Session, purpose: str) -> bool:
    """Whether a link for this purpose waits to be used."""
    return bool(session.scalar(select(exists().where(OneTimeLinkRow.purpose == purpose))))


def remove_expired(session: Session, now: datetime) -> None:
    """Delete the links that open nothing any more."""
    session.execute(delete(OneTimeLinkRow).where(OneTimeLinkRow.expires_at <= now))
