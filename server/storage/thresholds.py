"""What learners' thresholds are worked out from, in the database."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.storage.models import ThresholdRow


def of_learner(session: Session, learner_id: UUID) -> dict[str, ThresholdRow]:
    """Return all rows of a learner by finding."""
    rows = session.scalars(select(ThresholdRow).where(ThresholdRow.learner_id == learner_id))
    return {row.finding: row for row in rows}


def get_or_new(session: Session, learner_id: UUID, finding: str) -> ThresholdRow:
    """Return the row of one finding, made if it is the first. The caller holds the learner."""
    row = session.get(ThresholdRow, (learner_id, finding))
    if row is None:
        row = ThresholdRow(learner_id=learner_id, finding=finding, eyes=0, latest=[])
        session.add(row)
    return row
