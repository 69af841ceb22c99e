"""Calendar feeds in the database."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.storage.models import CalendarFeedRow


def get(session: Session, learner_id: UUID) -> CalendarFeedRow | None:
    """Return the learner's feed, or None."""
    return session.get(CalendarFeedRow, learner_id)


def of_token(session: Session, token_hash: str) -> CalendarFeedRow | None:
    """Return the feed whose secret has this hash, or None."""
    return session.scalar(select(CalendarFeedRow).where(CalendarFeedRow.token_hash == token_hash))


def hold(session: Session, learner_id: UUID) -> CalendarFeedRow | None:
    """Return the learner's feed, held until the transaction ends."""
    return session.scalar(
        select(CalendarFeedRow)
        .where(CalendarFeedRow.learner_id == learner_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )
