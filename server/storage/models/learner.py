"""A learner, how they like to practise, and when not."""

from __future__ import annotations

from datetime import date, datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class LearnerRow(Base):
    """One learner; no personal data beyond a name to be called by."""

    __tablename__ = "learner"
    __table_args__ = (
        CheckConstraint("round_minutes BETWEEN 2 AND 15", name="round_minutes"),
        CheckConstraint("weekly_goal_days BETWEEN 1 AND 7", name="weekly_goal_days"),
        CheckConstraint("daily_minutes BETWEEN 2 AND 60", name="daily_minutes"),
        CheckConstraint("bedside IN ('moving', 'still', 'off')", name="bedside"),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(60))
    timezone: Mapped[str] = mapped_column(String(64))
    round_minutes: Mapped[int]
    weekly_goal_days: Mapped[int]
    daily_minutes: Mapped[int]
    rotation_on: Mapped[date | None]
    untimed: Mapped[bool]
    bedside: Mapped[str] = mapped_column(String(6))
    """How eyes at the bedside are shown: 'moving', 'still' or 'off'."""
    first_run_seen: Mapped[bool]
    created_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    answers: Mapped[int]
    """Answers so far: the next answer's ordinal is one more."""


class PauseRow(Base):
    """Days on which a learner does not mean to practise, both ends included.

    Pauses of one learner neither overlap nor touch.
    """

    __tablename__ = "pause"
    __table_args__ = (CheckConstraint("last_on >= first_on", name="order"),)

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    first_on: Mapped[date] = mapped_column(primary_key=True)
    last_on: Mapped[date]
