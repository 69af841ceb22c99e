"""What the coming days will ask of a learner, and whether their minutes are enough."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from server.errors import BadInput
from server.scheduling.plan import days_left
from server.scheduling.remedies import longest_interval
from server.scheduling.sm2 import NEW, SECOND_INTERVAL, CardState, grown

SECONDS_A_LOOK = 20.0
"""One look with its feedback, until the learner's own times are known (common
practice, no source)."""

LOOKS_A_REVIEW = 1.2
"""One answer in five comes back on the same day (common practice, no source)."""

MAINTENANCE_HORIZON = 56
"""Days that a forecast for admission covers when there is no rotation date."""

NEW_SHARE_OF_A_DAY = 1 / 2
"""New cards take at most so much of a day's looks, when all that waits will fit."""

SLOW_NEW_SHARE = 1 / 6
"""And so much when it will not fit: a card never met is surely not known."""

HELD_BEFORE_MORE = 1 / 2
"""Of the cards met, the share that must be held before more are met ..."""

SOON_AGAIN_DAYS = 7
"""... once they are too many to come round within so many days."""


def due_counts(
    states: Iterable[CardState], today: date, days: int, rotation_on: date | None = None
) -> list[int]:
    """Return how many cards fall due on each of the coming days, today first.

    Every answer is taken to be right (quality 4) and given on its day; what is
    overdue counts for today. Intervals are bounded as `remedies` bounds them.

    Parameters
    ----------
    states : the cards met so far; new ones are left out.
    days : how far to look, at least 1.
    """
    if days < 1:
        raise BadInput("a forecast needs at least one day")
    left = days_left(today, rotation_on)
    bounds = [longest_interval(None if left is None else left - day) for day in range(days)]
    counts = [0] * days
    for state in states:
        if state.due_on is None:
            continue
        day, interval, repetition = (
            (state.due_on - today).days,
            state.interval_days,
            state.repetition,
        )
        day = max(0, day)
        easiness = state.easiness
        while day < days:
            counts[day] += 1
            repetition += 1
            interval = _next_interval(interval, easiness, repetition, bounds[day])
            day += interval
    return counts


def _next_interval(interval: int, easiness: int, repetition: int, longest: int) -> int:
    # Comparisons, not min and max: a plan over a year comes here fifty thousand times.
    wanted = grown(interval, easiness)
    least = SECOND_INTERVAL if repetition == 2 else 1
    if wanted < least:
        wanted = least
    return wanted if wanted < longest else longest


def looks_of_a_new_card(today: date, days: int, rotation_on: date | None = None) -> int:
    """Return how often a card met today is looked at in so many days, today's included."""
    longest = longest_interval(days_left(today, rotation_on))
    return 1 + sum(due_counts([_answered(NEW, today, longest)], today, days, rotation_on))


def admissible(
    states: Iterable[CardState],
    today: date,
    looks_a_day: float,
    rotation_on: date | None = None,
    *,
    looks_today: float | None = None,
    looks_a_review: float = LOOKS_A_REVIEW,
) -> int:
    """Return how many more new cards may be met today without crowding out the old.

    New cards that come faster than they can be reviewed make recall of all
    cards collapse, with a sharp boundary (Reddy et al., KDD 2016). So new cards
    are met quickly, up to half of a day's looks, only as long as their reviews
    and those of all the cards met before fit into the looks left until the
    rotation date (or the coming eight weeks). Beyond that they come slowly, a
    sixth of the looks: `outlook.outlook` then says that the minutes are not enough.

    Parameters
    ----------
    states : of the cards met so far.
    looks_a_day : looks that fit into a day's practice, averaged over the week
        (a learner who practises on five days of seven has 5/7 of them).
    looks_today : those that fit into a day on which the learner does practise;
        None for as many as on the average day.
    """
    pace = looks_a_day if looks_today is None else looks_today
    known = [state for state in states if not state.is_new]
    if not holds_enough(known, looks_a_day, looks_a_review=looks_a_review):
        return 0
    left = days_left(today, rotation_on)
    if left is None or left <= 0:
        if is_crowded(known, today, pace, looks_a_review=looks_a_review):
            return 0
        days, slow_share = MAINTENANCE_HORIZON, 0.0
    else:
        days, slow_share = left, SLOW_NEW_SHARE
    needed = sum(due_counts(known, today, days, rotation_on)) * looks_a_review
    each = looks_of_a_new_card(today, days, rotation_on) * looks_a_review
    fitting = int((looks_a_day * days - needed) / each)
    met_today = _met(known, today)
    quickly = int(pace * NEW_SHARE_OF_A_DAY) - met_today
    slowly = round(pace * slow_share) - met_today
    return max(0, min(fitting, quickly), slowly)


def admissible_to_spare(states: Iterable[CardState], today: date, looks_today: float) -> int:
    """Return how many more new cards may fill minutes that nothing else would use.

    A day's looks of new cards at most: whoever practises for an hour today,
    and for minutes on other days, would pay for more with a heap tomorrow.
    Simulated learners lose nothing by it.
    """
    return max(0, int(looks_today) - _met(states, today))


def _met(states: Iterable[CardState], today: date) -> int:
    """Return how many cards were first met today, or are still being learned today."""
    return sum(
        state.repetition <= 1 and state.lapses == 0 and state.last_on == today for state in states
    )


def holds_enough(
    states: Sequence[CardState],
    looks_a_day: float,
    *,
    looks_a_review: float = LOOKS_A_REVIEW,
) -> bool:
    """Tell whether a learner holds enough of the cards met to meet more.

    A card is held if its last scheduled answer was right. Practice pays most on
    what is likely to be recalled (Eglington & Pavlik, *npj Sci Learn* 5 (2020)
    15), and items added faster than they are learned take recall of all down
    (Reddy et al., KDD 2016): a learner who spreads few minutes over many cards
    fails them at every return. So as soon as there are more cards than come
    round within a week, half of them must be held. The half and the week are
    ours, tried on simulated learners under both models of `simulation.memory_models`.

    Parameters
    ----------
    states : of the cards met so far.
    looks_a_day : as in `admissible`.
    """
    if len(states) * looks_a_review <= looks_a_day * SOON_AGAIN_DAYS:
        return True
    held = sum(state.repetition > 0 for state in states)
    return held >= HELD_BEFORE_MORE * len(states)


def is_crowded(
    states: Iterable[CardState],
    today: date,
    looks_today: float,
    *,
    looks_a_review: float = LOOKS_A_REVIEW,
) -> bool:
    """Tell whether more is due than today's practice holds.

    Parameters
    ----------
    states : of all cards, new ones included.
    looks_today : looks that fit into today's practice.
    """
    return crowds(sum(state.is_due(today) for state in states), looks_today, looks_a_review)


def crowds(due: int, looks: float, looks_a_review: float = LOOKS_A_REVIEW) -> bool:
    """Tell whether so many due cards, with their repeats, are more than so many looks hold."""
    return due * looks_a_review > looks


def _answered(state: CardState, day: date, longest: int) -> CardState:
    repetition = state.repetition + 1
    interval = _next_interval(state.interval_days, state.easiness, repetition, longest)
    return CardState(
        state.easiness, repetition, interval, day + timedelta(days=interval), day, state.lapses
    )


def looks_in(minutes: float, seconds_a_look: float = SECONDS_A_LOOK) -> float:
    """Return how many looks fit into so many minutes."""
    if minutes < 0 or seconds_a_look <= 0:
        raise BadInput("minutes cannot be negative, and a look takes some time")
    return minutes * 60 / seconds_a_look
