"""Whom the school's provider means, and sign-ins that wait half done, in the database."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import delete, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from server.storage.models import PendingSignInRow, ProviderIdentityRow


def get(session: Session, issuer: str, subject: str) -> ProviderIdentityRow | None:
    """Return whom an issuer means by a subject, or None for nobody yet."""
    return session.get(ProviderIdentityRow, (issuer, subject))


def of_learner(session: Session, learner_id: UUID, issuer: str) -> ProviderIdentityRow | None:
    """Return a learner's identity at an issuer, or None."""
    return session.scalar(
        select(ProviderIdentityRow).where(
            ProviderIdentityRow.learner_id == learner_id, ProviderIdentityRow.issuer == issuer
        )
    )


def add(session: Session, row: ProviderIdentityRow) -> bool:
    """Store an identity; False when it, or another of the same learner's, is there already."""
    try:
        with session.begin_nested():
            session.add(row)
            session.flush()
    except IntegrityError:
        return False
    return True


def remove(session: Session, learner_id: UUID, issuer: str) -> bool:
    """Delete a learner's identity at an issuer; False when there is none."""
    gone = session.execute(
        delete(ProviderIdentityRow)
        .where(ProviderIdentityRow.learner_id == learner_id, ProviderIdentityRow.issuer == issuer)
        .returning(ProviderIdentityRow.subject)
    )
    return gone.first() is not None


def leave_pending(session: Session, row: PendingSignInRow) -> None:
    """Store a sign-in that is half done; an older one under the same key is void."""
    session.execute(delete(PendingSignInRow).where(PendingSignInRow.key_hash == row.key_hash))
    session.add(row)
    session.flush()


def pending(session: Session, key_hash: str, begun_since: datetime) -> PendingSignInRow | None:
    """Return a sign-in that is half done and not too old, or None."""
    return session.scalar(
        select(PendingSignInRow).where(
            PendingSignInRow.key_hash == key_hash, PendingSignInRow.created_at >= begun_since
        )
    )


def spend_pending(
    session: Session, key_hash: str, begun_since: datetime
) -> PendingSignInRow | None:
    """Delete a sign-in that is half done and return it; None when it is gone or too old."""
    return session.scalar(
        delete(PendingSignInRow)
        .where(PendingSignInRow.key_hash == key_hash, PendingSignInRow.created_at >= begun_since)
        .returning(PendingSignInRow)
    )


def forget_pending_before(session: Session, moment: datetime) -> None:
    """Delete the sign-ins left half done before a moment."""
    session.execute(delete(PendingSignInRow).where(PendingSignInRow.created_at < moment))
