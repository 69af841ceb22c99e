"""The address a learner gave for reminders."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class MailAddressRow(Base):
    """An address, kept for reminders only; it is used once it has been confirmed from there."""

    __tablename__ = "mail_address"

    id: Mapped[UUID] = mapped_column(primary_key=True)
    """Letters name it, so that a link in an old letter cannot touch a newer address."""
    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), unique=True
    )
    address: Mapped[str] = mapped_column(String(254))
    given_at: Mapped[datetime]
    confirmed_at: Mapped[datetime | None]
    problem: Mapped[str] = mapped_column(String(300))
    """Why letters do not arrive, in words for the learner; while there is one, none is sent."""
