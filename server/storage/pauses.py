"""Learners' pauses in the database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.storage.models import PauseRow


def of_learner(session: Session, learner_id: UUID, since: date) -> Sequence[PauseRow]:
    """Return the pauses that end on a day or later, earliest first."""
    return session.scalars(
        select(PauseRow)
        .where(PauseRow.learner_id == learner_id, PauseRow.last_on >= since)
        .order_by(PauseRow.first_on)
    ).all()


def touching(session: Session, learner_id: UUID, first: date, last: date) -> Sequence[PauseRow]:
    """Return the pauses that have a day between two days, both included, earliest first."""
    return session.scalars(
        select(PauseRow)
        .where(
            PauseRow.learner_id == learner_id,
            PauseRow.first_on <= last,
            PauseRow.last_on >= first,
        )
        .order_by(PauseRow.first_on)
    ).all()


def get(session: Session, learner_id: UUID, first_on: date) -> PauseRow | None:
    """Return the pause that begins on a day, or None."""
    return session.get(PauseRow, (learner_id, first_on))
