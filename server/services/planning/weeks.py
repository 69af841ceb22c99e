"""The weeks ahead: what will be practised in each, and whether the minutes are enough."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from server.scheduling.days import local_day, week_start
from server.scheduling.forecast import LOOKS_A_REVIEW
from server.scheduling.outlook import RIGHT_SHARE, Outlook, Week, outlook
from server.services import pauses
from server.services.learners import SECONDS_PER_EYE, Learner, eyes_in, looks_a_day
from server.services.pauses import Pause
from server.services.planning.deck import Deck, deck_of
from server.services.planning.goal import DAYS_A_WEEK, WeeklyGoal, days_wanted, weekly_goal
from server.services.reminders.slots import slot_of
from server.storage import tallies

MAINTENANCE_DAYS = 56
"""Days that the plan covers without a rotation date."""

LONGEST_PLAN_DAYS = 366
"""Days that it covers at most: what is further off goes on the same way."""

ANSWERS_TO_GO_BY = 60
"""From so many answers on, the learner's own share right is expected, not the usual one."""

LEAST_RIGHT, MOST_RIGHT = 0.5, 0.95

MINUTES_ON_OFFER = (5, 10, 15, 20, 30, 45, 60)


@dataclass(frozen=True)
class PlannedWeek:
    """One week as the plan page shows it. Everything is counted in eyes.

    Parameters
    ----------
    start, last : its first and last day that the plan covers.
    days : days of practice; 0 when all are paused, or the goal is reached.
    paused : paused days.
    back : eyes of kinds that come back, repeats on the same day included.
    new : kinds met for the first time.
    ahead : eyes practised before their day.
    room : eyes that the minutes hold.
    late : kinds that wait at the end of the week.
    is_enough : whether these fit into one further day.
    findings : eyes of each finding, most first; None stands for eyes without one.
    first_met : findings of the new kinds, in order, each once.
    """

    start: date
    last: date
    days: int
    paused: int
    back: int
    new: int
    ahead: int
    room: int
    late: int
    is_enough: bool
    findings: tuple[tuple[str | None, int], ...]
    first_met: tuple[str | None, ...]

    @property
    def eyes(self) -> int:
        return self.back + self.new + self.ahead

    @property
    def minutes(self) -> int:
        """Minutes that these eyes take."""
        return round(self.eyes * SECONDS_PER_EYE / 60)


@dataclass(frozen=True)
class PlanAhead:
    """Everything the plan page shows.

    Parameters
    ----------
    until : the first day that the plan leaves out.
    is_cut : the rotation date lies beyond it.
    unmet : kinds of eye that will not have been met by then.
    met, kinds : kinds met so far, and all of them.
    all_met_in : start of the week in which the last new kind is met; None when none is new.
    keeps_up : no heap is left at the end.
    is_enough : and, before a rotation, every kind is met in time.
    suffices : minutes a day, on as many days, that would be enough; None when these are,
        or no such minutes are on offer.
    right_share : share of right answers that is expected.
    """

    today: date
    rotation_on: date | None
    until: date
    is_cut: bool
    weeks: tuple[PlannedWeek, ...]
    goal: WeeklyGoal
    unmet: int
    met: int
    kinds: int
    all_met_in: date | None
    keeps_up: bool
    is_enough: bool
    suffices: int | None
    right_share: float
    pauses: tuple[Pause, ...]

    @property
    def days_left(self) -> int | None:
        """Days to the rotation; None without a date ahead."""
        return None if self.rotation_on is None else (self.rotation_on - self.today).days

    @property
    def tight(self) -> tuple[PlannedWeek, ...]:
        """Weeks in which more comes back than fits."""
        return tuple(week for week in self.weeks if not week.is_enough)


def plan_ahead(session: Session, learner: Learner, now: datetime) -> PlanAhead:
    """Return the learner's plan. Reads only."""
    today = local_day(now, learner.timezone)
    rotation_on = learner.rotation_on
    if rotation_on is not None and rotation_on <= today:
        rotation_on = None
    until = today + timedelta(days=MAINTENANCE_DAYS)
    if rotation_on is not None:
        until = min(rotation_on, today + timedelta(days=LONGEST_PLAN_DAYS))
    away = pauses.of_learner(session, learner, today)
    slot = slot_of(session, learner)
    play = _Player(
        learner,
        deck_of(session, learner, today),
        weekly_goal(session, learner, today),
        frozenset(_days_of(away, until)),
        () if slot is None else slot.weekdays,
        rotation_on,
        until,
        _right_share(session, learner),
    )
    played = play.outlook(learner.daily_minutes)
    enough = play.is_enough(played)
    return PlanAhead(
        today=today,
        rotation_on=rotation_on,
        until=until,
        is_cut=rotation_on is not None and until < rotation_on,
        weeks=tuple(play.planned(week) for week in played.weeks),
        goal=play.goal,
        unmet=len(played.unmet),
        met=len(play.deck.met),
        kinds=len(play.deck.findings),
        all_met_in=None if played.unmet else _last_meeting(played),
        keeps_up=played.keeps_up,
        is_enough=enough,
        suffices=None if enough else play.minutes_that_suffice(),
        right_share=play.right_share,
        pauses=away,
    )


def practice_days(free: Sequence[date], wanted: int, weekdays: Collection[int]) -> list[date]:
    """Choose days of practice from those of a week that are free.

    Parameters
    ----------
    wanted : how many.
    weekdays : those that the learner set aside (Monday 1); they are taken if they are
        enough, else days well apart.
    """
    chosen = [day for day in free if day.isoweekday() in weekdays]
    if len(chosen) >= wanted:
        return chosen[:wanted]
    wanted = min(wanted, len(free))
    return [free[(2 * n + 1) * len(free) // (2 * wanted)] for n in range(wanted)]


@dataclass(frozen=True)
class _Player:
    """Plays one learner's weeks with so many minutes a day."""

    learner: Learner
    deck: Deck
    goal: WeeklyGoal
    paused: frozenset[date]
    weekdays: Sequence[int]
    rotation_on: date | None
    until: date
    right_share: float

    def outlook(self, minutes: int) -> Outlook:
        return outlook(
            self.deck.met,
            self.goal.today,
            self._rooms(eyes_in(minutes)),
            looks_a_day(minutes, self.learner.weekly_goal_days),
            waiting=self.deck.waiting,
            rotation_on=self.rotation_on,
            looks_today=eyes_in(minutes),
            right_share=self.right_share,
        )

    def _rooms(self, eyes: int) -> list[float]:
        """Return how many eyes each day's practice holds, today's first."""
        today = self.goal.today
        days = [today + timedelta(days=n) for n in range((self.until - today).days)]
        rooms = dict.fromkeys(days, 0.0)
        for monday in sorted({week_start(day) for day in days}):
            week = [monday + timedelta(days=n) for n in range(DAYS_A_WEEK)]
            if monday <= today:
                free, wanted = list(self.goal.days_open), self.goal.days_left
            else:
                free = [day for day in week if day not in self.paused]
                wanted = days_wanted(self.learner.weekly_goal_days, len(free))
            for day in practice_days(free, wanted, self.weekdays) if wanted else ():
                if day in rooms:
                    rooms[day] = eyes
        if rooms[today]:
            rooms[today] = max(0, eyes - self.goal.today_done.eyes)
        return list(rooms.values())

    def is_enough(self, played: Outlook) -> bool:
        """Tell whether a plan does what is asked: keeps up, and meets every kind by the date."""
        return played.keeps_up if self.rotation_on is None else played.is_enough

    def minutes_that_suffice(self) -> int | None:
        """Return the fewest minutes on offer that would be enough; None when none is.

        By halving, since each try plays all the weeks.
        """
        offered = [one for one in MINUTES_ON_OFFER if one > self.learner.daily_minutes]
        low, high = 0, len(offered)
        while low < high:
            middle = (low + high) // 2
            if self.is_enough(self.outlook(offered[middle])):
                high = middle
            else:
                low = middle + 1
        return offered[low] if low < len(offered) else None

    def planned(self, week: Week) -> PlannedWeek:
        last = min(week_start(week.start) + timedelta(days=6), self.until - timedelta(days=1))
        findings: Counter[str | None] = Counter()
        for name, looks in week.looks.items():
            findings[self.deck.findings[name]] += looks
        findings.update(self.deck.findings[name] for name in week.first_met)
        days = [week.start + timedelta(days=n) for n in range((last - week.start).days + 1)]
        return PlannedWeek(
            start=week.start,
            last=last,
            days=week.days,
            paused=sum(day in self.paused for day in days),
            back=round(week.due * LOOKS_A_REVIEW),
            new=len(week.first_met),
            ahead=week.ahead,
            room=round(week.room),
            late=week.left_over,
            is_enough=week.is_enough,
            findings=tuple(
                sorted(findings.items(), key=lambda one: (-one[1], one[0] is None, one[0] or ""))
            ),
            first_met=tuple(dict.fromkeys(self.deck.findings[name] for name in week.first_met)),
        )


def _last_meeting(played: Outlook) -> date | None:
    return next((week.start for week in reversed(played.weeks) if week.first_met), None)


def _days_of(away: Sequence[Pause], until: date) -> list[date]:
    return [
        one.first_on + timedelta(days=n)
        for one in away
        for n in range(one.days)
        if one.first_on + timedelta(days=n) < until
    ]


def _right_share(session: Session, learner: Learner) -> float:
    """Return the share of right answers to expect: the learner's own, once there are enough."""
    totals = tallies.totals(session, learner.id)
    if totals.answers < ANSWERS_TO_GO_BY:
        return RIGHT_SHARE
    return min(MOST_RIGHT, max(LEAST_RIGHT, totals.right / totals.answers))
