"""A learner and how they like to practise."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class LearnerRow(Base):
    """One learner; no personal data beyond a name to be called by."""

    __tablename__ = "learner"
    __table_args__ = (
        CheckConstraint("round_minutes BETWEEN 2 AND 15", name="round_minutes"),
        CheckConstraint("weekly_goal_days BETWEEN 1 AND 7", name="weekly_goal_days"),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(60))
    timezone: Mapped[str] = mapped_column(String(64))
    round_minutes: Mapped[int]
    weekly_goal_days: Mapped[int]
    untimed: Mapped[bool]
    first_run_seen: Mapped[bool]
    created_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    answers: Mapped[int]
    """Answers so far: the next answer's ordinal is one more."""
