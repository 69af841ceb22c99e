"""A cohort, who leads it and who belongs to it: what access is decided by."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class CohortRow(Base):
    """A course's learners."""

    __tablename__ = "cohort"

    id: Mapped[UUID] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80))
    created_at: Mapped[datetime]
    archived_at: Mapped[datetime | None]


class CohortLeadRow(Base):
    """Somebody who leads a cohort."""

    __tablename__ = "cohort_lead"

    cohort_id: Mapped[UUID] = mapped_column(
        ForeignKey("cohort.id", ondelete="CASCADE"), primary_key=True
    )
    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    since: Mapped[datetime]


class CohortMemberRow(Base):
    """Somebody who learns in a cohort."""

    __tablename__ = "cohort_member"

    cohort_id: Mapped[UUID] = mapped_column(
        ForeignKey("cohort.id", ondelete="CASCADE"), primary_key=True
    )
    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    joined_at: Mapped[datetime]
