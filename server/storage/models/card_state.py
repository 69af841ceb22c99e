"""Where one learner stands with one card."""

from __future__ import annotations

from datetime import date
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class CardStateRow(Base):
    """The scheduling state after the latest counted answer."""

    __tablename__ = "card_state"
    __table_args__ = (
        CheckConstraint("easiness >= 130", name="easiness"),
        CheckConstraint("interval_days >= 1", name="interval_days"),
        Index("ix_card_state_due", "learner_id", "due_on"),
    )

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    card_id: Mapped[str] = mapped_column(ForeignKey("card.id"), primary_key=True)
    easiness: Mapped[int]
    """The easiness factor in hundredths."""
    repetition: Mapped[int]
    interval_days: Mapped[int]
    due_on: Mapped[date]
    """The learner's own day, like every date here."""
    last_on: Mapped[date]
    lapses: Mapped[int]
    seen_on: Mapped[date]
    """The latest look, mere practice included."""
    owes_repeat_on: Mapped[date | None]
    """The day on which another eye of the card is still owed."""
    last_outcome: Mapped[str] = mapped_column(String(8))
    last_sure: Mapped[bool]
    confusions: Mapped[int]
    """How often this eye without a finding was taken for one, less how often it was not since."""
