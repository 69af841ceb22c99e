"""The eyes that show what a design looks like: drawn to be looked at, dealt to nobody."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json, Serial


class DesignEyeRow(Base):
    """One eye of a design: asked for, then drawn; the least recently used goes first."""

    __tablename__ = "design_eye"
    __table_args__ = (Index("ix_design_eye_picture_used_at", "picture", "used_at"),)

    id: Mapped[int] = mapped_column(Serial, primary_key=True)
    name: Mapped[str] = mapped_column(String(64), unique=True)
    """Hash of all that decides the picture but the renderer's version."""
    card: Mapped[dict[str, Any]] = mapped_column(Json)
    view: Mapped[dict[str, Any]] = mapped_column(Json)
    """The tables that it is drawn by, so that a remark's eye can be drawn again."""
    seed: Mapped[int] = mapped_column(BigInteger)
    severity: Mapped[float | None]
    size_px: Mapped[int]
    renderer_version: Mapped[int]
    used_at: Mapped[datetime]
    """When it was last looked at; while it is not drawn, when it was last asked for."""
    picture: Mapped[str] = mapped_column(String(64))
    """Hash of the file; empty until it is drawn."""
    bytes: Mapped[int]
    problem: Mapped[str] = mapped_column(String(500))
    """Why it could not be drawn; empty when it was or is still to be."""
    objection: Mapped[str] = mapped_column(String(500))
    """Why no learner would be shown it; empty where they would."""
    drawn: Mapped[dict[str, Any]] = mapped_column(Json)
    """What was drawn: anatomy, features, truth, outlines and facts."""
