"""Reviewers' remarks in the database."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.storage.models import GalleryRemarkRow


def get(session: Session, remark_id: UUID) -> GalleryRemarkRow | None:
    """Return a remark by the id its device made, or None."""
    return session.get(GalleryRemarkRow, remark_id)


def of_learner(
    session: Session, learner_id: UUID, numbers: Collection[str]
) -> Sequence[GalleryRemarkRow]:
    """Return a learner's remarks on these pictures, oldest first."""
    return session.scalars(
        select(GalleryRemarkRow)
        .where(GalleryRemarkRow.learner_id == learner_id, GalleryRemarkRow.number.in_(numbers))
        .order_by(GalleryRemarkRow.written_at, GalleryRemarkRow.id)
    ).all()


def count_of_learner(session: Session, learner_id: UUID) -> int:
    """Return how many remarks a learner has written."""
    return (
        session.scalar(
            select(func.count())
            .select_from(GalleryRemarkRow)
            .where(GalleryRemarkRow.learner_id == learner_id)
        )
        or 0
    )


def everything(session: Session) -> Iterator[GalleryRemarkRow]:
    """Yield all remarks, oldest first."""
    yield from session.scalars(
        select(GalleryRemarkRow)
        .order_by(GalleryRemarkRow.written_at, GalleryRemarkRow.id)
        .execution_options(yield_per=500)
    )
