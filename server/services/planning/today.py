"""A learner's first page: what there is to do today, and how the week stands."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from sqlalchemy.orm import Session

from server.scheduling.days import local_day
from server.services.checkpoints.mine import Mine, current
from server.services.learners import Learner
from server.services.left_out import left_out
from server.services.planning.goal import WeeklyGoal, weekly_goal
from server.services.planning.lately import LATEST_SHEETS, Lately, weakest
from server.storage import card_states, cards, judgements, rounds

WAITING_DAYS = 2
"""More than so many days' eyes due at once are spoken of as a heap to catch up with."""


@dataclass(frozen=True)
class Home:
    """What the first page of a learner shows."""

    open_round_id: UUID | None
    open_round_answered: int
    open_round_planned: int
    round_eyes: int
    round_minutes: int
    due_today: int
    """Cards met before that are due by the end of the learner's day."""
    new_cards: int
    """Cards not met yet."""
    met_cards: int
    goal: WeeklyGoal
    weakest: Lately | None
    """The finding that goes worst just now; None when none stands out."""
    days_to_rotation: int | None
    """None without a date, or when it has passed."""
    next_due: date | None
    """The learner's day on which the next card falls due after today; None: none is scheduled."""
    today: date
    checkpoints: tuple[Mine, ...]
    """Open to the learner, soon, or lately released."""

    @property
    def rounds_to_catch_up(self) -> int:
        """Rounds that all that is due takes, when that is a heap; else 0."""
        days = -(-self.goal.minutes // self.round_minutes)
        if self.due_today <= WAITING_DAYS * days * self.round_eyes:
            return 0
        return -(-self.due_today // self.round_eyes)


def home(session: Session, learner: Learner, now: datetime) -> Home:
    """Return what the learner's first page shows. Reads only."""
    today = local_day(now, learner.timezone)
    begun = rounds.open_round(session, learner.id)
    counts = rounds.counts(session, begun.id) if begun is not None else rounds.Counts(0, 0)
    absent = left_out(session, learner.id)
    due = card_states.due_counts(session, learner.id, but=absent)
    met = sum(number for _, number in due)
    left = None if learner.rotation_on is None else (learner.rotation_on - today).days
    marks = judgements.latest_marks(session, learner.id, "rendered", LATEST_SHEETS) if met else ()
    return Home(
        open_round_id=None if begun is None else begun.id,
        open_round_answered=counts.answered,
        open_round_planned=counts.planned,
        round_eyes=learner.round_eyes,
        round_minutes=learner.round_minutes,
        due_today=sum(number for day, number in due if day <= today),
        new_cards=cards.count(session, but=absent) - met,
        met_cards=met,
        goal=weekly_goal(session, learner, today),
        weakest=weakest(marks),
        days_to_rotation=left if left is not None and left > 0 else None,
        next_due=next((day for day, _ in due if day > today), None),
        today=today,
        checkpoints=tuple(current(session, learner, now)),
    )
