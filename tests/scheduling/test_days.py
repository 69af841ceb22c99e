"""The learner's local day, across zones, clock changes and clocks set back.

Dates of clock changes are those of the IANA time zone database.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.scheduling.days import day_bounds, day_start, days_between, local_day, week_start

ZONES = [
    "UTC",
    "Europe/London",
    "Europe/Lisbon",
    "America/New_York",
    "America/Sao_Paulo",
    "America/St_Johns",
    "Asia/Kathmandu",
    "Asia/Beirut",
    "Australia/Lord_Howe",
    "Atlantic/Azores",
    "Pacific/Apia",
    "Pacific/Kiritimati",
    "Pacific/Pago_Pago",
]

# Hypothesis wants the ends without a zone and adds the zone itself.
moments = st.datetimes(
    datetime(1990, 1, 1),  # noqa: DTZ001
    datetime(2037, 1, 1),  # noqa: DTZ001
    timezones=st.just(UTC),
)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("moment", "zone", "day"),
    [
        ("2026-03-01T23:30:00+00:00", "Europe/London", date(2026, 3, 1)),
        ("2026-03-01T23:30:00+00:00", "Asia/Kathmandu", date(2026, 3, 2)),
        ("2026-03-02T03:30:00+00:00", "America/New_York", date(2026, 3, 1)),
        ("2026-07-01T23:30:00+00:00", "Europe/London", date(2026, 7, 2)),
        # One instant, two calendar days apart at the ends of the date line.
        ("2026-05-05T10:30:00+00:00", "Pacific/Kiritimati", date(2026, 5, 6)),
        ("2026-05-05T10:30:00+00:00", "Pacific/Pago_Pago", date(2026, 5, 4)),
    ],
)
def test_the_day_is_the_one_on_the_learners_wall(moment: str, zone: str, day: date) -> None:
    assert local_day(at(moment), zone) == day


@pytest.mark.parametrize(
    ("day", "zone", "hours"),
    [
        (date(2026, 3, 29), "Europe/London", 23),
        (date(2026, 10, 25), "Europe/London", 25),
        (date(2026, 3, 8), "America/New_York", 23),
        (date(2018, 11, 4), "America/Sao_Paulo", 23),  # midnight itself was skipped
        (date(2018, 2, 17), "America/Sao_Paulo", 25),  # the last hour came twice
        (date(2026, 10, 4), "Australia/Lord_Howe", 23.5),
        (date(2026, 10, 25), "Atlantic/Azores", 25),  # midnight came twice
        (date(2011, 12, 30), "Pacific/Apia", 0),  # the whole day was skipped
        (date(2026, 6, 10), "Asia/Kathmandu", 24),
    ],
)
def test_days_are_as_long_as_they_are(day: date, zone: str, hours: float) -> None:
    start, end = day_bounds(day, zone)
    assert (end - start) == timedelta(hours=hours)


@given(
    moments,
    st.sampled_from(ZONES),
)
def test_every_moment_lies_within_its_day(moment: datetime, zone: str) -> None:
    day = local_day(moment, zone)
    start, end = day_bounds(day, zone)
    assert start <= moment < end


@given(st.dates(date(1990, 1, 1), date(2037, 1, 1)), st.sampled_from(ZONES))
def test_days_follow_each_other_without_gap_or_overlap(day: date, zone: str) -> None:
    start, end = day_bounds(day, zone)
    assert start <= end == day_start(day + timedelta(days=1), zone)
    assert start == end or local_day(start, zone) == day


@given(
    moments,
    st.integers(-14 * 4, 14 * 4),
    st.sampled_from(ZONES),
)
def test_the_senders_own_offset_does_not_matter(moment: datetime, quarters: int, zone: str) -> None:
    elsewhere = moment.astimezone(timezone(timedelta(minutes=15 * quarters)))
    assert local_day(elsewhere, zone) == local_day(moment, zone)


def test_a_moment_without_its_zone_is_refused() -> None:
    with pytest.raises(BadInput, match="aware datetime"):
        local_day(datetime(2026, 3, 1), "Europe/London")  # noqa: DTZ001


@pytest.mark.parametrize(
    "name", ["Atlantis/Central", "", "../../etc/passwd", "/etc/localtime", "a\0b"]
)
def test_an_unknown_zone_is_refused(name: str) -> None:
    with pytest.raises(BadInput, match="IANA name"):
        local_day(datetime(2026, 3, 1, tzinfo=UTC), name)


@given(st.dates(date(1990, 1, 8), date(2037, 1, 1)))
def test_a_week_starts_on_its_monday(day: date) -> None:
    start = week_start(day)
    assert start.isoweekday() == 1
    assert 0 <= (day - start).days <= 6
    assert start.isocalendar()[:2] == day.isocalendar()[:2]


def test_a_clock_set_back_gives_no_negative_days() -> None:
    assert days_between(date(2026, 3, 5), date(2026, 3, 1)) == 0
    assert days_between(None, date(2026, 3, 1)) == 0
    assert days_between(date(2026, 2, 27), date(2026, 3, 1)) == 2
