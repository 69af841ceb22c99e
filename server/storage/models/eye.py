"""A prepared eye: drawn once, judged by its masks, kept as files named by content."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json, Serial


class EyeRow(Base):
    """One eye in stock. Its seed is unique, so no learner can meet a seed twice."""

    __tablename__ = "eye"
    __table_args__ = (
        CheckConstraint("source IN ('rendered', 'photograph')", name="source"),
        CheckConstraint("side IN ('left', 'right')", name="side"),
        Index("ix_eye_stock", "card_id", "recipe_hash", "renderer_version", "looks"),
    )

    id: Mapped[int] = mapped_column(Serial, primary_key=True)
    card_id: Mapped[str] = mapped_column(ForeignKey("card.id"))
    recipe_hash: Mapped[str] = mapped_column(String(64))
    source: Mapped[str] = mapped_column(String(12))
    seed: Mapped[int] = mapped_column(BigInteger, unique=True)
    renderer_version: Mapped[int]
    side: Mapped[str] = mapped_column(String(5))
    view: Mapped[str] = mapped_column(String(40))
    view_title: Mapped[str] = mapped_column(String(120))
    field_deg: Mapped[float]
    size_px: Mapped[int]
    picture: Mapped[str] = mapped_column(String(64))
    """Hash of its file; empty, like the twin's, for an eye that was never drawn."""
    twin: Mapped[str] = mapped_column(String(64))
    bytes: Mapped[int]
    """Size of both files together."""
    looks: Mapped[int]
    """Learners who have been shown it; 0 means fresh to everyone."""
    severity: Mapped[float | None]
    """Of what the card is about, 0 to 1; None for a normal eye or a photograph."""
    abnormal: Mapped[bool]
    """True when any finding in view is present."""
    anatomy: Mapped[dict[str, Any]] = mapped_column(Json)
    features: Mapped[list[dict[str, Any]]] = mapped_column(Json)
    truth: Mapped[dict[str, Any]] = mapped_column(Json)
    outlines: Mapped[dict[str, Any]] = mapped_column(Json)
    facts: Mapped[dict[str, Any]] = mapped_column(Json)
    created_at: Mapped[datetime]


class WideEyeRow(Base):
    """The same eye drawn wide for the bedside view, with its own truth and its cells."""

    __tablename__ = "wide_eye"

    eye_id: Mapped[int] = mapped_column(ForeignKey("eye.id", ondelete="CASCADE"), primary_key=True)
    size_px: Mapped[int]
    picture: Mapped[str] = mapped_column(String(64))
    twin: Mapped[str] = mapped_column(String(64))
    bytes: Mapped[int]
    """Size of both files together."""
    truth: Mapped[dict[str, Any]] = mapped_column(Json)
    """Read off the wide masks: more is in view than in the photograph."""
    outlines: Mapped[dict[str, Any]] = mapped_column(Json)
    cells: Mapped[dict[str, Any]] = mapped_column(Json)
    """Regions and heights (micrometres) by cell, as run lengths."""


class EyeWishRow(Base):
    """A card of which a learner has (or soon will have) no fresh eye that suits them."""

    __tablename__ = "eye_wish"

    card_id: Mapped[str] = mapped_column(ForeignKey("card.id"), primary_key=True)
    urgent: Mapped[bool]
    """A learner is waiting for it now."""
    nearer: Mapped[bool]
    """There is a fresh eye to show, but none of about the severity wished for."""
    severity: Mapped[float | None]
    """The severity wished for; None when any will do."""
    wide: Mapped[bool]
    """It is also wanted for the bedside view."""
    wished_at: Mapped[datetime]


class DrawTallyRow(Base):
    """How drawing a card went: kept so that a card that cannot be drawn is noticed."""

    __tablename__ = "draw_tally"

    card_id: Mapped[str] = mapped_column(ForeignKey("card.id"), primary_key=True)
    recipe_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    renderer_version: Mapped[int] = mapped_column(primary_key=True)
    kept: Mapped[int]
    rejected: Mapped[int]
    """Eyes whose masks did not show what the card says."""
    failed: Mapped[int]
    """Draws that ended in an error."""
    failures_running: Mapped[int]
    """Rejected or failed draws since the last one that was kept."""
    last_problem: Mapped[str] = mapped_column(String(500))
