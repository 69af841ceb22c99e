"""A round and the cards planned for it."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ForeignKey, Index, String, text
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Serial


class RoundRow(Base):
    """One sitting. A learner has at most one open round."""

    __tablename__ = "practice_round"
    __table_args__ = (
        Index(
            "uq_practice_round_open",
            "learner_id",
            unique=True,
            sqlite_where=text("finished_at IS NULL"),
            postgresql_where=text("finished_at IS NULL"),
        ),
        Index("ix_practice_round_learner_id_started_at", "learner_id", "started_at"),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    learner_id: Mapped[UUID] = mapped_column(ForeignKey("learner.id", ondelete="CASCADE"))
    started_at: Mapped[datetime]
    finished_at: Mapped[datetime | None]
    left_early: Mapped[bool]


class RoundItemRow(Base):
    """One planned eye of a round."""

    __tablename__ = "round_item"
    __table_args__ = (Index("ix_round_item_round_id_position", "round_id", "position"),)

    id: Mapped[int] = mapped_column(Serial, primary_key=True)
    round_id: Mapped[UUID] = mapped_column(ForeignKey("practice_round.id", ondelete="CASCADE"))
    position: Mapped[int]
    """Planned order; a same-day repeat shifts what comes after it."""
    card_id: Mapped[str] = mapped_column(ForeignKey("card.id"))
    reason: Mapped[str] = mapped_column(String(8))
    severity: Mapped[float | None]
    """The severity at which this learner gains most, where the card has one to choose."""
    stage: Mapped[int | None]
    """Planned for the bedside view, so hard; None for a photograph."""
