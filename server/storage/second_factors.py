"""Secrets shared with authenticator apps, and recovery codes, in the database."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from server.storage.models import RecoveryCodeRow, SecondFactorRow


def get(session: Session, learner_id: UUID) -> SecondFactorRow | None:
    """Return a learner's second factor, or None."""
    return session.get(SecondFactorRow, learner_id)


def held(session: Session, learner_id: UUID) -> SecondFactorRow | None:
    """Return a learner's second factor, held until the transaction ends, or None."""
    return session.scalar(
        select(SecondFactorRow)
        .where(SecondFactorRow.learner_id == learner_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )


def replace(session: Session, row: SecondFactorRow) -> None:
    """Store a second factor instead of an older one, whose recovery codes are void."""
    remove(session, row.learner_id)
    session.add(row)
    session.flush()


def remove(session: Session, learner_id: UUID) -> bool:
    """Delete a second factor and its recovery codes; False when there is none."""
    session.execute(delete(RecoveryCodeRow).where(RecoveryCodeRow.learner_id == learner_id))
    gone = session.execute(
        delete(SecondFactorRow)
        .where(SecondFactorRow.learner_id == learner_id)
        .returning(SecondFactorRow.learner_id)
    ).first()
    session.expire_all()
    return gone is not None


def replace_codes(session: Session, learner_id: UUID, hashes: Sequence[str]) -> None:
    """Store recovery codes; older ones are void."""
    session.execute(delete(RecoveryCodeRow).where(RecoveryCodeRow.learner_id == learner_id))
    session.add_all(RecoveryCodeRow(learner_id=learner_id, code_hash=one) for one in hashes)
    session.flush()


def spend_code(session: Session, learner_id: UUID, code_hash: str) -> bool:
    """Delete a recovery code; False when it is none, or was used before."""
    gone = session.execute(
        delete(RecoveryCodeRow)
        .where(RecoveryCodeRow.learner_id == learner_id, RecoveryCodeRow.code_hash == code_hash)
        .returning(RecoveryCodeRow.code_hash)
    )
    return gone.first() is not None


def codes_left(session: Session, learner_id: UUID) -> int:
    """Return how many recovery codes can still be used."""
    count = select(func.count()).where(RecoveryCodeRow.learner_id == learner_id)
    return session.scalar(count) or 0
