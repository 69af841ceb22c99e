"""A time zone as a VTIMEZONE component (RFC 5545, section 3.6.5), by rules where it has rules.

Outlook reads nothing of a VTIMEZONE but TZID and, in its parts, DTSTART, RRULE
and the two offsets ([MS-STANOICAL] 2.2.47): a zone told by RDATEs would be an
hour off for half the year. So each onset that recurs by a rule is told by that
rule, and only what follows none (a zone tied to Ramadan) is listed.

Onsets are found here to the second in UTC. The calendar library can make a
VTIMEZONE too, but tells all by RDATEs, and where clocks go forward reads the
onset an hour late, since it steps through a wall-clock hour that does not exist.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from icalendar import Timezone, TimezoneDaylight, TimezoneStandard

from server.scheduling.days import zone

YEARS = 28
"""In 28 years every date falls on every weekday, so a rule that fits them all is the rule.
What is merely listed is listed as far."""

WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


@dataclass(frozen=True)
class Change:
    """One change of a zone's clocks."""

    onset: datetime
    """By the clock that ends (naive), as RFC 5545 wants it."""
    before: timedelta
    after: timedelta
    name: str


@lru_cache(maxsize=256)
def time_zone(name: str, first_year: int) -> Timezone:
    """Return the component of an IANA zone, right from the start of a year on.

    Raises
    ------
    BadInput : there is no such zone.
    """
    info = zone(name)
    # One year early, so that the change before the year's first is among them.
    start = first_year - 1
    found = changes(info, start, start + YEARS)
    component = Timezone()
    component.add("TZID", name)
    groups: dict[tuple[timedelta, timedelta, str], list[datetime]] = {}
    for change in found:
        groups.setdefault((change.before, change.after, change.name), []).append(change.onset)
    if not found or found[0].onset.year > start:
        moment = datetime(start, 1, 1, tzinfo=info)
        offset = _offset(moment)
        component.add_component(
            _part(TimezoneStandard(), offset, offset, moment.tzname() or name, [moment])
        )
    for (before, after, shown), onsets in groups.items():
        # Where summer is the legal standard (Ireland), clients still take DAYLIGHT for
        # the greater offset.
        part = TimezoneDaylight() if after > before else TimezoneStandard()
        component.add_component(_part(part, before, after, shown, onsets))
    return component


def changes(info: ZoneInfo, first_year: int, end_year: int) -> list[Change]:
    """Return every change of offset from the start of one year to the start of another."""
    found = []
    moment = datetime(first_year, 1, 1, tzinfo=UTC)
    end = datetime(end_year, 1, 1, tzinfo=UTC)
    day = timedelta(days=1)
    while moment < end:
        later = moment + day
        if _offset(moment.astimezone(info)) != _offset(later.astimezone(info)):
            found.append(_change_between(info, moment, later))
        moment = later
    return found


def rule_of(onsets: Sequence[datetime]) -> dict[str, object] | None:
    """Return the yearly rule (RFC 5545 recurrence parts) that gives these onsets, or None."""
    first = onsets[0]
    years = [onset.year for onset in onsets]
    if years != list(range(first.year, first.year + len(onsets))) or len(onsets) < YEARS:
        return None
    if len({(onset.month, onset.weekday(), onset.time()) for onset in onsets}) != 1:
        return None
    weekday = WEEKDAYS[first.weekday()]
    yearly: dict[str, object] = {"FREQ": "YEARLY", "BYMONTH": first.month}
    if all(onset.day + 7 > monthrange(onset.year, onset.month)[1] for onset in onsets):
        return {**yearly, "BYDAY": f"-1{weekday}"}
    ordinals = {(onset.day + 6) // 7 for onset in onsets}
    if len(ordinals) == 1:
        return {**yearly, "BYDAY": f"{ordinals.pop()}{weekday}"}
    earliest = min(onset.day for onset in onsets)
    if max(onset.day for onset in onsets) == earliest + 6:
        days = list(range(earliest, earliest + 7))
        return {**yearly, "BYDAY": weekday, "BYMONTHDAY": days}
    return None


def _part(
    part: TimezoneStandard | TimezoneDaylight,
    before: timedelta,
    after: timedelta,
    name: str,
    onsets: Sequence[datetime],
) -> TimezoneStandard | TimezoneDaylight:
    naive = [onset.replace(tzinfo=None) for onset in onsets]
    part.add("DTSTART", naive[0])
    part.add("TZOFFSETFROM", before)
    part.add("TZOFFSETTO", after)
    part.add("TZNAME", name)
    rule = rule_of(naive)
    if rule is not None:
        part.add("RRULE", rule)
    elif len(naive) > 1:
        part.add("RDATE", naive[1:])
    return part


def _change_between(info: ZoneInfo, early: datetime, late: datetime) -> Change:
    before = _offset(early.astimezone(info))
    while late - early > timedelta(seconds=1):
        middle = early + (late - early) // 2
        middle = middle.replace(microsecond=0)
        if _offset(middle.astimezone(info)) == before:
            early = middle
        else:
            late = middle
    local = late.astimezone(info)
    return Change(
        onset=(late + before).replace(tzinfo=None),
        before=before,
        after=_offset(local),
        name=local.tzname() or str(info),
    )


def _offset(moment: datetime) -> timedelta:
    offset = moment.utcoffset()
    assert offset is not None
    return offset
