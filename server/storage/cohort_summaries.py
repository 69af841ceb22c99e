"""Who wants a cohort's weekly summary, in the database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from server.storage.models import CohortLeadRow, CohortRow, LearnerRow, MailAddressRow


class SummaryReader(NamedTuple):
    """A lead who wants a cohort's weekly summary."""

    cohort_id: UUID
    learner_id: UUID
    timezone: str
    since: datetime


def since(session: Session, cohort_id: UUID, learner_id: UUID) -> datetime | None:
    """Return since when somebody wants a cohort's summary; None unless they lead it and do."""
    return session.scalar(
        select(CohortLeadRow.summary_since)
        .join(CohortRow, CohortRow.id == CohortLeadRow.cohort_id)
        .where(
            CohortLeadRow.cohort_id == cohort_id,
            CohortLeadRow.learner_id == learner_id,
            CohortRow.archived_at.is_(None),
        )
    )


def put(session: Session, cohort_id: UUID, learner_id: UUID, wanted_since: datetime | None) -> None:
    """Store since when a lead wants a cohort's summary; of nobody else there is a row."""
    session.execute(
        update(CohortLeadRow)
        .where(CohortLeadRow.cohort_id == cohort_id, CohortLeadRow.learner_id == learner_id)
        .values(summary_since=wanted_since)
    )


def readers(session: Session) -> Sequence[SummaryReader]:
    """Return every lead who wants a summary and whom mail reaches, of cohorts in use."""
    rows = session.execute(
        select(
            CohortLeadRow.cohort_id,
            CohortLeadRow.learner_id,
            LearnerRow.timezone,
            CohortLeadRow.summary_since,
        )
        .join(CohortRow, CohortRow.id == CohortLeadRow.cohort_id)
        .join(LearnerRow, LearnerRow.id == CohortLeadRow.learner_id)
        .join(MailAddressRow, MailAddressRow.learner_id == CohortLeadRow.learner_id)
        .where(
            CohortLeadRow.summary_since.is_not(None),
            CohortRow.archived_at.is_(None),
            MailAddressRow.confirmed_at.is_not(None),
            MailAddressRow.problem == "",
        )
        .order_by(CohortLeadRow.learner_id, CohortLeadRow.cohort_id)
    )
    return [
        SummaryReader(cohort_id, learner_id, timezone, wanted)
        for cohort_id, learner_id, timezone, wanted in rows
        if wanted is not None
    ]
