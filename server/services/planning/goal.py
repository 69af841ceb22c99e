"""The weekly goal: so many days a week with so many minutes each, pauses taken off.

A day counts once its minutes are reached. Time is counted as a round's length
counts it, 25 seconds an eye, or by the clock where somebody looks longer: what
is spent reading the feedback is not measured, and a round of five minutes must
be five minutes of the goal however quick the learner is.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Protocol
from uuid import UUID

from sqlalchemy.orm import Session

from server.scheduling.days import week_start
from server.services.learners import SECONDS_PER_EYE, eyes_in
from server.storage import pauses as pause_rows
from server.storage import tallies

DAYS_A_WEEK = 7


class Aims(Protocol):
    """Whoever has a weekly goal: a learner, or their row."""

    @property
    def id(self) -> UUID: ...
    @property
    def weekly_goal_days(self) -> int: ...
    @property
    def daily_minutes(self) -> int: ...


@dataclass(frozen=True)
class Practised:
    """What was done on one day."""

    eyes: int
    seconds: int
    """Time spent, as the goal counts it."""


NOTHING = Practised(0, 0)


@dataclass(frozen=True)
class WeeklyGoal:
    """How the week stands on one of its days.

    Parameters
    ----------
    days : days of practice wanted this week, pauses taken off; 0 in a week all paused.
    usual_days : the same in a week without pauses.
    minutes : wanted on each of them.
    met : days on which the minutes were reached, in order.
    short : days with less practice than that, in order.
    practised : what was done on each day with any practice.
    paused : paused days of the week.
    """

    today: date
    days: int
    usual_days: int
    minutes: int
    met: tuple[date, ...]
    short: tuple[date, ...]
    practised: Mapping[date, Practised]
    paused: frozenset[date]

    @property
    def days_met(self) -> int:
        return len(self.met)

    @property
    def days_left(self) -> int:
        """Days of practice still wanted this week."""
        return max(0, self.days - len(self.met))

    @property
    def is_met(self) -> bool:
        return self.days_left == 0

    @property
    def is_met_today(self) -> bool:
        return self.today in self.met

    @property
    def today_done(self) -> Practised:
        return self.practised.get(self.today, NOTHING)

    @property
    def minutes_today(self) -> int:
        """Whole minutes practised today."""
        return self.today_done.seconds // 60

    @property
    def eyes_left_today(self) -> int:
        """Eyes that today's minutes still hold."""
        return max(0, eyes_in(self.minutes) - self.today_done.eyes) if not self.is_met_today else 0

    @property
    def days_open(self) -> tuple[date, ...]:
        """Days of the week that can still count: not over, not paused, not met."""
        left = (self.today + timedelta(days=n) for n in range(DAYS_A_WEEK))
        sunday = week_start(self.today) + timedelta(days=DAYS_A_WEEK - 1)
        return tuple(
            day for day in left if day <= sunday and day not in self.paused and day not in self.met
        )

    @property
    def can_be_met(self) -> bool:
        """Whether there are days enough left; if not, next week is a new one."""
        return self.days_left <= len(self.days_open)


def weekly_goal(session: Session, who: Aims, today: date) -> WeeklyGoal:
    """Return how the learner's week stands. Reads only, in two statements."""
    monday = week_start(today)
    sunday = monday + timedelta(days=DAYS_A_WEEK - 1)
    rows = tallies.days_between(session, who.id, monday, sunday)
    away = [(one.first_on, one.last_on) for one in pause_rows.touching(
        session, who.id, monday, sunday
    )]  # fmt: skip
    week = [monday + timedelta(days=n) for n in range(DAYS_A_WEEK)]
    paused = {day for day in week if any(first <= day <= last for first, last in away)}
    practised = {day: practised_on(row.answers, row.visible_ms) for day, row in rows.items()}
    return goal_of(
        today, who.weekly_goal_days, who.daily_minutes, practised=practised, paused=paused
    )


def practised_on(eyes: int, visible_ms: int) -> Practised:
    """Return what a day's sums come to."""
    return Practised(eyes, max(eyes * SECONDS_PER_EYE, visible_ms // 1000))


def goal_of(
    today: date,
    days: int,
    minutes: int,
    *,
    practised: Mapping[date, Practised],
    paused: Collection[date],
) -> WeeklyGoal:
    """Work out how a week stands.

    Parameters
    ----------
    days, minutes : the learner's goal in a week without pauses.
    practised : what was done, by day of the week.
    paused : days of the week on which nothing is asked.
    """
    enough = minutes_are_reached
    return WeeklyGoal(
        today=today,
        days=days_wanted(days, DAYS_A_WEEK - len(paused)),
        usual_days=days,
        minutes=minutes,
        met=tuple(sorted(day for day, done in practised.items() if enough(done, minutes))),
        short=tuple(sorted(day for day, done in practised.items() if not enough(done, minutes))),
        practised=practised,
        paused=frozenset(paused),
    )


def minutes_are_reached(done: Practised, minutes: int) -> bool:
    """Tell whether a day counts. The eyes of a round of so many minutes always do."""
    return done.eyes >= eyes_in(minutes) or done.seconds >= minutes * 60


def days_wanted(days: int, free: int) -> int:
    """Return the days of practice wanted in a week with so many days that are not paused.

    In proportion, rounded down, since a pause must not make the rest of the week
    harder; at least one while there is a free day.
    """
    return max(1, days * free // DAYS_A_WEEK) if free else 0
