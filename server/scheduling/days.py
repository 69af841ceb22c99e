"""The learner's own days: which day it is where they are, and when it starts and ends.

Due days are calendar days in the learner's time zone (IANA name). A day can
have 23 or 25 hours where clocks change, and a clock can be set back; nothing
here counts hours to find a day.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from server.errors import BadInput


@lru_cache(maxsize=1024)
def zone(name: str) -> ZoneInfo:
    """Return the time zone of an IANA name such as 'Europe/Lisbon'.

    Raises
    ------
    BadInput : there is no such zone.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BadInput(
            f"time zone {name!r} is not known: use an IANA name such as 'Europe/Lisbon'"
        ) from error


def local_day(moment: datetime, zone_name: str) -> date:
    """Return the calendar day of a moment where the learner is.

    Raises
    ------
    BadInput : the moment has no time zone of its own, or the zone is unknown.
    """
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise BadInput("a moment needs its time zone: pass an aware datetime")
    return moment.astimezone(zone(zone_name)).date()


def day_start(day: date, zone_name: str) -> datetime:
    """Return the moment in UTC at which the learner's day begins.

    Where clocks skip midnight (some zones change at 00:00), the day begins at
    the first moment that exists; where midnight comes twice, at the first.
    """
    # A midnight that does not exist is read with the offset from before the
    # change, which makes it the moment of the change; one that comes twice is
    # read as the first (PEP 495, fold 0).
    return datetime.combine(day, time(0), tzinfo=zone(zone_name)).astimezone(UTC)


def day_bounds(day: date, zone_name: str) -> tuple[datetime, datetime]:
    """Return the UTC moments at which the learner's day begins and the next one does."""
    return day_start(day, zone_name), day_start(day + timedelta(days=1), zone_name)


def week_start(day: date) -> date:
    """Return the Monday of the day's week (ISO 8601)."""
    return day - timedelta(days=day.weekday())


def days_between(earlier: date | None, later: date) -> int:
    """Return the whole days from one day to another, and 0 if a clock went back."""
    return 0 if earlier is None else max(0, (later - earlier).days)
