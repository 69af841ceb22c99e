"""The trail of what leads and administrators did, in the database."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import delete, select
from sqlalchemy.orm import Session, aliased

from server.storage.models import AccountRow, AuditEventRow, CohortRow


@dataclass(frozen=True)
class AuditEvent:
    """One act, with the names that its people have today."""

    at: datetime
    act: str
    by_command: bool
    actor: str | None
    """Sign-in name; None once deleted, or for the command line."""
    subject: str | None
    cohort: str | None
    """Name of the cohort that it was about."""


def add(
    session: Session,
    act: str,
    now: datetime,
    *,
    actor_id: UUID | None,
    subject_id: UUID | None,
    by_command: bool = False,
    cohort_id: UUID | None = None,
) -> None:
    """Note an act."""
    session.add(
        AuditEventRow(
            at=now,
            act=act,
            actor_id=actor_id,
            by_command=by_command,
            subject_id=subject_id,
            cohort_id=cohort_id,
        )
    )
    session.flush()


def latest(session: Session, limit: int, subject_id: UUID | None = None) -> Sequence[AuditEvent]:
    """Return the latest acts, newest first; those done to one account, or all."""
    actor, subject = aliased(AccountRow), aliased(AccountRow)
    query = (
        select(
            AuditEventRow.at,
            AuditEventRow.act,
            AuditEventRow.by_command,
            actor.sign_in_name,
            subject.sign_in_name,
            CohortRow.name,
        )
        .outerjoin(actor, actor.learner_id == AuditEventRow.actor_id)
        .outerjoin(subject, subject.learner_id == AuditEventRow.subject_id)
        .outerjoin(CohortRow, CohortRow.id == AuditEventRow.cohort_id)
        .order_by(AuditEventRow.id.desc())
        .limit(limit)
    )
    if subject_id is not None:
        query = query.where(AuditEventRow.subject_id == subject_id)
    return [AuditEvent(*row) for row in session.execute(query)]


def forget_before(session: Session, moment: datetime) -> None:
    """Delete the acts before a moment."""
    session.execute(delete(AuditEventRow).where(AuditEventRow.at < moment))
