"""How a learner is doing, per finding and over time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy.orm import Session

from server.services.learners import Learner


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
    """Different eyes answered."""
    looks: int
    right: int
    partly: int
    wrong: int
    abnormal_share: Proportion
    """Share of the answered eyes that showed a finding: the case mix behind the figures."""
    week: tuple[WeekDay, ...]
    days_this_week: int
    weekly_goal_days: int
    forecast: tuple[ForecastDay, ...]
    """Fourteen days from today."""
    cards_met: int
    cards_total: int
    today: date


def progress(session: Session, learner: Learner, now: datetime) -> Progress:
    """Return the learner's progress. Reads only."""
    raise NotImplementedError
