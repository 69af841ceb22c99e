"""The weeks to come, played forward: what will be practised, and whether the minutes are enough.

Each day of practice is filled as a round would be (`rounds.compose`): new cards
in the room that `forecast.admissible` keeps for them, then what is due, most
overdue in proportion first, then practice ahead, then new cards in minutes that
nothing else would use. Answers move the schedule by the rules that learners get
(`plan.review_with_remedies`). What cannot be foreseen is left out: the case mix
of a round, and which look-alikes will be confused.
"""

from __future__ import annotations

import heapq
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from server.errors import BadInput
from server.scheduling.days import week_start
from server.scheduling.forecast import LOOKS_A_REVIEW, admissible, admissible_to_spare
from server.scheduling.plan import review_with_remedies
from server.scheduling.rounds import overdue
from server.scheduling.sm2 import NEW, CardState

RIGHT_SHARE = 0.8
"""Share of answers expected to be right: severity follows the learner to about there
(see `threshold`)."""

LONGEST_WAIT = 2.0
"""A gap of twice the interval still does: what is kept at the test falls slowly beyond
the best gap (Cepeda et al., *Psychol Sci* 2008)."""

RIGHT_QUALITY = 4
WRONG_QUALITY = 1


@dataclass(frozen=True)
class Week:
    """One week of the plan.

    Parameters
    ----------
    start : its Monday, or today in the first week.
    days : days of practice in it.
    looks : looks at each card met before, by name; repeats on the same day not counted.
    ahead : how many of them come before their day.
    first_met : names of the cards met, in order.
    room : looks that the learner's minutes hold.
    left_over : cards that were due and did not fit on the week's last day of practice.
    longest_wait : how far through its interval the longest waiting of them was (see
        `rounds.overdue`); 0 when none is left over.
    """

    start: date
    days: int
    looks: Mapping[str, int]
    ahead: int
    first_met: Sequence[str]
    room: float
    left_over: int
    longest_wait: float

    @property
    def due(self) -> int:
        """Looks at cards whose day had come."""
        return sum(self.looks.values()) - self.ahead

    @property
    def is_enough(self) -> bool:
        """True when what is left over fits into one further day, or none of it waits long."""
        fits = self.left_over * LOOKS_A_REVIEW * self.days <= self.room
        return fits or self.longest_wait <= LONGEST_WAIT


@dataclass(frozen=True)
class Outlook:
    """The plan up to a day.

    Parameters
    ----------
    weeks : in order.
    unmet : names of the cards that will not have been met by then.
    """

    weeks: Sequence[Week]
    unmet: Sequence[str]

    @property
    def keeps_up(self) -> bool:
        """True when no heap is left at the end; weeks without practice say nothing."""
        practised = [week for week in self.weeks if week.days]
        return bool(practised) and practised[-1].is_enough

    @property
    def is_enough(self) -> bool:
        """True when every card is met in time and no heap is left."""
        return not self.unmet and self.keeps_up


def outlook(
    cards: Mapping[str, CardState],
    today: date,
    rooms: Sequence[float],
    looks_a_day: float,
    *,
    waiting: Sequence[str] = (),
    rotation_on: date | None = None,
    looks_today: float | None = None,
    right_share: float = RIGHT_SHARE,
) -> Outlook:
    """Play the coming days forward and say, week by week, what is practised and what fits.

    Parameters
    ----------
    cards : the cards met so far, by name.
    rooms : looks that fit into each day's practice, today's first; 0 on a day without.
    looks_a_day, looks_today : as in `forecast.admissible`.
    waiting : names of the cards not met yet, in the order in which they come.
    rotation_on : the day by which the learner must be ready.
    right_share : share of the answers that will be right, from 0 to 1. The wrong ones are
        dealt out evenly, so that the same plan comes out every time.

    Raises
    ------
    BadInput : there is no day to plan, or the share is no share.
    """
    if not rooms:
        raise BadInput("a plan needs at least one day")
    if not 0 <= right_share <= 1:
        raise BadInput(f"a share of right answers lies from 0 to 1, not at {right_share}")
    play = _Play(dict(cards), deque(waiting), rotation_on, right_share)
    weeks: list[Week] = []
    tally = _Tally(today)
    for number, room in enumerate(rooms):
        day = today + timedelta(days=number)
        if number and day == week_start(day):
            weeks.append(tally.week())
            tally = _Tally(day)
        if room >= 1:
            pace = room if looks_today is None else looks_today
            play.practise(day, room, looks_a_day, pace, tally)
    weeks.append(tally.week())
    return Outlook(tuple(weeks), tuple(play.waiting))


class _Tally:
    """One week while it is being played."""

    def __init__(self, start: date) -> None:
        self.start = start
        self.days = 0
        self.looks: Counter[str] = Counter()
        self.ahead = 0
        self.first_met: list[str] = []
        self.room = 0.0
        self.left_over = 0
        self.longest_wait = 0.0

    def week(self) -> Week:
        return Week(
            self.start,
            self.days,
            dict(self.looks),
            self.ahead,
            tuple(self.first_met),
            self.room,
            self.left_over,
            self.longest_wait,
        )


@dataclass
class _Play:
    """The learner's cards as the days go by."""

    cards: dict[str, CardState]
    waiting: deque[str]
    rotation_on: date | None
    right_share: float
    owed: float = 0.0
    """Wrong answers due by now, less those given."""

    def __post_init__(self) -> None:
        self.load = Counter(state.due_on for state in self.cards.values() if state.due_on)

    def practise(
        self, day: date, room: float, looks_a_day: float, pace: float, tally: _Tally
    ) -> None:
        """Fill one day's practice."""
        tally.days += 1
        tally.room += room
        new = min(self._admitted(day, looks_a_day, pace), int(room))
        due = [name for name, one in self.cards.items() if one.is_due(day)]
        fitting = self._foremost(day, due, int((room - new) / LOOKS_A_REVIEW))
        waiting = set(due).difference(fitting)
        tally.left_over = len(waiting)
        tally.longest_wait = max((overdue(self.cards[name], day) for name in waiting), default=0.0)
        spare = int(room - new - len(fitting) * LOOKS_A_REVIEW)
        ahead = self._ahead(day, spare) if spare else []
        if len(ahead) < spare and len(self.waiting) > new:
            more = admissible_to_spare(self.cards.values(), day, pace) - new
            new += max(0, min(more, spare - len(ahead), len(self.waiting) - new))
        for name in (*fitting, *ahead):
            self._answer(name, self.cards[name], day)
            tally.looks[name] += 1
        tally.ahead += len(ahead)
        for name in [self.waiting.popleft() for _ in range(new)]:
            self._answer(name, NEW, day)
            tally.first_met.append(name)

    def _admitted(self, day: date, looks_a_day: float, pace: float) -> int:
        if not self.waiting:
            return 0
        admitted = admissible(
            self.cards.values(), day, looks_a_day, self.rotation_on, looks_today=pace
        )
        return min(len(self.waiting), admitted)

    def _foremost(self, day: date, names: Sequence[str], at_most: int) -> list[str]:
        """Choose cards as a round does: most overdue in proportion, then the harder one."""

        def key(name: str) -> tuple[float, int, str]:
            state = self.cards[name]
            return -overdue(state, day), state.easiness, name

        return heapq.nsmallest(at_most, names, key=key)

    def _ahead(self, day: date, at_most: int) -> list[str]:
        waiting = [
            name for name, one in self.cards.items() if one.last_on != day and not one.is_due(day)
        ]
        return self._foremost(day, waiting, at_most)

    def _answer(self, name: str, state: CardState, day: date) -> None:
        self.owed += 1 - self.right_share
        # The margin keeps five fifths a whole: binary fractions fall short of it.
        wrong = self.owed >= 1 - 1e-9
        self.owed -= wrong
        quality = WRONG_QUALITY if wrong else RIGHT_QUALITY
        if state.due_on is not None:
            self.load[state.due_on] -= 1
        after = review_with_remedies(
            state, quality, day, rotation_on=self.rotation_on, load=self.load
        )
        assert after.due_on is not None
        self.load[after.due_on] += 1
        self.cards[name] = after
