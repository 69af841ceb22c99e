"""Open browser sessions in the database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session

from server.storage.models import LearnerRow, WebSessionRow


def add(
    session: Session,
    token_hash: str,
    learner_id: UUID,
    now: datetime,
    *,
    device: str | None = None,
    confirmed_at: datetime | None = None,
    guest_id: UUID | None = None,
    by_two: bool = False,
) -> None:
    """Store a new session."""
    session.add(
        WebSessionRow(
            token_hash=token_hash,
            learner_id=learner_id,
            created_at=now,
            used_at=now,
            device=device,
            confirmed_at=confirmed_at,
            guest_id=guest_id,
            by_two=by_two,
        )
    )
    session.flush()


def get(session: Session, token_hash: str) -> WebSessionRow | None:
    """Return the session of this hash, or None."""
    return session.get(WebSessionRow, token_hash)


def learner_of(
    session: Session, token_hash: str, used_since: datetime, signed_in_since: datetime
) -> LearnerRow | None:
    """Return the learner of a session that is still open, or None.

    Parameters
    ----------
    used_since : an older session has ended for want of use.
    signed_in_since : a session that began with a sign-in before has ended, used or not.
    """
    return session.scalar(
        select(LearnerRow)
        .join(WebSessionRow, WebSessionRow.learner_id == LearnerRow.id)
        .where(
            WebSessionRow.token_hash == token_hash,
            WebSessionRow.used_at >= used_since,
            or_(WebSessionRow.confirmed_at.is_(None), WebSessionRow.created_at >= signed_in_since),
        )
    )


def of_learner(session: Session, learner_id: UUID) -> Sequence[WebSessionRow]:
    """Return a learner's sessions, the latest used first."""
    return session.scalars(
        select(WebSessionRow)
        .where(WebSessionRow.learner_id == learner_id)
        .order_by(WebSessionRow.used_at.desc(), WebSessionRow.token_hash)
    ).all()


def end(
    session: Session, learner_id: UUID, *, only: str | None = None, but: str | None = None
) -> None:
    """End a learner's sessions; one that a guest had before is that guest's again.

    Parameters
    ----------
    only : hash of the one session to end; None ends all.
    but : hash of a session to leave alone.
    """
    wanted = [WebSessionRow.learner_id == learner_id]
    if only is not None:
        wanted.append(WebSessionRow.token_hash == only)
    if but is not None:
        wanted.append(WebSessionRow.token_hash != but)
    session.execute(
        update(WebSessionRow)
        .where(*wanted, WebSessionRow.guest_id.is_not(None))
        .values(learner_id=WebSessionRow.guest_id, guest_id=None, confirmed_at=None, by_two=False)
    )
    session.execute(delete(WebSessionRow).where(*wanted))
    session.expire_all()


def end_signed_in_before(session: Session, moment: datetime) -> None:
    """End the sessions that began with a sign-in before a moment, each as ``end`` does."""
    old = [WebSessionRow.confirmed_at.is_not(None), WebSessionRow.created_at < moment]
    session.execute(
        update(WebSessionRow)
        .where(*old, WebSessionRow.guest_id.is_not(None))
        .values(learner_id=WebSessionRow.guest_id, guest_id=None, confirmed_at=None, by_two=False)
    )
    session.execute(delete(WebSessionRow).where(*old))


def remove_unused_since(session: Session, moment: datetime) -> None:
    """Delete the sessions not used since a moment."""
    session.execute(delete(WebSessionRow).where(WebSessionRow.used_at < moment))
