"""Sums kept with every answer, so that pages need not count the history again."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json


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
    readiness: Mapped[str] = mapped_column(String(5))
    """A letter for each level of `measurement.ladder`, to be counted over a cohort."""
    ladder: Mapped[list[Any]] = mapped_column(Json)
    """Where the tests behind the letters stand."""


class ConfusionTallyRow(Base):
    """How often a learner took one thing for another on one source of pictures."""

    __tablename__ = "confusion_tally"

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    source: Mapped[str] = mapped_column(String(12), primary_key=True)
    truth: Mapped[str] = mapped_column(String(40), primary_key=True)
    """A finding that was there, a look-alike, or 'normal'."""
    call: Mapped[str] = mapped_column(String(32), primary_key=True)
    """What it was called: a finding or 'normal'."""
    times: Mapped[int]


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
