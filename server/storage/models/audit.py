"""What leads and administrators did with other people's accounts."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Serial


class AuditEventRow(Base):
    """One act. It names nobody itself: who is deleted vanishes from it, the act stays."""

    __tablename__ = "audit_event"

    id: Mapped[int] = mapped_column(Serial, primary_key=True)
    at: Mapped[datetime] = mapped_column(index=True)
    act: Mapped[str] = mapped_column(String(40))
    actor_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="SET NULL"), index=True
    )
    """Who did it; None for the command line, or once they are deleted."""
    by_command: Mapped[bool]
    """True when it was done on the server's command line."""
    subject_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="SET NULL"), index=True
    )
    """Whose account it was done to."""
    cohort_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("cohort.id", ondelete="SET NULL"), index=True
    )
    """The cohort that it was about, if any."""
