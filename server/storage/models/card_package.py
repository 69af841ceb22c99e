"""Packages of cards that somebody sent in and nobody has decided on yet."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class CardPackageRow(Base):
    """A package whose file lies in the data folder until it is brought in, dropped or too old."""

    __tablename__ = "card_package"

    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    """SHA-256 of the file, which is named by it."""
    name: Mapped[str] = mapped_column(String(200))
    """What the file was called."""
    bytes: Mapped[int]
    added_by: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="SET NULL"), index=True
    )
    added_at: Mapped[datetime]
