"""VTIMEZONE components against another parser, and against what Outlook says it reads."""

# ruff: noqa: DTZ001 - these are readings of a clock, whose zone is what is tested.

from __future__ import annotations

import io
from datetime import datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

import pytest
from dateutil.tz import tzical
from icalendar import Calendar

from server.services.reminders.time_zones import YEARS, changes, rule_of, time_zone
from tests.services.calendar_lines import content_lines

FIRST_YEAR = 2026

PECULIAR = (
    *("Europe/London", "Europe/Berlin", "America/New_York", "Australia/Sydney"),
    "Europe/Dublin",  # summer is the legal standard
    "Australia/Lord_Howe",  # half an hour
    "Antarctica/Troll",  # two hours
    "Pacific/Chatham",  # +12:45
    "Asia/Kathmandu",  # +05:45, never changed
    "Asia/Jerusalem",  # the Friday before a Sunday
    "America/Nuuk",  # on a Saturday evening
    "America/Santiago",  # first Sunday after a fixed day
    "Africa/Cairo",  # the day after the last Thursday, which may be next month's first
    "Africa/Casablanca",  # suspended in Ramadan
    "UTC",
)

BY_DATES = {"Africa/Cairo", "Egypt", "Africa/Casablanca", "Africa/El_Aaiun", "Asia/Gaza",
            "Asia/Hebron"}  # fmt: skip
"""Zones with an onset that no yearly rule tells."""

BY_DAY_OF_MONTH = {"America/Nuuk", "America/Godthab", "America/Scoresbysund", "America/Santiago",
                   "Chile/Continental", "Asia/Jerusalem", "Asia/Tel_Aviv", "Israel"}  # fmt: skip
"""Zones with an onset on a weekday from a day of the month on."""


def sent(name: str) -> bytes:
    calendar = Calendar()
    calendar.add_component(time_zone(name, FIRST_YEAR))
    content: bytes = calendar.to_ical()
    return content


@pytest.mark.parametrize("name", PECULIAR)
def test_another_parser_reads_the_zones_own_clock(name: str) -> None:
    """dateutil's reader of VTIMEZONE agrees with the IANA data, at and between the changes."""
    zone = ZoneInfo(name)
    read = tzical(io.StringIO(sent(name).decode())).get(name)
    moments = [datetime(FIRST_YEAR, 1, 1, 12) + timedelta(days=9 * n) for n in range(41 * 12)]
    for change in changes(zone, FIRST_YEAR, FIRST_YEAR + 12):
        # Outside the hour that is skipped or comes twice, where a local time is not one moment.
        far = abs(change.after - change.before) + timedelta(seconds=1)
        moments += [change.onset - far, change.onset + far]
    assert [moment for moment in moments if read.utcoffset(moment) != zone.utcoffset(moment)] == []


def test_onsets_are_told_by_the_clock_that_ends() -> None:
    """RFC 5545, 3.6.5: Europe's clocks change at 01:00 UTC, and Sydney's at 02:00 standard time."""
    onsets = {
        name: [change.onset for change in changes(ZoneInfo(name), 2027, 2028)]
        for name in ("Europe/London", "Europe/Berlin", "Australia/Sydney")
    }
    assert onsets == {
        "Europe/London": [datetime(2027, 3, 28, 1), datetime(2027, 10, 31, 2)],
        "Europe/Berlin": [datetime(2027, 3, 28, 2), datetime(2027, 10, 31, 3)],
        "Australia/Sydney": [datetime(2027, 4, 4, 3), datetime(2027, 10, 3, 2)],
    }


def test_the_rules_are_those_of_the_law() -> None:
    """EU directive 2000/84/EC: last Sunday in March and October. US Energy Policy Act 2005:
    second Sunday in March, first in November."""
    for name, rules in {
        "Europe/Berlin": {"BYMONTH=3;BYDAY=-1SU", "BYMONTH=10;BYDAY=-1SU"},
        "America/New_York": {"BYMONTH=3;BYDAY=2SU", "BYMONTH=11;BYDAY=1SU"},
    }.items():
        found = {
            frozenset(line.value.split(";"))
            for line in content_lines(sent(name))
            if line.name == "RRULE"
        }
        assert found == {frozenset(["FREQ=YEARLY", *rule.split(";")]) for rule in rules}


@lru_cache
def zones() -> list[str]:
    return sorted(name for name in available_timezones() if "/" in name or name == "UTC")


def test_outlook_can_read_every_zone_but_a_few() -> None:
    """[MS-STANOICAL] 2.2.47: of a part only DTSTART, RRULE and the offsets are read.
    [MS-OXCICAL] 2.1.3.1.1.19.2.2: yearly, BYDAY (one day, with its ordinal) or BYMONTHDAY, not
    both; 2.2.106: at most one STANDARD and one DAYLIGHT, each with one rule if there are two."""
    unread = set()
    for name in zones():
        lines = content_lines(sent(name))
        parts = [line.value for line in lines if line.name == "BEGIN"][2:]
        rules = [line.value for line in lines if line.name == "RRULE"]
        single = all(rule.count("BYDAY=") == 1 and "BYMONTHDAY" not in rule for rule in rules)
        ordinal = all(rule.split("BYDAY=")[1][0] in "-1234" for rule in rules)
        readable = parts == ["STANDARD"] or (
            sorted(parts) == ["DAYLIGHT", "STANDARD"] and len(rules) == 2
        )
        if not (readable and single and ordinal):
            unread.add(name)
    assert unread - (BY_DATES | BY_DAY_OF_MONTH) == set()


def test_a_rule_needs_every_weekday_and_leap_year_behind_it() -> None:
    sundays = [datetime(year, 3, 31, 1) for year in range(2026, 2026 + YEARS)]
    last = [day - timedelta(days=(day.weekday() + 1) % 7) for day in sundays]
    assert rule_of(last) == {"FREQ": "YEARLY", "BYMONTH": 3, "BYDAY": "-1SU"}
    assert rule_of(last[:-1]) is None
    assert rule_of([*last[:-1], last[-1] - timedelta(days=7)]) is None
    assert rule_of([*last[:-1], last[-1] + timedelta(hours=1)]) is None


def test_a_year_is_covered_from_its_first_second() -> None:
    for name in ("Europe/London", "Australia/Sydney", "Africa/Casablanca"):
        read = tzical(io.StringIO(sent(name).decode())).get(name)
        first = datetime(FIRST_YEAR, 1, 1)
        assert read.utcoffset(first) == ZoneInfo(name).utcoffset(first), name
