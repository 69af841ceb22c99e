"""Checkpoints and their eyes in the database: composed, drawn, dropped, estimated."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import delete, exists, func, select
from sqlalchemy.orm import Session

from server.storage.models import (
    CardVersionRow,
    CheckpointEstimateRow,
    CheckpointExtraRow,
    CheckpointItemRow,
    CheckpointRow,
    CheckpointSittingRow,
    CohortMemberRow,
    CohortRow,
    EyeRow,
    LearnerRow,
)


class Drawn(NamedTuple):
    """How far the drawing of a checkpoint's eyes has come."""

    planned: int
    drawn: int


class Counted(NamedTuple):
    """A checkpoint in its lead's list."""

    checkpoint: CheckpointRow
    planned: int
    drawn: int
    sat: int


class FullItem(NamedTuple):
    """An eye of a checkpoint, with all that results need."""

    item: CheckpointItemRow
    version: CardVersionRow
    eye: EyeRow | None


class ExtraLine(NamedTuple):
    """More time for somebody."""

    learner_id: UUID
    name: str
    eye_percent: int
    more_minutes: int


def get(session: Session, checkpoint_id: UUID) -> CheckpointRow | None:
    """Return a checkpoint, or None."""
    return session.get(CheckpointRow, checkpoint_id)


def hold(session: Session, checkpoint_id: UUID) -> CheckpointRow | None:
    """Return a checkpoint, held until the transaction ends; SQLite has one writer anyway."""
    return session.scalar(
        select(CheckpointRow)
        .where(CheckpointRow.id == checkpoint_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )


def of_cohort(session: Session, cohort_id: UUID) -> Sequence[Counted]:
    """Return the checkpoints of a cohort, the latest to open first."""
    items = select(func.count()).where(CheckpointItemRow.checkpoint_id == CheckpointRow.id)
    sat = select(func.count()).where(CheckpointSittingRow.checkpoint_id == CheckpointRow.id)
    rows = session.execute(
        select(
            CheckpointRow,
            items.correlate(CheckpointRow).scalar_subquery(),
            items.where(CheckpointItemRow.eye_id.is_not(None))
            .correlate(CheckpointRow)
            .scalar_subquery(),
            sat.correlate(CheckpointRow).scalar_subquery(),
        )
        .where(CheckpointRow.cohort_id == cohort_id)
        .order_by(CheckpointRow.opens_at.desc(), CheckpointRow.id)
    )
    return [Counted(*row) for row in rows]


def of_learner(session: Session, learner_id: UUID) -> Sequence[CheckpointRow]:
    """Return the checkpoints of a learner's cohorts in use, and those they sat; latest first."""
    sat = exists().where(
        CheckpointSittingRow.checkpoint_id == CheckpointRow.id,
        CheckpointSittingRow.learner_id == learner_id,
    )
    member = exists().where(
        CohortMemberRow.cohort_id == CheckpointRow.cohort_id,
        CohortMemberRow.learner_id == learner_id,
        CohortRow.id == CheckpointRow.cohort_id,
        CohortRow.archived_at.is_(None),
    )
    return session.scalars(
        select(CheckpointRow)
        .where(sat | member)
        .order_by(CheckpointRow.opens_at.desc(), CheckpointRow.id)
    ).all()


def drawn(session: Session, checkpoint_id: UUID) -> Drawn:
    """Return how many eyes a checkpoint has, and how many of them are drawn."""
    row = session.execute(
        select(func.count(), func.count(CheckpointItemRow.eye_id)).where(
            CheckpointItemRow.checkpoint_id == checkpoint_id
        )
    ).one()
    return Drawn(*row)


def items(session: Session, checkpoint_id: UUID) -> Sequence[FullItem]:
    """Return the eyes of a checkpoint in order, each with its card's version and the eye."""
    rows = session.execute(
        select(CheckpointItemRow, CardVersionRow, EyeRow)
        .join(CardVersionRow, CardVersionRow.id == CheckpointItemRow.card_version_id)
        .outerjoin(EyeRow, EyeRow.id == CheckpointItemRow.eye_id)
        .where(CheckpointItemRow.checkpoint_id == checkpoint_id)
        .order_by(CheckpointItemRow.number)
    )
    return [FullItem(*row) for row in rows]


def item(session: Session, checkpoint_id: UUID, number: int) -> FullItem | None:
    """Return one eye of a checkpoint, or None."""
    row = session.execute(
        select(CheckpointItemRow, CardVersionRow, EyeRow)
        .join(CardVersionRow, CardVersionRow.id == CheckpointItemRow.card_version_id)
        .outerjoin(EyeRow, EyeRow.id == CheckpointItemRow.eye_id)
        .where(CheckpointItemRow.checkpoint_id == checkpoint_id, CheckpointItemRow.number == number)
    ).one_or_none()
    return None if row is None else FullItem(*row)


def to_draw(
    session: Session, besides: Collection[int], limit: int
) -> Sequence[tuple[CheckpointItemRow, CardVersionRow]]:
    """Return eyes that are not drawn yet, of the checkpoint that opens first.

    Parameters
    ----------
    besides : items that are being drawn.
    """
    rows = session.execute(
        select(CheckpointItemRow, CardVersionRow)
        .join(CheckpointRow, CheckpointRow.id == CheckpointItemRow.checkpoint_id)
        .join(CardVersionRow, CardVersionRow.id == CheckpointItemRow.card_version_id)
        .where(CheckpointItemRow.eye_id.is_(None), CheckpointItemRow.id.not_in(besides))
        .order_by(CheckpointRow.opens_at, CheckpointItemRow.tries, CheckpointItemRow.id)
        .limit(limit)
    )
    return [(row[0], row[1]) for row in rows]


def item_row(session: Session, item_id: int) -> CheckpointItemRow | None:
    """Return an eye's place in its checkpoint, or None once the checkpoint is discarded."""
    return session.get(CheckpointItemRow, item_id)


def discard(session: Session, checkpoint_id: UUID) -> None:
    """Delete a checkpoint; its eyes go to the stock of practice, since nobody has seen them."""
    session.execute(delete(CheckpointRow).where(CheckpointRow.id == checkpoint_id))
    session.expire_all()


def extra(session: Session, checkpoint_id: UUID, learner_id: UUID) -> CheckpointExtraRow | None:
    """Return somebody's more time, or None."""
    return session.get(CheckpointExtraRow, (checkpoint_id, learner_id))


def extras(session: Session, checkpoint_id: UUID) -> Sequence[ExtraLine]:
    """Return who has more time in a checkpoint, by name."""
    rows = session.execute(
        select(
            CheckpointExtraRow.learner_id,
            LearnerRow.name,
            CheckpointExtraRow.eye_percent,
            CheckpointExtraRow.more_minutes,
        )
        .join(LearnerRow, LearnerRow.id == CheckpointExtraRow.learner_id)
        .where(CheckpointExtraRow.checkpoint_id == checkpoint_id)
        .order_by(func.lower(LearnerRow.name), CheckpointExtraRow.learner_id)
    )
    return [ExtraLine(*row) for row in rows]


def most_minutes(session: Session, checkpoint_id: UUID) -> int:
    """Return the longest time that anybody has after everybody else's end."""
    found = session.scalar(
        select(func.max(CheckpointExtraRow.more_minutes)).where(
            CheckpointExtraRow.checkpoint_id == checkpoint_id
        )
    )
    return found or 0


def estimates(session: Session, checkpoint_id: UUID) -> dict[str, dict[int, int]]:
    """Return judges' estimates in per cent: by judge, then by number of the eye."""
    rows = session.execute(
        select(CheckpointEstimateRow.judge, CheckpointItemRow.number, CheckpointEstimateRow.percent)
        .join(CheckpointItemRow, CheckpointItemRow.id == CheckpointEstimateRow.item_id)
        .where(CheckpointItemRow.checkpoint_id == checkpoint_id)
        .order_by(CheckpointEstimateRow.judge, CheckpointItemRow.number)
    )
    found: dict[str, dict[int, int]] = {}
    for judge, number, percent in rows:
        found.setdefault(judge, {})[number] = percent
    return found


def forget_judge(session: Session, checkpoint_id: UUID, judge: str) -> None:
    """Delete a judge's estimates."""
    mine = select(CheckpointItemRow.id).where(CheckpointItemRow.checkpoint_id == checkpoint_id)
    session.execute(
        delete(CheckpointEstimateRow).where(
            CheckpointEstimateRow.item_id.in_(mine), CheckpointEstimateRow.judge == judge
        )
    )
