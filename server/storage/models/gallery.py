"""The gallery's pictures, kept while they are looked at, and what reviewers remark."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json, Serial


class GalleryPlateRow(Base):
    """One picture of the gallery: asked for, then drawn; the least recently used goes first."""

    __tablename__ = "gallery_plate"
    __table_args__ = (
        UniqueConstraint("number", "size_px"),
        Index("ix_gallery_plate_picture_used_at", "picture", "used_at"),
    )

    id: Mapped[int] = mapped_column(Serial, primary_key=True)
    number: Mapped[str] = mapped_column(String(120))
    """Kind, variant, severity, eye, view and renderer version: see services.gallery.numbers."""
    strip: Mapped[str] = mapped_column(String(120))
    """What pictures that are drawn together have in common."""
    size_px: Mapped[int]
    renderer_version: Mapped[int]
    used_at: Mapped[datetime]
    """When it was last looked at; while it is not drawn, when it was last asked for."""
    picture: Mapped[str] = mapped_column(String(64))
    """Hash of the file; empty until it is drawn."""
    twin: Mapped[str] = mapped_column(String(64))
    bytes: Mapped[int]
    problem: Mapped[str] = mapped_column(String(500))
    """Why it could not be drawn; empty when it was or is still to be."""
    truth: Mapped[dict[str, Any]] = mapped_column(Json)
    outlines: Mapped[dict[str, Any]] = mapped_column(Json)
    facts: Mapped[dict[str, Any]] = mapped_column(Json)


class GalleryRemarkRow(Base):
    """What a reviewer wrote about one picture; its id is made on the reviewer's device."""

    __tablename__ = "gallery_remark"
    __table_args__ = (Index("ix_gallery_remark_learner_id_number", "learner_id", "number"),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    learner_id: Mapped[UUID] = mapped_column(ForeignKey("learner.id", ondelete="CASCADE"))
    number: Mapped[str] = mapped_column(String(120))
    name: Mapped[str] = mapped_column(String(60))
    """As the reviewer wishes to be called; may be empty."""
    text: Mapped[str] = mapped_column(String(2000))
    written_at: Mapped[datetime]
