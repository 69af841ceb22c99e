"""How a learner is doing, per finding and over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from server.measurement.proportions import Proportion as Share
from server.measurement.tally import Tally
from server.rendering.eye import FINDINGS
from server.scheduling.days import local_day, week_start
from server.services.bedside_progress import BedsideProgress, bedside_progress
from server.services.learners import Learner, eyes_in
from server.services.left_out import left_out
from server.services.planning.goal import NOTHING, WeeklyGoal, weekly_goal
from server.storage import card_states, cards, cohorts, tallies
from server.storage.models import FindingTallyRow

FORECAST_DAYS = 14


@dataclass(frozen=True)
class Proportion:
    """A proportion with its Wilson 95 % interval; ``total`` 0 leaves the rest None."""

    count: int
    total: int
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class FindingProgress:
    """One finding over every counted look of one source of pictures."""

    finding: str
    hits: int
    misses: int
    false_alarms: int
    correct_rejections: int
    accuracy: Proportion
    sensitivity: Proportion
    specificity: Proportion


@dataclass(frozen=True)
class ForecastDay:
    """Cards that fall due on one of the learner's days; the first day holds the overdue too."""

    day: date
    due: int


@dataclass(frozen=True)
class WeekDay:
    """One day of this week (Monday first)."""

    day: date
    answered: int


@dataclass(frozen=True)
class Progress:
    """Everything the progress page shows."""

    rendered: tuple[FindingProgress, ...]
    """The six findings on rendered eyes, in examination order."""
    photographed: tuple[FindingProgress, ...]
    """The same on photographs; empty while there are none."""
    eyes: int
    """Eyes answered; every look is at an eye never shown to the learner before."""
    right: int
    partly: int
    wrong: int
    abnormal_share: Proportion
    """Share of the answered eyes that showed a finding: the case mix behind the figures."""
    week: tuple[WeekDay, ...]
    goal: WeeklyGoal
    eyes_a_day: int
    """Eyes that make up the minutes of a day of practice."""
    forecast: tuple[ForecastDay, ...]
    """Fourteen days from today."""
    days_to_rotation: int | None
    """None without a date, or when it has passed."""
    cards_met: int
    cards_total: int
    today: date
    bedside: BedsideProgress | None
    """None before the first look through the ophthalmoscope."""

    @property
    def in_photographs(self) -> Share:
        """Sheets that were right in photographs, drawn or taken."""
        apart = Share(0, 0) if self.bedside is None else self.bedside.right
        return Share(self.right - apart.successes, self.eyes - apart.answers)

    @property
    def photographs_mix(self) -> Share:
        """Those of the same sheets with a finding."""
        apart = Share(0, 0) if self.bedside is None else self.bedside.case_mix
        return Share(self.abnormal_share.count - apart.successes, self.eyes - apart.answers)


def progress(session: Session, learner: Learner, now: datetime) -> Progress:
    """Return the learner's progress. Reads only."""
    today = local_day(now, learner.timezone)
    monday = week_start(today)
    goal = weekly_goal(session, learner, today)
    totals = tallies.totals(session, learner.id)
    counted = tallies.of_learner(session, learner.id)
    not_given = cohorts.left_out(session, learner.id)
    met = card_states.due_counts(session, learner.id, but=not_given)
    due = card_states.due_counts(session, learner.id, but=left_out(session, learner.id))
    left = None if learner.rotation_on is None else (learner.rotation_on - today).days
    return Progress(
        rendered=_by_finding(counted, "rendered", always=True),
        photographed=_by_finding(counted, "photograph", always=False),
        eyes=totals.answers,
        right=totals.right,
        partly=totals.partly,
        wrong=totals.wrong,
        abnormal_share=_proportion(Share(totals.abnormal, totals.answers)),
        week=tuple(
            WeekDay(day, goal.practised.get(day, NOTHING).eyes)
            for day in (monday + timedelta(days=number) for number in range(7))
        ),
        goal=goal,
        eyes_a_day=eyes_in(goal.minutes),
        forecast=_forecast(due, today),
        days_to_rotation=left if left is not None and left > 0 else None,
        cards_met=sum(number for _, number in met),
        cards_total=cards.count(session, but=not_given),
        today=today,
        bedside=bedside_progress(session, learner),
    )


def _by_finding(
    rows: Sequence[FindingTallyRow], source: str, *, always: bool
) -> tuple[FindingProgress, ...]:
    counts = {
        row.finding: Tally(row.hits, row.misses, row.false_alarms, row.correct_rejections)
        for row in rows
        if row.source == source
    }
    if not counts and not always:
        return ()
    return tuple(_finding(name, counts.get(name, Tally())) for name in FINDINGS)


def _finding(name: str, count: Tally) -> FindingProgress:
    return FindingProgress(
        finding=name,
        hits=count.hits,
        misses=count.misses,
        false_alarms=count.false_alarms,
        correct_rejections=count.correct_rejections,
        accuracy=_proportion(count.accuracy),
        sensitivity=_proportion(count.sensitivity),
        specificity=_proportion(count.specificity),
    )


def _proportion(share: Share) -> Proportion:
    if share.answers == 0:
        return Proportion(0, 0, None, None, None)
    interval = share.interval
    return Proportion(share.successes, share.answers, share.estimate, interval.low, interval.high)


def _forecast(due: Sequence[tuple[date, int]], today: date) -> tuple[ForecastDay, ...]:
    per_day = dict.fromkeys((today + timedelta(days=n) for n in range(FORECAST_DAYS)), 0)
    for day, number in due:
        if max(day, today) in per_day:
            per_day[max(day, today)] += number
    return tuple(ForecastDay(day, number) for day, number in per_day.items())
