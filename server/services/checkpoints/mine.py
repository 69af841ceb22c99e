"""A checkpoint as one of its learners sees it: whether it is open to them, and how far they are."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import NotFound
from server.services.checkpoints.checkpoint import Checkpoint, Stage, as_checkpoint
from server.services.learners import Learner
from server.storage import checkpoints as rows
from server.storage import cohorts, sittings
from server.storage.models import CheckpointRow

NEAR_DAYS = 14
"""A learner's first page speaks of checkpoints that open, or were released, within so long."""


@dataclass(frozen=True)
class Mine:
    """A checkpoint as one of its learners sees it.

    Parameters
    ----------
    closes_at : with their own more time.
    eye_seconds : likewise; None for no limit.
    began, finished : whether they have.
    answered : eyes that they have answered, or whose time ran out.
    may_answer : it is open to them now.
    """

    checkpoint: Checkpoint
    closes_at: datetime
    eye_seconds: int | None
    has_more_time: bool
    began: bool
    finished: bool
    answered: int
    may_answer: bool


def all_mine(session: Session, learner: Learner, now: datetime) -> list[Mine]:
    """Return a learner's checkpoints, the latest to open first."""
    return [standing_of(session, learner, row, now) for row in rows.of_learner(session, learner.id)]


def current(session: Session, learner: Learner, now: datetime) -> list[Mine]:
    """Return what a learner should know of now: open, soon, or lately released; open ones first."""
    near = timedelta(days=NEAR_DAYS)
    found = []
    for row in rows.of_learner(session, learner.id):
        if now + near < row.opens_at or (row.released_at or row.closes_at) + near < now:
            continue
        one = standing_of(session, learner, row, now)
        stage = one.checkpoint.stage
        to_sit = (one.may_answer and not one.finished) or stage in (Stage.AHEAD, Stage.DRAWING)
        if to_sit or (stage is Stage.RELEASED and one.began):
            found.append(one)
    return sorted(found, key=lambda one: not one.may_answer)


def mine(session: Session, learner: Learner, checkpoint_id: UUID, now: datetime) -> Mine:
    """Return a checkpoint as a learner sees it.

    Raises
    ------
    NotFound : they learn in no cohort that has it, and never sat it.
    """
    return standing_of(session, learner, row_of(session, learner, checkpoint_id), now)


def row_of(session: Session, learner: Learner, checkpoint_id: UUID) -> CheckpointRow:
    """Return a checkpoint of a cohort of the learner's, or one that they sat; else NotFound."""
    row = rows.get(session, checkpoint_id)
    theirs = row is not None and (
        cohorts.member(session, row.cohort_id, learner.id) is not None
        or sittings.of_learner(session, checkpoint_id, learner.id) is not None
    )
    if row is None or not theirs:
        raise NotFound("There is no such checkpoint, or none of your cohorts has it.")
    return row


def standing_of(session: Session, learner: Learner, row: CheckpointRow, now: datetime) -> Mine:
    """Return how a checkpoint stands for a learner."""
    checkpoint = as_checkpoint(session, row, now)
    extra = rows.extra(session, row.id, learner.id)
    closes_at = row.closes_at
    seconds = row.eye_seconds
    if extra is not None:
        closes_at += timedelta(minutes=extra.more_minutes)
        seconds = None if seconds is None else round(seconds * (1 + extra.eye_percent / 100))
    sitting = sittings.of_learner(session, row.id, learner.id)
    shown = [] if sitting is None else sittings.looks(session, sitting.id)
    return Mine(
        checkpoint=checkpoint,
        closes_at=closes_at,
        eye_seconds=seconds,
        has_more_time=extra is not None,
        began=sitting is not None,
        finished=sitting is not None and sitting.finished_at is not None,
        answered=sum(look.answer_id is not None or look.ran_out for look, _ in shown),
        may_answer=checkpoint.stage is Stage.OPEN and row.opens_at <= now < closes_at,
    )


def why_not(standing: Mine, now: datetime) -> str:
    """Return why somebody cannot answer now."""
    if standing.checkpoint.stage is Stage.DRAWING:
        return "Its eyes are still being drawn: try again in a few minutes."
    if now < standing.checkpoint.opens_at:
        return "This checkpoint has not opened yet: its page says when it does."
    return "This checkpoint is closed."
