"""A checkpoint: a fixed test of a cohort, who sat it, and what they answered."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json, Serial


class CheckpointRow(Base):
    """A test of the same eyes for everybody in a cohort."""

    __tablename__ = "checkpoint"
    __table_args__ = (
        CheckConstraint("closes_at > opens_at", name="times"),
        CheckConstraint("eye_seconds BETWEEN 10 AND 600", name="eye_seconds"),
        CheckConstraint("pass_percent BETWEEN 1 AND 100", name="pass_percent"),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    cohort_id: Mapped[UUID] = mapped_column(ForeignKey("cohort.id", ondelete="CASCADE"), index=True)
    name: Mapped[str] = mapped_column(String(80))
    made_at: Mapped[datetime]
    opens_at: Mapped[datetime]
    closes_at: Mapped[datetime]
    eye_seconds: Mapped[int | None]
    """Time for each eye; None for no limit."""
    released_at: Mapped[datetime | None]
    """From when on learners see their results."""
    pass_percent: Mapped[int | None]
    """Share of the eyes that passes; None: nothing is said of passing."""


class CheckpointItemRow(Base):
    """One eye of a checkpoint: what it is to be, and the eye once it is drawn."""

    __tablename__ = "checkpoint_item"
    __table_args__ = (UniqueConstraint("checkpoint_id", "number"),)

    id: Mapped[int] = mapped_column(Serial, primary_key=True)
    checkpoint_id: Mapped[UUID] = mapped_column(ForeignKey("checkpoint.id", ondelete="CASCADE"))
    number: Mapped[int]
    """1 for the first; learners meet them in orders of their own."""
    card_version_id: Mapped[int] = mapped_column(ForeignKey("card_version.id"))
    severity: Mapped[float | None]
    """About how severe it is to be; None leaves it to the card."""
    seed: Mapped[int] = mapped_column(BigInteger)
    """Chosen when the checkpoint was composed; another one replaces it when the eye did
    not show what its card says."""
    tries: Mapped[int]
    """Drawings that did not show what the card says."""
    eye_id: Mapped[int | None] = mapped_column(ForeignKey("eye.id"), unique=True)
    """None until it is drawn. No practice ever deals this eye."""
    dropped_at: Mapped[datetime | None]
    """When it was taken out of the marking."""


class CheckpointExtraRow(Base):
    """More time for one learner in a checkpoint."""

    __tablename__ = "checkpoint_extra"
    __table_args__ = (
        CheckConstraint("eye_percent BETWEEN 0 AND 300", name="eye_percent"),
        CheckConstraint("more_minutes BETWEEN 0 AND 2880", name="more_minutes"),
    )

    checkpoint_id: Mapped[UUID] = mapped_column(
        ForeignKey("checkpoint.id", ondelete="CASCADE"), primary_key=True
    )
    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    eye_percent: Mapped[int]
    """So much more time for each eye."""
    more_minutes: Mapped[int]
    """After everybody else's end."""


class CheckpointSittingRow(Base):
    """Somebody's sitting of a checkpoint, which has one for each learner at most."""

    __tablename__ = "checkpoint_sitting"
    __table_args__ = (
        UniqueConstraint("checkpoint_id", "learner_id"),
        CheckConstraint("rating BETWEEN 1 AND 5", name="rating"),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    checkpoint_id: Mapped[UUID] = mapped_column(ForeignKey("checkpoint.id", ondelete="CASCADE"))
    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), index=True
    )
    began_at: Mapped[datetime]
    finished_at: Mapped[datetime | None]
    item_order: Mapped[list[Any]] = mapped_column(Json)
    """Numbers of the eyes in the order in which this learner meets them."""
    rating: Mapped[int | None]
    """An examiner's overall rating, for the pass mark: 1 clear fail to 5 excellent."""


class CheckpointLookRow(Base):
    """One eye shown to somebody in a checkpoint, and what they answered."""

    __tablename__ = "checkpoint_look"
    __table_args__ = (
        UniqueConstraint("sitting_id", "item_id"),
        UniqueConstraint("sitting_id", "position"),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    sitting_id: Mapped[UUID] = mapped_column(
        ForeignKey("checkpoint_sitting.id", ondelete="CASCADE")
    )
    item_id: Mapped[int] = mapped_column(
        ForeignKey("checkpoint_item.id", ondelete="CASCADE"), index=True
    )
    position: Mapped[int]
    """1 for the first that this learner was shown."""
    shown_at: Mapped[datetime]
    ran_out: Mapped[bool]
    """Its time passed without an answer."""
    answer_id: Mapped[UUID | None] = mapped_column(unique=True)
    """Made by the learner's device; None until answered."""
    answered_at: Mapped[datetime | None]
    judgements: Mapped[dict[str, Any] | None] = mapped_column(Json)
    marks: Mapped[dict[str, Any] | None] = mapped_column(Json)
    """Verdict by finding, as the eye's masks say."""
    certainty: Mapped[str | None] = mapped_column(String(8))
    """None when the time ended the answer."""
    response_ms: Mapped[int | None]
    hidden_ms: Mapped[int | None]


class CheckpointEstimateRow(Base):
    """A judge's estimate: of 100 learners who only just pass, how many are right about an eye."""

    __tablename__ = "checkpoint_estimate"
    __table_args__ = (CheckConstraint("percent BETWEEN 0 AND 100", name="percent"),)

    item_id: Mapped[int] = mapped_column(
        ForeignKey("checkpoint_item.id", ondelete="CASCADE"), primary_key=True
    )
    judge: Mapped[str] = mapped_column(String(60), primary_key=True)
    percent: Mapped[int]
