"""Passkeys and the challenges they answer, in the database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from server.storage.models import PasskeyChallengeRow, PasskeyRow


def get(session: Session, credential_id: str) -> PasskeyRow | None:
    """Return a passkey, held until the transaction ends, or None."""
    return session.scalar(
        select(PasskeyRow).where(PasskeyRow.credential_id == credential_id).with_for_update()
    )


def of_learner(session: Session, learner_id: UUID) -> Sequence[PasskeyRow]:
    """Return a learner's passkeys, oldest first."""
    return session.scalars(
        select(PasskeyRow)
        .where(PasskeyRow.learner_id == learner_id)
        .order_by(PasskeyRow.created_at, PasskeyRow.credential_id)
    ).all()


def add(session: Session, row: PasskeyRow) -> None:
    """Store a new passkey."""
    session.add(row)
    session.flush()


def remove(session: Session, learner_id: UUID, credential_id: str) -> bool:
    """Delete one of a learner's passkeys; False when it is not one of theirs."""
    gone = session.execute(
        delete(PasskeyRow)
        .where(PasskeyRow.learner_id == learner_id, PasskeyRow.credential_id == credential_id)
        .returning(PasskeyRow.credential_id)
    )
    return gone.first() is not None


def add_challenge(
    session: Session, challenge_hash: str, purpose: str, learner_id: UUID | None, now: datetime
) -> None:
    """Store a challenge that was handed out."""
    session.add(
        PasskeyChallengeRow(
            challenge_hash=challenge_hash, purpose=purpose, learner_id=learner_id, created_at=now
        )
    )
    session.flush()


def spend_challenge(
    session: Session,
    challenge_hash: str,
    purpose: str,
    learner_id: UUID | None,
    made_since: datetime,
) -> bool:
    """Delete a challenge; False when it was not handed out so, too long ago, or answered before."""
    owner = PasskeyChallengeRow.learner_id
    gone = session.execute(
        delete(PasskeyChallengeRow)
        .where(
            PasskeyChallengeRow.challenge_hash == challenge_hash,
            PasskeyChallengeRow.purpose == purpose,
            owner.is_(None) if learner_id is None else owner == learner_id,
            PasskeyChallengeRow.created_at >= made_since,
        )
        .returning(PasskeyChallengeRow.challenge_hash)
    )
    return gone.first() is not None


def remove_challenges_before(session: Session, moment: datetime) -> None:
    """Delete the challenges handed out before a moment."""
    session.execute(delete(PasskeyChallengeRow).where(PasskeyChallengeRow.created_at < moment))
