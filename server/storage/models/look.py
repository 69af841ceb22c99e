"""One showing of one eye to one learner."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json


class LookRow(Base):
    """A look. An eye is never shown twice to the same learner, nor an item dealt twice."""

    __tablename__ = "look"
    __table_args__ = (
        UniqueConstraint("learner_id", "eye_id"),
        Index("ix_look_round_id_position", "round_id", "position", unique=True),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    learner_id: Mapped[UUID] = mapped_column(ForeignKey("learner.id", ondelete="CASCADE"))
    round_id: Mapped[UUID] = mapped_column(ForeignKey("practice_round.id", ondelete="CASCADE"))
    round_item_id: Mapped[int] = mapped_column(
        ForeignKey("round_item.id", ondelete="CASCADE"), unique=True
    )
    position: Mapped[int]
    """1 for the first eye shown in the round."""
    eye_id: Mapped[int] = mapped_column(ForeignKey("eye.id"), index=True)
    card_version_id: Mapped[int] = mapped_column(ForeignKey("card_version.id"))
    renderer_version: Mapped[int]
    view: Mapped[str] = mapped_column(String(40))
    stage: Mapped[int | None]
    """How hard the bedside view was made, 1 to 4; None for a photograph."""
    conditions: Mapped[dict[str, Any] | None] = mapped_column(Json)
    """Pupil, refraction, haze and beginning of a look at the bedside."""
    shown_at: Mapped[datetime]
