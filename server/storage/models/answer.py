"""The answer to a look, with all that is needed to work its schedule out again."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json


class AnswerRow(Base):
    """An answer: its id is made by the learner's device, and a look has at most one."""

    __tablename__ = "answer"
    __table_args__ = (
        UniqueConstraint("learner_id", "ordinal"),
        CheckConstraint("quality BETWEEN 0 AND 5", name="quality"),
        CheckConstraint("counted IN ('review', 'practice')", name="counted"),
        CheckConstraint("response_ms >= hidden_ms AND hidden_ms >= 0", name="times"),
        Index("ix_answer_learner_id_card_id_ordinal", "learner_id", "card_id", "ordinal"),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    look_id: Mapped[UUID] = mapped_column(ForeignKey("look.id", ondelete="CASCADE"), unique=True)
    learner_id: Mapped[UUID] = mapped_column(ForeignKey("learner.id", ondelete="CASCADE"))
    card_id: Mapped[str] = mapped_column(ForeignKey("card.id"))
    ordinal: Mapped[int]
    """The learner's n-th answer: the order of history, whatever the clocks did."""
    answered_at: Mapped[datetime]
    local_day: Mapped[date]
    """The learner's day in the time zone they had then."""
    rules_version: Mapped[int]
    """The rules of judging and scheduling that were in force."""
    judgements: Mapped[dict[str, Any]] = mapped_column(Json)
    certainty: Mapped[str | None] = mapped_column(String(8))
    point_x: Mapped[float | None]
    point_y: Mapped[float | None]
    response_ms: Mapped[int]
    hidden_ms: Mapped[int]
    untimed: Mapped[bool]
    """The learner's setting at the time; looks at the bedside are never timed."""
    usable_ms: Mapped[int | None]
    """Visible time where it says something about recognition, for the learner's median."""
    outcome: Mapped[str] = mapped_column(String(8))
    point_right: Mapped[bool | None]
    marks: Mapped[dict[str, Any]] = mapped_column(Json)
    quality: Mapped[int]
    counted: Mapped[str] = mapped_column(String(8))
    schedule_before: Mapped[dict[str, Any] | None] = mapped_column(Json)
    schedule_after: Mapped[dict[str, Any]] = mapped_column(Json)
    rotation_on: Mapped[date | None]
    """The learner's rotation date at the time."""
    load: Mapped[dict[str, Any]] = mapped_column(Json)
    """How many other cards were due on the days from among which the next one was chosen."""
    due_besides: Mapped[int]
    """How many other cards that could come were due by then: whether the day was crowded."""
    day_looks: Mapped[int]
    """Looks that a day's practice held, by the learner's minutes at the time."""
