"""The calendar a learner subscribes to, read by another parser and by hand."""

# ruff: noqa: DTZ001, DTZ007 - a TZID parameter names the zone of what is read by hand.

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st
from ical.calendar import Calendar
from ical.calendar_stream import IcsCalendarStream
from ical.event import Event

from server.services.pauses import Pause
from server.services.reminders.calendar import Plan, Revision, calendar_of
from server.services.reminders.slots import Slot
from tests.services.calendar_lines import component, content_lines, physical_lines, value

WHO = UUID("6f1b3a52-9a55-4f0e-9b55-0d5e0a2f9c11")
MADE = datetime(2026, 11, 25, 12, 0, 0, 5, tzinfo=UTC)
REVISION = Revision(sequence=3, made_at=MADE, changed_at=MADE + timedelta(days=2))
SLOT = Slot(minute_of_day=18 * 60 + 30, weekdays=(1, 3, 5), alarm=False, set_on=date(2026, 11, 26))


def plan(
    timezone: str = "Europe/London",
    slot: Slot | None = SLOT,
    pauses: tuple[Pause, ...] = (),
    rotation_on: date | None = None,
    home: str = "https://rounds.example.org",
    minutes: int = 10,
) -> Plan:
    return Plan(WHO, timezone, slot, minutes, pauses, rotation_on, home)


def read(content: bytes) -> Calendar:
    """Parse with the independent library, which shares no code with the one that wrote it."""
    (calendar,) = IcsCalendarStream.from_ics(content.decode()).calendars
    return calendar


def starts(content: bytes, timezone: str, until: date) -> list[datetime]:
    """Return the practice slots that the independent library expands, in the zone's own clock."""
    zone = ZoneInfo(timezone)
    end = datetime.combine(until, time(0), tzinfo=zone)
    first = datetime(2026, 1, 1, tzinfo=zone)
    found = read(content).timeline_tz(zone).overlapping(first, end)
    return [
        event.dtstart.astimezone(zone) for event in found if isinstance(event.dtstart, datetime)
    ]


def days_with_slot(slot: Slot, until: date) -> list[date]:
    days = [slot.set_on + timedelta(days=n) for n in range((until - slot.set_on).days)]
    return [day for day in days if day.isoweekday() in slot.weekdays]


@pytest.mark.parametrize(
    "timezone",
    [
        *("Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"),
        *("America/Santiago", "Africa/Cairo", "Africa/Casablanca", "Europe/Dublin"),
    ],
)
def test_slots_keep_to_the_clock_across_both_changes(timezone: str) -> None:
    """Every slot of fifteen months, found by the other parser, is at 18:30 by the clock there."""
    until = date(2028, 3, 1)
    zone = ZoneInfo(timezone)
    expected = [
        datetime.combine(day, time(18, 30), tzinfo=zone) for day in days_with_slot(SLOT, until)
    ]
    found = starts(calendar_of(plan(timezone), REVISION), timezone, until)
    assert found == expected
    assert {moment.time() for moment in found} == {time(18, 30)}
    assert len(found) > 190


def test_the_rule_alone_gives_the_days() -> None:
    """dateutil's reading of DTSTART and RRULE (RFC 5545, 3.8.5.3: DTSTART is the first of them)."""
    lines = content_lines(calendar_of(plan(), REVISION))
    event = component(lines, "VEVENT")
    (start,) = [line for line in event if line.name == "DTSTART"]
    assert start.parameters == {"TZID": "Europe/London"}
    first = datetime.strptime(start.value, "%Y%m%dT%H%M%S")
    rule = rrulestr(value(event, "RRULE"), dtstart=first)
    days = [moment.date() for moment in rule.between(first, datetime(2027, 6, 1), inc=True)]
    assert days == days_with_slot(SLOT, date(2027, 6, 1))


def test_pauses_take_their_slots_out_and_no_others() -> None:
    pause = Pause(date(2026, 12, 24), date(2027, 1, 3))
    until = date(2027, 2, 1)
    content = calendar_of(plan(pauses=(pause,)), REVISION)
    found = [moment.date() for moment in starts(content, "Europe/London", until)]
    assert found == [day for day in days_with_slot(SLOT, until) if day not in pause]
    lines = component(content_lines(content), "VEVENT")
    (away,) = [line for line in lines if line.name == "EXDATE"]
    assert away.parameters == {"TZID": "Europe/London"}
    assert away.value.split(",")[0] == "20261225T183000"
    assert len(away.value.split(",")) == 4


def test_a_pause_over_the_change_of_clocks_is_left_out_in_full() -> None:
    pause = Pause(date(2027, 3, 20), date(2027, 4, 10))
    content = calendar_of(plan("Europe/Berlin", pauses=(pause,)), REVISION)
    found = [moment.date() for moment in starts(content, "Europe/Berlin", date(2027, 5, 1))]
    assert [day for day in found if day in pause] == []
    assert date(2027, 3, 19) in found
    assert date(2027, 4, 12) in found


def test_a_slot_lasts_its_minutes_also_where_the_clocks_go_back() -> None:
    night = Slot(minute_of_day=30, weekdays=(7,), alarm=False, set_on=date(2026, 10, 25))
    content = calendar_of(plan(slot=night, minutes=60), REVISION)
    event = component(content_lines(content), "VEVENT")
    # 00:30 by summer time and an hour later: 01:30, still of summer time.
    assert value(event, "DTSTART").endswith("T003000")
    assert value(event, "DTEND").endswith("T013000")


def test_the_rotation_is_a_whole_day_in_every_zone() -> None:
    content = calendar_of(plan(rotation_on=date(2027, 3, 1)), REVISION)
    (event,) = [one for one in read(content).events if one.summary == "Rotation begins"]
    assert (event.dtstart, event.dtend) == (date(2027, 3, 1), date(2027, 3, 2))
    lines = component(content_lines(content), "VEVENT", 1)
    assert [line.parameters for line in lines if line.name in ("DTSTART", "DTEND")] == [
        {"VALUE": "DATE"},
        {"VALUE": "DATE"},
    ]


def test_an_alarm_is_there_when_asked_for() -> None:
    quiet = read(calendar_of(plan(), REVISION)).events
    assert [one.alarm for one in quiet] == [[]]
    loud = Slot(SLOT.minute_of_day, SLOT.weekdays, True, SLOT.set_on)
    (event,) = read(calendar_of(plan(slot=loud), REVISION)).events
    (alarm,) = event.alarm
    assert (alarm.action, alarm.trigger) == ("DISPLAY", timedelta(0))


class TestForm:
    """What RFC 5545, RFC 7986 and readers' published rules ask of the file."""

    def test_what_every_calendar_and_event_must_say(self) -> None:
        lines = content_lines(calendar_of(plan(rotation_on=date(2027, 3, 1)), REVISION))
        assert value(lines, "VERSION") == "2.0"
        assert value(lines, "PRODID")
        for n in (0, 1):
            event = component(lines, "VEVENT", n)
            for name in ("UID", "DTSTAMP", "DTSTART", "SUMMARY"):
                assert value(event, name)
            assert value(event, "SEQUENCE") == "3"
            assert value(event, "LAST-MODIFIED") == value(event, "DTSTAMP") == "20261127T120000Z"
            assert value(event, "CREATED") == "20261125T120000Z"
            # UUIDs without a host's name (RFC 7986, 5.3), and not the learner's own.
            assert UUID(value(event, "UID")) != WHO
        assert value(component(lines, "VEVENT", 0), "UID") != value(
            component(lines, "VEVENT", 1), "UID"
        )

    def test_readers_are_told_how_often_to_look_again(self) -> None:
        lines = content_lines(calendar_of(plan(), REVISION))
        (again,) = [line for line in lines if line.name == "REFRESH-INTERVAL"]
        assert again.parameters == {"VALUE": "DURATION"}  # RFC 7986, 5.7: it must be said
        assert again.value == value(lines, "X-PUBLISHED-TTL") == "PT6H"

    def test_there_is_no_method(self) -> None:
        """RFC 5546, 3.2.1: with PUBLISH each event needs an ORGANIZER."""
        assert [line for line in content_lines(calendar_of(plan(), REVISION))
                if line.name in ("METHOD", "ORGANIZER")] == []  # fmt: skip

    @pytest.mark.parametrize("timezone", ["Europe/London", "Africa/Cairo", "Asia/Kolkata"])
    def test_every_zone_named_is_told_before_it_is_used(self, timezone: str) -> None:
        """RFC 5545, 3.2.19. Outlook takes an undeclared zone for floating time; Google expands a
        recurring event only in a zone with an IANA name (Calendar API, events, timeZone)."""
        lines = content_lines(calendar_of(plan(timezone), REVISION))
        assert value(component(lines, "VTIMEZONE"), "TZID") == timezone
        assert {line.parameters["TZID"] for line in lines if "TZID" in line.parameters} == {
            timezone
        }
        assert timezone in ZoneInfo(timezone).key
        begins = [line.value for line in lines if line.name == "BEGIN"]
        assert begins.index("VTIMEZONE") < begins.index("VEVENT")

    def test_utc_needs_no_zone(self) -> None:
        lines = content_lines(calendar_of(plan("UTC"), REVISION))
        event = component(lines, "VEVENT")
        assert value(event, "DTSTART").endswith("Z")
        assert value(event, "DTEND").endswith("Z")
        assert [line for line in lines if line.value == "VTIMEZONE"] == []

    @given(st.text(alphabet="aé–語👁\\,;: ", min_size=0, max_size=300))
    def test_long_and_foreign_words_are_folded_without_harm(self, words: str) -> None:
        """Lines of at most 75 octets, CRLF, no character cut, and the text comes back whole."""
        content = calendar_of(plan(home=f"https://x/{words}|"), REVISION)
        physical_lines(content)
        (event,) = read(content).events
        assert f"https://x/{words}|\n" in (event.description or "")

    def test_the_same_plan_is_the_same_bytes_and_another_is_not(self) -> None:
        once, again = plan(), plan()
        assert once.fingerprint == again.fingerprint
        assert calendar_of(once, REVISION) == calendar_of(again, REVISION)
        others = [
            plan("Europe/Paris"),
            plan(minutes=15),
            plan(rotation_on=date(2027, 3, 1)),
            plan(pauses=(Pause(date(2026, 12, 24), date(2026, 12, 26)),)),
            plan(slot=Slot(0, (1,), False, SLOT.set_on)),
            plan(slot=Slot(SLOT.minute_of_day, SLOT.weekdays, True, SLOT.set_on)),
        ]
        assert len({one.fingerprint for one in [once, *others]}) == len(others) + 1


def test_the_other_parser_is_another() -> None:
    assert not Event.__module__.startswith("icalendar")
