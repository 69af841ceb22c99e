"""What a learner has planned, gathered from where it is set."""

from __future__ import annotations

from sqlalchemy.orm import Session

from server.services.pauses import Pause
from server.services.reminders.calendar import Plan
from server.services.reminders.slots import as_slot
from server.storage import pauses, practice_slots
from server.storage.models import LearnerRow


def plan_of(session: Session, learner: LearnerRow, home: str) -> Plan:
    """Return what the learner's calendar says."""
    row = practice_slots.get(session, learner.id)
    slot = None if row is None else as_slot(row)
    away = () if slot is None else pauses.of_learner(session, learner.id, slot.set_on)
    return Plan(
        learner_id=learner.id,
        timezone=learner.timezone,
        slot=slot,
        minutes=learner.daily_minutes,
        pauses=tuple(Pause(one.first_on, one.last_on) for one in away),
        rotation_on=learner.rotation_on,
        home=home,
    )
