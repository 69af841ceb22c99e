"""A card and its versions."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json, Serial


class CardRow(Base):
    """A card under its lasting name; its words and severities live in its versions."""

    __tablename__ = "card"
    __table_args__ = (
        CheckConstraint("source IN ('rendered', 'photograph')", name="source"),
        CheckConstraint("origin IN ('shipped', 'school')", name="origin"),
        Index("ix_card_order", "retired", "position"),
    )

    id: Mapped[str] = mapped_column(String(80), primary_key=True)
    title: Mapped[str] = mapped_column(String(200))
    kind: Mapped[str] = mapped_column(String(16))
    finding: Mapped[str | None] = mapped_column(String(32))
    mimics: Mapped[str | None] = mapped_column(String(32))
    position: Mapped[int]
    """The order in which new cards are met."""
    retired: Mapped[bool]
    source: Mapped[str] = mapped_column(String(12), default="rendered")
    """Where its pictures come from: 'rendered' or 'photograph'."""
    origin: Mapped[str] = mapped_column(String(8), default="shipped")
    """'shipped' with the program, or 'school': made here, so that no new version retires it."""
    content_hash: Mapped[str] = mapped_column(String(64))
    """Content of the version in use."""
    words_credit: Mapped[str] = mapped_column(String(200), default="")
    """Who wrote the words of a card that came in a package; empty for one's own."""
    words_licence: Mapped[str] = mapped_column(String(40), default="")
    """SPDX identifier of their terms."""

    @property
    def words_terms(self) -> str:
        """Who wrote the words and under which licence, in a line; empty for one's own."""
        return f"{self.words_credit}, {self.words_licence}" if self.words_credit else ""


class CardVersionRow(Base):
    """The card as it was written at one time; looks keep pointing at the one they showed."""

    __tablename__ = "card_version"
    __table_args__ = (
        UniqueConstraint("card_id", "content_hash"),
        UniqueConstraint("card_id", "number"),
    )

    id: Mapped[int] = mapped_column(Serial, primary_key=True)
    card_id: Mapped[str] = mapped_column(ForeignKey("card.id"))
    number: Mapped[int]
    """1, 2, 3 … of its card, the same at every site that has it from a package."""
    content_hash: Mapped[str] = mapped_column(String(64))
    recipe_hash: Mapped[str] = mapped_column(String(64))
    """Hash of what decides the pictures: new words alone keep the eyes in stock usable."""
    content: Mapped[dict[str, Any]] = mapped_column(Json)
    created_at: Mapped[datetime]
