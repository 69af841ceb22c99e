"""Sums kept with every answer, so that pages need not count the history again."""

from __future__ import annotations

from datetime import date
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class FindingTallyRow(Base):
    """A learner's marks for one finding on one source of pictures."""

    __tablename__ = "finding_tally"

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    source: Mapped[str] = mapped_column(String(12), primary_key=True)
    finding: Mapped[str] = mapped_column(String(32), primary_key=True)
    hits: Mapped[int]
    misses: Mapped[int]
    false_alarms: Mapped[int]
    correct_rejections: Mapped[int]


class PracticeDayRow(Base):
    """What a learner did on one of their days."""

    __tablename__ = "practice_day"

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    day: Mapped[date] = mapped_column(primary_key=True)
    answers: Mapped[int]
    right: Mapped[int]
    partly: Mapped[int]
    wrong: Mapped[int]
    abnormal: Mapped[int]
    """Answers on eyes that showed a finding."""
    visible_ms: Mapped[int]
