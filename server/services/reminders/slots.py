"""The time a learner sets aside for practice, and the moments it comes to."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.scheduling.days import local_day, zone
from server.services.learners import Learner
from server.storage import practice_slots
from server.storage.models import PracticeSlotRow

MINUTES_A_DAY = 24 * 60


@dataclass(frozen=True)
class Slot:
    """A time of day on some days of the week, by the learner's own clock."""

    minute_of_day: int
    """Minutes after midnight, 0 to 1439."""
    weekdays: tuple[int, ...]
    """ISO 8601 numbers, Monday 1, in order."""
    alarm: bool
    set_on: date
    """The first day it counts from."""

    @property
    def clock(self) -> time:
        """The time of day."""
        return time(*divmod(self.minute_of_day, 60))

    @property
    def first_day(self) -> date:
        """The first day with a slot."""
        return next(
            day
            for day in (self.set_on + timedelta(days=n) for n in range(7))
            if day.isoweekday() in self.weekdays
        )

    def moment(self, day: date, zone_name: str) -> datetime:
        """Return the slot's moment on a day, in UTC.

        A time that clocks skip is read with the offset from before the change,
        one that comes twice is the first (RFC 5545, section 3.3.5).
        """
        return datetime.combine(day, self.clock, tzinfo=zone(zone_name)).astimezone(UTC)


def slot_of(session: Session, learner: Learner) -> Slot | None:
    """Return the learner's slot, or None while none was chosen."""
    row = practice_slots.get(session, learner.id)
    return None if row is None else as_slot(row)


def set_slot(
    session: Session,
    learner: Learner,
    now: datetime,
    *,
    minute_of_day: int,
    weekdays: Collection[int],
    alarm: bool,
) -> Slot:
    """Store the time set aside. Choosing the same again changes nothing.

    Raises
    ------
    BadInput : no day is chosen, or a value is outside its range.
    """
    if not 0 <= minute_of_day < MINUTES_A_DAY:
        raise BadInput("The time must be from 00:00 to 23:59.")
    if not set(weekdays) <= set(range(1, 8)):
        raise BadInput("Days of the week are numbered from 1 (Monday) to 7.")
    if not weekdays:
        raise BadInput("Choose at least one day of the week.")
    chosen = "".join(str(day) for day in sorted(set(weekdays)))
    row = practice_slots.get(session, learner.id)
    if row is None:
        row = PracticeSlotRow(learner_id=learner.id, minute_of_day=-1, weekdays="", alarm=alarm)
        session.add(row)
    if (row.minute_of_day, row.weekdays) != (minute_of_day, chosen):
        row.minute_of_day = minute_of_day
        row.weekdays = chosen
        row.set_on = _first_day(now, learner.timezone, minute_of_day)
    row.alarm = alarm
    session.flush()
    return as_slot(row)


def _first_day(now: datetime, timezone: str, minute_of_day: int) -> date:
    """Return today, or tomorrow when the time has passed: nobody is reminded of the past."""
    day = local_day(now, timezone)
    slot = Slot(minute_of_day, (), False, day)
    return day if slot.moment(day, timezone) > now else day + timedelta(days=1)


def as_slot(row: PracticeSlotRow) -> Slot:
    """Return a stored slot."""
    return Slot(
        minute_of_day=row.minute_of_day,
        weekdays=tuple(int(number) for number in row.weekdays),
        alarm=row.alarm,
        set_on=row.set_on,
    )
