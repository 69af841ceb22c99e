"""A letter to a learner, from the moment somebody takes it on until its fate is known."""

from __future__ import annotations

from datetime import date, datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class LetterRow(Base):
    """A letter. Its row is there before anything is sent: that makes a day's reminder one."""

    __tablename__ = "letter"
    __table_args__ = (
        UniqueConstraint("learner_id", "kind", "day", "number"),
        UniqueConstraint("learner_id", "cohort_id", "day"),
        CheckConstraint("kind IN ('confirm', 'reminder', 'summary')", name="kind"),
        CheckConstraint(
            "state IN ('waiting', 'claimed', 'handing-over', 'sent', 'refused', 'unknown', "
            "'dropped')",
            name="state",
        ),
        Index("ix_letter_state_next_at", "state", "next_at"),
        Index("ix_letter_to_hash_made_at", "to_hash", "made_at"),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    learner_id: Mapped[UUID] = mapped_column(ForeignKey("learner.id", ondelete="CASCADE"))
    address_id: Mapped[UUID]
    """The address it is for; no foreign key, since the letter outlives it."""
    to_hash: Mapped[str] = mapped_column(String(64))
    """SHA-256 of the address: limits how often one mailbox can be written to unasked."""
    kind: Mapped[str] = mapped_column(String(8))
    cohort_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("cohort.id", ondelete="CASCADE"), index=True
    )
    """The cohort that a summary is about; None for every other kind."""
    day: Mapped[date]
    """The learner's day; of a summary the Monday after its week, so that a week has one."""
    number: Mapped[int]
    """From 1 on each day; a reminder is always the first."""
    token_hash: Mapped[str | None] = mapped_column(String(64), unique=True)
    """SHA-256 of the secret in its links; each attempt makes another."""
    state: Mapped[str] = mapped_column(String(12))
    attempts: Mapped[int]
    next_at: Mapped[datetime | None]
    """While waiting: when to try; while claimed or handing over: when its holder is given up."""
    made_at: Mapped[datetime]
    settled_at: Mapped[datetime | None]
    problem: Mapped[str] = mapped_column(String(300))
