"""A learner's private calendar address."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class CalendarFeedRow(Base):
    """A feed, known only by the SHA-256 of its address's secret part."""

    __tablename__ = "calendar_feed"

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    made_at: Mapped[datetime]
    fingerprint: Mapped[str] = mapped_column(String(64))
    """Hash of what the calendar said when it was last read."""
    sequence: Mapped[int]
    """How often that has changed (RFC 5545, SEQUENCE)."""
    changed_at: Mapped[datetime]
