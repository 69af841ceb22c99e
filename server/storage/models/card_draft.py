"""Cards in the making: drafts, the photographs brought in for them, and what was done when."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, text
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json, Serial

OPEN = "state IN ('draft', 'review', 'changes')"


class CardDraftRow(Base):
    """A card as somebody writes it, until it is published or dropped."""

    __tablename__ = "card_draft"
    __table_args__ = (
        CheckConstraint(
            "state IN ('draft', 'review', 'changes', 'published', 'dropped')", name="state"
        ),
        # Two people who change a card work on one draft.
        Index(
            "uq_card_draft_open",
            "card_id",
            unique=True,
            sqlite_where=text(OPEN),
            postgresql_where=text(OPEN),
        ),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    card_id: Mapped[str] = mapped_column(String(80))
    """The card that it becomes, or becomes a new version of."""
    state: Mapped[str] = mapped_column(String(12))
    version: Mapped[int]
    """One more with every change, so that nobody decides on what they have not seen."""
    content: Mapped[dict[str, Any]] = mapped_column(Json)
    changed_at: Mapped[datetime]
    changed_by: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="SET NULL"), index=True
    )


class CardEventRow(Base):
    """One act on a card or its draft, with what was said about it."""

    __tablename__ = "card_event"
    __table_args__ = (Index("ix_card_event_card_id_id", "card_id", "id"),)

    id: Mapped[int] = mapped_column(Serial, primary_key=True)
    card_id: Mapped[str] = mapped_column(String(80))
    draft_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("card_draft.id", ondelete="CASCADE"), index=True
    )
    at: Mapped[datetime]
    act: Mapped[str] = mapped_column(String(24))
    actor_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="SET NULL"), index=True
    )
    remark: Mapped[str] = mapped_column(String(2000))
    picture: Mapped[str] = mapped_column(String(64))
    """The photograph that the remark is about; empty for the whole card."""
    x: Mapped[int | None]
    y: Mapped[int | None]
    """Where in it, in thousandths."""


class PhotographRow(Base):
    """A photograph that somebody brought in: encoded anew, its original not kept."""

    __tablename__ = "photograph"

    picture: Mapped[str] = mapped_column(String(64), primary_key=True)
    """Hash of its file."""
    original: Mapped[str] = mapped_column(String(64), index=True)
    """SHA-256 of the file as it came: the same file is known again without being kept."""
    likeness: Mapped[str] = mapped_column(String(256))
    bytes: Mapped[int]
    size_px: Mapped[int]
    added_by: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="SET NULL"), index=True
    )
    added_at: Mapped[datetime]
