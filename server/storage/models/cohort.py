"""A cohort, who leads it and who belongs to it: what access is decided by."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json


class CohortRow(Base):
    """A course's learners."""

    __tablename__ = "cohort"
    __table_args__ = (CheckConstraint("weekly_goal_days BETWEEN 1 AND 7", name="weekly_goal_days"),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80))
    created_at: Mapped[datetime]
    archived_at: Mapped[datetime | None]
    join_code: Mapped[str] = mapped_column(String(16), unique=True)
    """What a learner types or scans to join; a new one makes the old one open nothing."""
    rotation_on: Mapped[date | None]
    weekly_goal_days: Mapped[int | None]
    """What its learners are asked to aim at; None leaves it to them."""
    standards: Mapped[dict[str, Any]] = mapped_column(Json)
    """Level in per cent by finding; a finding that is not named has the program's own."""
    left_out: Mapped[list[Any]] = mapped_column(Json)
    """Ids of the cards that its learners are not given."""
    invented: Mapped[bool]
    """True for a demonstration: nobody in it is real."""
    pseudonym_secret: Mapped[str | None] = mapped_column(String(64))
    """What its exports make pseudonyms with; made with the first one."""


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
    summary_since: Mapped[datetime | None]
    """When they asked for the cohort's weekly summary by mail; None: they get none."""


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
    """When they agreed to what the leads see of them."""
    group_name: Mapped[str] = mapped_column(String(40))
    """As the leads sort their learners; empty for none."""


class CohortPlaceRow(Base):
    """A place kept for somebody on the course's roster, until they take it."""

    __tablename__ = "cohort_place"
    __table_args__ = (Index("uq_cohort_place_name", "cohort_id", "name_key", unique=True),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    cohort_id: Mapped[UUID] = mapped_column(ForeignKey("cohort.id", ondelete="CASCADE"))
    name: Mapped[str] = mapped_column(String(60))
    name_key: Mapped[str] = mapped_column(String(120))
    """The name folded, so that a roster read twice keeps one place for each."""
    group_name: Mapped[str] = mapped_column(String(40))
    code: Mapped[str] = mapped_column(String(16), unique=True)
    """Joins the cohort under this name, once."""
    made_at: Mapped[datetime]
    learner_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), index=True
    )
    """Who took it."""
