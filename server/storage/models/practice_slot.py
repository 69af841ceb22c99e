"""When a learner wants to practise."""

from __future__ import annotations

from datetime import date
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class PracticeSlotRow(Base):
    """The time of day and the days of the week set aside for practice."""

    __tablename__ = "practice_slot"
    __table_args__ = (CheckConstraint("minute_of_day BETWEEN 0 AND 1439", name="minute_of_day"),)

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    minute_of_day: Mapped[int]
    """By the learner's own clock, whatever its offset that day."""
    weekdays: Mapped[str] = mapped_column(String(7))
    """ISO 8601 numbers in order: '135' is Monday, Wednesday and Friday."""
    alarm: Mapped[bool]
    """The calendar feed asks for an alarm at the time."""
    set_on: Mapped[date]
    """The learner's day from which it counts: the next one if the time had passed at the choice."""
