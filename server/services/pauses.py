"""Pauses: days on which a learner does not mean to practise, such as holidays.

Nothing is asked of a paused day. A learner who practises all the same may, and
it counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy.orm import Session

from server.errors import BadInput, NotFound
from server.services.learners import Learner
from server.storage import learners as learner_rows
from server.storage import pauses as rows
from server.storage.models import PauseRow

LONGEST_PAUSE_DAYS = 366
FURTHEST_PAUSE_DAYS = 3 * 365
"""A pause that begins beyond this is taken for a slip of the pen."""

DAY = timedelta(days=1)


@dataclass(frozen=True)
class Pause:
    """A stretch of days without practice, both ends included."""

    first_on: date
    last_on: date

    def __contains__(self, day: date) -> bool:
        return self.first_on <= day <= self.last_on

    @property
    def days(self) -> int:
        return (self.last_on - self.first_on).days + 1


def of_learner(session: Session, learner: Learner, since: date) -> tuple[Pause, ...]:
    """Return the pauses that have not ended before a day, earliest first. Reads only."""
    return tuple(
        Pause(row.first_on, row.last_on) for row in rows.of_learner(session, learner.id, since)
    )


def add(session: Session, learner: Learner, first: date, last: date, today: date) -> Pause:
    """Store a pause and return it, grown by those it overlaps or touches. Writes.

    Storing it twice is no error. It may have begun already: whoever falls ill
    says so afterwards.

    Raises
    ------
    BadInput : it ends before it begins or in the past, or is longer than a year
        or years ahead.
    NotFound : the learner no longer exists.
    """
    if last < first:
        raise BadInput("The last day of a pause cannot come before its first.")
    if last < today:
        raise BadInput("This pause is over already: a pause ends today or later.")
    if (first - today).days > FURTHEST_PAUSE_DAYS:
        raise BadInput(f"A pause begins within three years; check the year {first:%Y}.")
    _hold(session, learner)
    joined = rows.touching(session, learner.id, first - DAY, last + DAY)
    whole = Pause(
        min([first, *(row.first_on for row in joined)]),
        max([last, *(row.last_on for row in joined)]),
    )
    if whole.days > LONGEST_PAUSE_DAYS:
        raise BadInput(
            f"A pause lasts a year at most, and this one would last {whole.days} days"
            + (", with those it runs into." if joined else ".")
        )
    for row in joined:
        session.delete(row)
    session.flush()
    session.add(PauseRow(learner_id=learner.id, first_on=whole.first_on, last_on=whole.last_on))
    session.flush()
    return whole


def end(session: Session, learner: Learner, first_on: date, today: date) -> None:
    """End the pause that began, or would begin, on a day; ending it twice is no error. Writes.

    Of one under way the days gone by stay paused: today is the first that counts again.
    """
    _hold(session, learner)
    row = rows.get(session, learner.id, first_on)
    if row is None or row.last_on < today:
        return
    if row.first_on < today:
        row.last_on = today - DAY
    else:
        session.delete(row)
    session.flush()


def _hold(session: Session, learner: Learner) -> None:
    if learner_rows.lock(session, learner.id) is None:
        raise NotFound("This learner no longer exists: start again from the first page.")
