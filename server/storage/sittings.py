"""Sittings of checkpoints in the database: who began, what they were shown, what they said."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import groupby
from typing import NamedTuple
from uuid import UUID

from sqlalchemy import Text, cast, func, select
from sqlalchemy.orm import Session

from server.storage.models import (
    AccountRow,
    CheckpointItemRow,
    CheckpointLookRow,
    CheckpointSittingRow,
    LearnerRow,
)


class SittingLine(NamedTuple):
    """Somebody who sat a checkpoint."""

    sitting: CheckpointSittingRow
    name: str
    sign_in_name: str | None


class Numbered(NamedTuple):
    """A look with the number of its eye in the checkpoint."""

    look: CheckpointLookRow
    number: int


class MarkedEye(NamedTuple):
    """The verdicts on one eye that somebody was shown, as JSON: few differ, so few are read."""

    sitting_id: UUID
    number: int
    marks: str | None


def of_learner(
    session: Session, checkpoint_id: UUID, learner_id: UUID, *, held: bool = False
) -> CheckpointSittingRow | None:
    """Return somebody's sitting, or None; ``held`` until the transaction ends."""
    query = select(CheckpointSittingRow).where(
        CheckpointSittingRow.checkpoint_id == checkpoint_id,
        CheckpointSittingRow.learner_id == learner_id,
    )
    if held:
        query = query.with_for_update().execution_options(populate_existing=True)
    return session.scalar(query)


def of_checkpoint(session: Session, checkpoint_id: UUID) -> Sequence[SittingLine]:
    """Return everybody who sat a checkpoint, by name."""
    rows = session.execute(
        select(CheckpointSittingRow, LearnerRow.name, AccountRow.sign_in_name)
        .join(LearnerRow, LearnerRow.id == CheckpointSittingRow.learner_id)
        .outerjoin(AccountRow, AccountRow.learner_id == LearnerRow.id)
        .where(CheckpointSittingRow.checkpoint_id == checkpoint_id)
        .order_by(func.lower(LearnerRow.name), CheckpointSittingRow.learner_id)
    )
    return [SittingLine(*row) for row in rows]


def looks(session: Session, sitting_id: UUID) -> Sequence[Numbered]:
    """Return what somebody was shown, in their order."""
    rows = session.execute(
        select(CheckpointLookRow, CheckpointItemRow.number)
        .join(CheckpointItemRow, CheckpointItemRow.id == CheckpointLookRow.item_id)
        .where(CheckpointLookRow.sitting_id == sitting_id)
        .order_by(CheckpointLookRow.position)
    )
    return [Numbered(*row) for row in rows]


def looks_of_all(session: Session, sitting_ids: Collection[UUID]) -> dict[UUID, Sequence[Numbered]]:
    """Return what was shown in some sittings, in the order of each; none for one without a look."""
    rows = session.execute(
        select(CheckpointLookRow, CheckpointItemRow.number)
        .join(CheckpointItemRow, CheckpointItemRow.id == CheckpointLookRow.item_id)
        .where(CheckpointLookRow.sitting_id.in_(sitting_ids))
        .order_by(CheckpointLookRow.sitting_id, CheckpointLookRow.position)
    )
    found: dict[UUID, Sequence[Numbered]] = {}
    for sitting_id, some in groupby(rows, key=lambda row: row[0].sitting_id):
        found[sitting_id] = [Numbered(*row) for row in some]
    return found


def all_marks(session: Session, checkpoint_id: UUID) -> Sequence[MarkedEye]:
    """Return the verdicts on what everybody was shown, as they are stored: there may be many."""
    rows = session.execute(
        select(
            CheckpointLookRow.sitting_id,
            CheckpointItemRow.number,
            cast(CheckpointLookRow.marks, Text),
        )
        .join(CheckpointItemRow, CheckpointItemRow.id == CheckpointLookRow.item_id)
        .where(CheckpointItemRow.checkpoint_id == checkpoint_id)
    )
    return [MarkedEye(*row) for row in rows]


def answer_is_known(session: Session, answer_id: UUID) -> bool:
    """Whether an answer with this id was taken, for whatever eye."""
    return (
        session.scalar(select(CheckpointLookRow.id).where(CheckpointLookRow.answer_id == answer_id))
        is not None
    )
