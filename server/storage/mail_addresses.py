"""Mail addresses in the database."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from server.storage.models import MailAddressRow


def of_learner(session: Session, learner_id: UUID) -> MailAddressRow | None:
    """Return the learner's address, or None."""
    return session.scalar(select(MailAddressRow).where(MailAddressRow.learner_id == learner_id))


def hold(session: Session, address_id: UUID) -> MailAddressRow | None:
    """Return an address, held until the transaction ends, or None when it was removed."""
    return session.scalar(
        select(MailAddressRow)
        .where(MailAddressRow.id == address_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )


def remove(session: Session, address_id: UUID) -> None:
    """Delete an address, if it is still there."""
    session.execute(delete(MailAddressRow).where(MailAddressRow.id == address_id))


def remove_unconfirmed_since(session: Session, moment: datetime) -> None:
    """Delete the addresses given before a moment that nobody confirmed."""
    session.execute(
        delete(MailAddressRow).where(
            MailAddressRow.confirmed_at.is_(None), MailAddressRow.given_at < moment
        )
    )
