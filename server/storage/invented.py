"""The invented school in the database: many rows in, every one of them out again."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import delete, exists, func, insert, select
from sqlalchemy.orm import Session

from server.storage.eyes import UNDRAWN
from server.storage.models import Base, CohortRow, EyeRow, LearnerRow, LookRow, RoundItemRow

AT_ONCE = 100
"""Ids in one condition: databases bound the number of parameters."""


def is_there(session: Session, learner_ids: Collection[UUID]) -> bool:
    """Whether a cohort is marked as invented, or anybody with one of these ids exists."""
    if session.scalar(select(exists().where(CohortRow.invented.is_(True)))):
        return True
    return any(
        session.scalar(select(exists().where(LearnerRow.id.in_(some))))
        for some in _in_parts(learner_ids)
    )


def write(session: Session, model: type[Base], rows: Sequence[Mapping[str, Any]]) -> None:
    """Write many rows of one table."""
    if rows:
        session.execute(insert(model), rows)


def write_items(session: Session, rows: Sequence[Mapping[str, Any]]) -> Sequence[int]:
    """Write the planned eyes of rounds and return their keys, in the order given."""
    if not rows:
        return []
    statement = insert(RoundItemRow).returning(RoundItemRow.id, sort_by_parameter_order=True)
    return session.scalars(statement, rows).all()


def columns_of(row: Base) -> dict[str, Any]:
    """Return the values of a row that is in no session, by column."""
    return {column.key: getattr(row, column.key) for column in row.__table__.columns}


def remove(session: Session, learner_ids: Collection[UUID]) -> int:
    """Delete these learners, the cohorts that are invented and the eyes never drawn.

    Returns how many learners there were.
    """
    found = 0
    for some in _in_parts(learner_ids):
        found += session.scalar(
            select(func.count()).select_from(LearnerRow).where(LearnerRow.id.in_(some))
        ) or 0  # fmt: skip
        session.execute(delete(LearnerRow).where(LearnerRow.id.in_(some)))
    session.execute(delete(CohortRow).where(CohortRow.invented.is_(True)))
    session.execute(
        delete(EyeRow).where(
            EyeRow.renderer_version == UNDRAWN, ~exists().where(LookRow.eye_id == EyeRow.id)
        )
    )
    session.expire_all()
    return found


def _in_parts(ids: Collection[UUID]) -> list[list[UUID]]:
    listed = list(ids)
    return [listed[start : start + AT_ONCE] for start in range(0, len(listed), AT_ONCE)]
