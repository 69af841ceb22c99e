"""Practice slots in the database."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.storage.models import LearnerRow, MailAddressRow, PracticeSlotRow


def get(session: Session, learner_id: UUID) -> PracticeSlotRow | None:
    """Return the learner's slot, or None."""
    return session.get(PracticeSlotRow, learner_id)


def with_confirmed_mail(session: Session) -> Sequence[tuple[UUID, str, int, str]]:
    """Return id, time zone, minute and weekdays of everybody whom mail may remind."""
    rows = session.execute(
        select(
            LearnerRow.id,
            LearnerRow.timezone,
            PracticeSlotRow.minute_of_day,
            PracticeSlotRow.weekdays,
        )
        .join(PracticeSlotRow, PracticeSlotRow.learner_id == LearnerRow.id)
        .join(MailAddressRow, MailAddressRow.learner_id == LearnerRow.id)
        .where(MailAddressRow.confirmed_at.is_not(None), MailAddressRow.problem == "")
        .order_by(LearnerRow.id)
    )
    return [(row[0], row[1], row[2], row[3]) for row in rows]
