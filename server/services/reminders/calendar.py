"""A learner's plan as an iCalendar object (RFC 5545, RFC 7986).

No METHOD: this is a calendar to subscribe to, and with METHOD:PUBLISH every
event would have to name an organiser (RFC 5546, section 3.2.1).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from uuid import UUID, uuid5

from icalendar import Alarm, Calendar, Event

from server.scheduling.days import zone
from server.services.pauses import Pause
from server.services.reminders.slots import Slot
from server.services.reminders.time_zones import WEEKDAYS, time_zone

NAME = "Fundus Rounds"
REFRESH = timedelta(hours=6)
"""How often a calendar program should look again."""

WORDS_VERSION = 1
"""Counts up when the wording or the form changes, so that programs take the events anew."""

SAFETY = "For education, not for diagnosis or patient care."


@dataclass(frozen=True)
class Plan:
    """What a learner's calendar says."""

    learner_id: UUID
    timezone: str
    slot: Slot | None
    minutes: int
    """Length of a slot."""
    pauses: tuple[Pause, ...]
    rotation_on: date | None
    home: str
    """Address of the program; empty where none is set."""

    @property
    def fingerprint(self) -> str:
        """SHA-256 over all of it: the same plan is the same calendar."""
        said = json.dumps([WORDS_VERSION, asdict(self)], default=str, sort_keys=True)
        return hashlib.sha256(said.encode()).hexdigest()


@dataclass(frozen=True)
class Revision:
    """How often a plan has changed, and when it last did."""

    sequence: int
    made_at: datetime
    changed_at: datetime


def calendar_of(plan: Plan, revision: Revision) -> bytes:
    """Return the plan as UTF-8, folded, with CRLF; the same bytes for the same plan."""
    calendar = Calendar()
    calendar.add("VERSION", "2.0")
    calendar.add("PRODID", "-//Fundus Rounds//Practice plan//EN")
    calendar.add("CALSCALE", "GREGORIAN")
    calendar.add("NAME", NAME)
    calendar.add("REFRESH-INTERVAL", REFRESH, parameters={"VALUE": "DURATION"})
    # The same three for programs that are older than RFC 7986.
    calendar.add("X-WR-CALNAME", NAME)
    calendar.add("X-WR-TIMEZONE", plan.timezone)
    calendar.add("X-PUBLISHED-TTL", "PT6H")
    if plan.slot is not None:
        if zone(plan.timezone).key != "UTC":
            calendar.add_component(time_zone(plan.timezone, plan.slot.first_day.year))
        calendar.add_component(_practice(plan, plan.slot, revision))
    if plan.rotation_on is not None:
        calendar.add_component(_rotation(plan, plan.rotation_on, revision))
    content: bytes = calendar.to_ical()
    return content


def uid(learner_id: UUID, name: str) -> str:
    """Return an event's lasting id, from which nobody finds the learner's (RFC 7986, 5.3)."""
    return str(uuid5(learner_id, f"fundus-rounds:{name}"))


def skipped(slot: Slot, pauses: Sequence[Pause]) -> list[date]:
    """Return the days with a slot that fall into a pause, in order."""
    days = {pause.first_on + timedelta(days=n) for pause in pauses for n in range(pause.days)}
    return sorted(
        day for day in days if day >= slot.first_day and day.isoweekday() in slot.weekdays
    )


def _practice(plan: Plan, slot: Slot, revision: Revision) -> Event:
    info = zone(plan.timezone)

    def local(day: date) -> datetime:
        return slot.moment(day, plan.timezone).astimezone(UTC if info.key == "UTC" else info)

    start = local(slot.first_day)
    event = _event(plan, revision, "practice", f"Fundus practice, {plan.minutes} min")
    event.add("DTSTART", start)
    # Through UTC: a slot lasts its minutes also where the clocks change within it.
    event.add("DTEND", (start.astimezone(UTC) + timedelta(minutes=plan.minutes)).astimezone(info))
    days = [WEEKDAYS[number - 1] for number in slot.weekdays]
    event.add("RRULE", {"FREQ": "WEEKLY", "BYDAY": days})
    away = [local(day) for day in skipped(slot, plan.pauses)]
    if away:
        event.add("EXDATE", away)
    if slot.alarm:
        alarm = Alarm()
        alarm.add("ACTION", "DISPLAY")
        alarm.add("DESCRIPTION", "Time for a round of eyes")
        alarm.add("TRIGGER", timedelta(0))
        event.add_component(alarm)
    return event


def _rotation(plan: Plan, day: date, revision: Revision) -> Event:
    event = _event(plan, revision, "rotation", "Rotation begins")
    event.add("DTSTART", day)
    # The end of an all-day event is the first day that is no longer part of it.
    event.add("DTEND", day + timedelta(days=1))
    return event


def _event(plan: Plan, revision: Revision, name: str, summary: str) -> Event:
    changed = revision.changed_at.replace(microsecond=0)
    event = Event()
    event.add("UID", uid(plan.learner_id, name))
    # Without a METHOD, DTSTAMP is when the event was last revised (RFC 5545, 3.8.7.2).
    event.add("DTSTAMP", changed)
    event.add("LAST-MODIFIED", changed)
    event.add("CREATED", revision.made_at.replace(microsecond=0))
    event.add("SEQUENCE", revision.sequence)
    event.add("SUMMARY", summary)
    event.add("DESCRIPTION", f"{plan.home}\n{SAFETY}" if plan.home else SAFETY)
    if plan.home:
        event.add("URL", plan.home)
    event.add("CLASS", "PRIVATE")
    # Set aside, but others may still book the time.
    event.add("TRANSP", "TRANSPARENT")
    return event
