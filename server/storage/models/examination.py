"""What a learner looked at in an eye at the bedside, kept with its answer."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy import ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json


class ExaminationRow(Base):
    """One examination: its measures can be worked out again from the path and the mark."""

    __tablename__ = "examination"
    __table_args__ = (Index("ix_examination_learner_id_ordinal", "learner_id", "ordinal"),)

    answer_id: Mapped[UUID] = mapped_column(
        ForeignKey("answer.id", ondelete="CASCADE"), primary_key=True
    )
    learner_id: Mapped[UUID] = mapped_column(ForeignKey("learner.id", ondelete="CASCADE"))
    ordinal: Mapped[int]
    """The answer's."""
    path: Mapped[str | None] = mapped_column(Text)
    """The recording; None when there was none or it was refused."""
    refused: Mapped[str] = mapped_column(String(300))
    """Empty, or why the recording was not used."""
    duration_ms: Mapped[int | None]
    seen_share: Mapped[float | None]
    """Of the whole picture."""
    disc_first: Mapped[bool | None]
    macula_last: Mapped[bool | None]
    in_order: Mapped[float | None]
    """Share of pairs of regions that came in the order of examination."""
    complete: Mapped[bool | None]
    regions: Mapped[list[dict[str, Any]]] = mapped_column(Json)
    """Share seen, time and first visit of each region, in the order of examination."""
    misses: Mapped[dict[str, Any]] = mapped_column(Json)
    """'search' or 'recognition' by the finding that was missed."""
    recalled: Mapped[dict[str, Any] | None] = mapped_column(Json)
    """The mark made from memory on the empty map, and how near it came; None without one."""
