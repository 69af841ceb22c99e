"""The schedule that learners get: the published rules with the remedies on top."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from server.scheduling import remedies
from server.scheduling.days import days_between
from server.scheduling.sm2 import RIGHT_FROM, CardState, check_quality, day_after


def review_with_remedies(
    state: CardState,
    quality: int,
    on: date,
    *,
    rotation_on: date | None = None,
    load: Mapping[date, int] | None = None,
) -> CardState:
    """Return the state after an answer: on its day, late, or early.

    A second answer on the same day, or on a day before the last (a clock set
    back, a flight west), is practice and changes nothing.

    Parameters
    ----------
    state : the state before.
    quality : 0 to 5.
    on : the learner's local day of the answer.
    rotation_on : the day on which the learner must be ready, if there is one.
    load : how many of the learner's cards are due on each day, to spread them;
        None spreads nothing.

    Raises
    ------
    BadInput : the quality is not a whole number from 0 to 5.
    """
    check_quality(quality)
    if not moves_schedule(state, on):
        return state
    elapsed = days_between(state.last_on, on)
    right = quality >= RIGHT_FROM
    early = state.last_on is not None and elapsed < state.interval_days
    easiness = remedies.easiness_without_spiral(state, quality)
    if right and early:
        # Too soon to tell whether the card is easier than thought.
        easiness = min(easiness, state.easiness) if quality == RIGHT_FROM else state.easiness
        repetition = state.repetition
        interval = remedies.early_growth(state.interval_days, elapsed, easiness)
    elif right:
        repetition = state.repetition + 1
        interval = max(
            remedies.ladder(repetition),
            remedies.credited_growth(state.interval_days, elapsed, easiness, quality),
        )
    else:
        repetition = 0
        interval = remedies.kept_after_lapse(state.interval_days, elapsed)

    longest = remedies.longest_interval(days_left(on, rotation_on))
    interval = min(interval, longest)
    if load is not None:
        interval = remedies.spread_interval(interval, on, load, longest)
    return replace(
        state,
        easiness=easiness,
        repetition=repetition,
        interval_days=interval,
        due_on=day_after(on, interval),
        last_on=on,
        lapses=state.lapses + (not right and state.repetition > 0),
    )


def moves_schedule(state: CardState, on: date) -> bool:
    """Tell whether an answer on this day is scheduled, and not mere practice.

    The first answer of a day is, whether it comes on its day, late or early.
    """
    return state.last_on is None or on > state.last_on


def load_that_decides(
    state: CardState,
    quality: int,
    on: date,
    *,
    rotation_on: date | None,
    load: Mapping[date, int],
) -> dict[date, int]:
    """Return the part of the load that `review_with_remedies` looks at.

    It is all that must be kept of the load to come to the same state again;
    days without a card are left out.
    """
    if not moves_schedule(state, on):
        return {}
    unspread = review_with_remedies(state, quality, on, rotation_on=rotation_on)
    longest = remedies.longest_interval(days_left(on, rotation_on))
    window = remedies.spread_window(unspread.interval_days, longest)
    days = (day_after(on, interval) for interval in window)
    return {day: load[day] for day in days if load.get(day)}


def days_left(today: date, rotation_on: date | None) -> int | None:
    """Return the days from today to the rotation date; None without one."""
    return None if rotation_on is None else (rotation_on - today).days


def repeats_today_with_remedies(quality: int, *, crowded: bool = False) -> bool:
    """Tell whether an answer brings the card back, once, on the same day.

    The published rules repeat every answer below 4. Under both models of
    `simulation.memory_models`, a second look within minutes adds little for the
    time it takes, and the time is better spent on other cards: repeating below
    4, or only what was wrong, loses recall in every scenario. What is kept is the
    repeat after a confident error or an abnormal eye called normal (quality
    0), which corrects best when it is fed back (Butterfield & Metcalfe 2001)
    and was given first priority in the largest trial (Price et al. 2024); and
    that only where there is time to spare. On a crowded day it would take the
    place of a card that is due.

    Parameters
    ----------
    quality : 0 to 5.
    crowded : more is due than today's practice holds (`forecast.is_crowded`).

    Raises
    ------
    BadInput : the quality is not a whole number from 0 to 5.
    """
    check_quality(quality)
    return quality == 0 and not crowded
