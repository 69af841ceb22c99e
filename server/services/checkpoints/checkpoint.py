"""A checkpoint as it stands: its times, whose it is, and what may be done with it when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import NotFound
from server.services.cohorts.cohort import Cohort, led
from server.storage import checkpoints as rows
from server.storage import sittings
from server.storage.models import CheckpointRow

GRACE = timedelta(seconds=20)
"""An answer may come so much later than its time: a slow line is nobody's fault."""


class Stage(StrEnum):
    """Where a checkpoint is in its life."""

    DRAWING = "drawing"
    """Its eyes are still being drawn; nobody can begin, whatever the time."""
    AHEAD = "ahead"
    OPEN = "open"
    CLOSED = "closed"
    RELEASED = "released"


@dataclass(frozen=True)
class Checkpoint:
    """A fixed test of a cohort.

    Parameters
    ----------
    closes_for_all : when the last one with more time must be done.
    eye_seconds : time for each eye; None for no limit.
    pass_percent : share of the eyes that passes; None where nothing is said of passing.
    eyes, drawn : how many there are, and how many of them are drawn.
    sat : learners who began; None where it was not asked for.
    """

    id: UUID
    cohort_id: UUID
    name: str
    opens_at: datetime
    closes_at: datetime
    closes_for_all: datetime
    eye_seconds: int | None
    released_at: datetime | None
    pass_percent: int | None
    eyes: int
    drawn: int
    stage: Stage
    sat: int | None = None

    @property
    def is_over(self) -> bool:
        """Whether nobody can answer any more."""
        return self.stage in (Stage.CLOSED, Stage.RELEASED)


def led_checkpoint(
    session: Session, asker_id: UUID, cohort_id: UUID, checkpoint_id: UUID, now: datetime
) -> tuple[Cohort, Checkpoint]:
    """Return a checkpoint and its cohort to somebody who leads it, or administers the site.

    Raises
    ------
    NotFound : there is none, or it is none of theirs.
    """
    cohort = led(session, asker_id, cohort_id)
    row = rows.get(session, checkpoint_id)
    if row is None or row.cohort_id != cohort_id:
        raise NotFound("There is no such checkpoint in this cohort (any more).")
    return cohort, as_checkpoint(session, row, now)


def held_checkpoint(
    session: Session, asker_id: UUID, cohort_id: UUID, checkpoint_id: UUID, now: datetime
) -> tuple[CheckpointRow, Checkpoint]:
    """Hold a checkpoint for a change by somebody who leads it.

    Raises
    ------
    NotFound : there is none, or it is none of theirs.
    """
    led_checkpoint(session, asker_id, cohort_id, checkpoint_id, now)
    row = rows.hold(session, checkpoint_id)
    if row is None:
        raise NotFound("There is no such checkpoint in this cohort (any more).")
    return row, as_checkpoint(session, row, now)


def checkpoints_of(
    session: Session, asker_id: UUID, cohort_id: UUID, now: datetime
) -> tuple[Cohort, Sequence[Checkpoint]]:
    """Return a cohort and its checkpoints, the latest to open first, to somebody who leads it."""
    cohort = led(session, asker_id, cohort_id)
    return cohort, [
        _checkpoint(
            line.checkpoint,
            rows.Drawn(line.planned, line.drawn),
            rows.most_minutes(session, line.checkpoint.id),
            now,
            line.sat,
        )
        for line in rows.of_cohort(session, cohort_id)
    ]


def progress_of(session: Session, checkpoint_id: UUID) -> tuple[int, int]:
    """Return how many have begun a checkpoint, and how many are done with it."""
    sat = [line.sitting for line in sittings.of_checkpoint(session, checkpoint_id)]
    return len(sat), sum(one.finished_at is not None for one in sat)


def extras_of(session: Session, checkpoint_id: UUID) -> Sequence[rows.ExtraLine]:
    """Return who has more time in a checkpoint, by name."""
    return rows.extras(session, checkpoint_id)


def as_checkpoint(session: Session, row: CheckpointRow, now: datetime) -> Checkpoint:
    """Return a row as the rest of the program knows it."""
    return _checkpoint(row, rows.drawn(session, row.id), rows.most_minutes(session, row.id), now)


def _checkpoint(
    row: CheckpointRow,
    drawn: rows.Drawn,
    most_minutes: int,
    now: datetime,
    sat: int | None = None,
) -> Checkpoint:
    last = row.closes_at + timedelta(minutes=most_minutes)
    if row.released_at is not None:
        stage = Stage.RELEASED
    elif now >= last:
        stage = Stage.CLOSED
    elif drawn.drawn < drawn.planned:
        stage = Stage.DRAWING
    else:
        stage = Stage.OPEN if now >= row.opens_at else Stage.AHEAD
    return Checkpoint(
        id=row.id,
        cohort_id=row.cohort_id,
        name=row.name,
        opens_at=row.opens_at,
        closes_at=row.closes_at,
        closes_for_all=last,
        eye_seconds=row.eye_seconds,
        released_at=row.released_at,
        pass_percent=row.pass_percent,
        eyes=drawn.planned,
        drawn=drawn.drawn,
        stage=stage,
        sat=sat,
    )
