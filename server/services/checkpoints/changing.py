"""Changing a checkpoint that was composed: its times, more time for somebody, or not at all."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.services.checkpoints.checkpoint import Stage, held_checkpoint
from server.services.checkpoints.composing import checked_times, note
from server.storage import checkpoints as rows
from server.storage import cohorts as cohort_rows
from server.storage.models import CheckpointExtraRow


def change_times(
    session: Session,
    asker_id: UUID,
    cohort_id: UUID,
    checkpoint_id: UUID,
    opens_at: datetime,
    closes_at: datetime,
    now: datetime,
) -> None:
    """Move a checkpoint's times. Once somebody has begun, only its end can be moved.

    Raises
    ------
    NotFound : it is none of the asker's.
    Conflict : it is over, or somebody has begun and the beginning would move.
    BadInput : times that cannot be.
    """
    row, before = held_checkpoint(session, asker_id, cohort_id, checkpoint_id, now)
    if before.is_over:
        raise Conflict("This checkpoint is over: its times stay as they are.")
    if before.stage is Stage.OPEN:
        if opens_at != row.opens_at:
            raise Conflict("It is open: only its end can be moved now.")
        checked_times(now, closes_at, now)
        row.closes_at = closes_at
    else:
        row.opens_at, row.closes_at = checked_times(opens_at, closes_at, now)
    session.flush()
    note(session, "checkpoint-times", asker_id, cohort_id, now)


def give_more_time(
    session: Session,
    asker_id: UUID,
    cohort_id: UUID,
    checkpoint_id: UUID,
    learner_id: UUID,
    eye_percent: int,
    more_minutes: int,
    now: datetime,
) -> None:
    """Give a learner more time for each eye and after the end; nothing of either takes it back.

    Raises
    ------
    NotFound : it is none of the asker's.
    Conflict : it is over.
    BadInput : the learner is not in the cohort, or more than can be given.
    """
    _, before = held_checkpoint(session, asker_id, cohort_id, checkpoint_id, now)
    if before.is_over:
        raise Conflict("This checkpoint is over: time can no longer be added.")
    if cohort_rows.member(session, cohort_id, learner_id) is None:
        raise BadInput("This learner is not in the cohort (any more): choose another one.")
    if not 0 <= eye_percent <= 300:
        raise BadInput("More time for each eye is 0 to 300 per cent.")
    if not 0 <= more_minutes <= 2880:
        raise BadInput("More time after the end is 0 to 2880 minutes, which is two days.")
    row = rows.extra(session, checkpoint_id, learner_id)
    if eye_percent == 0 and more_minutes == 0:
        if row is not None:
            session.delete(row)
    elif row is None:
        session.add(
            CheckpointExtraRow(
                checkpoint_id=checkpoint_id,
                learner_id=learner_id,
                eye_percent=eye_percent,
                more_minutes=more_minutes,
            )
        )
    else:
        row.eye_percent, row.more_minutes = eye_percent, more_minutes
    session.flush()
    note(session, "checkpoint-more-time", asker_id, cohort_id, now, subject_id=learner_id)


def discard(
    session: Session, asker_id: UUID, cohort_id: UUID, checkpoint_id: UUID, now: datetime
) -> None:
    """Delete a checkpoint that nobody can have begun yet.

    Raises
    ------
    NotFound : it is none of the asker's.
    Conflict : it has opened; what learners did in it is kept.
    """
    _, before = held_checkpoint(session, asker_id, cohort_id, checkpoint_id, now)
    if before.stage not in (Stage.DRAWING, Stage.AHEAD):
        raise Conflict("It has opened, and what learners answered stays: it cannot be discarded.")
    rows.discard(session, checkpoint_id)
    note(session, "checkpoint-discarded", asker_id, cohort_id, now)
