"""A year of practice with the shipped rules, whatever the learner's habits and hours."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.scheduling.days import days_between, local_day
from server.scheduling.forecast import admissible
from server.scheduling.plan import review_with_remedies
from server.scheduling.remedies import MAINTENANCE_DAYS
from server.scheduling.rounds import CardInPlay, compose, overdue
from server.scheduling.sm2 import NEW, CardState

FIRST = date(2026, 3, 2)
YEAR = 365
FINDINGS = 6

Habit = Callable[[int], bool]

HABITS: dict[str, tuple[Habit, int]] = {
    "five minutes every day": (lambda _: True, 15),
    "weekdays only": (lambda day: day % 7 < 5, 15),
    "weekends only": (lambda day: day % 7 >= 5, 15),
    "three weeks of holiday": (lambda day: not 100 <= day < 121, 15),
    "a minute and a half a day": (lambda _: True, 5),
}


def course(size: int) -> dict[str, CardInPlay]:
    """Return a deck: in turn abnormal, look-alike, abnormal, normal; six findings."""
    deck = {}
    for number in range(size):
        finding = f"finding-{number // 4 % FINDINGS}"
        deck[f"{number:03}"] = CardInPlay(
            f"{number:03}",
            finding if number % 2 == 0 else None,
            NEW,
            mimics=finding if number % 4 == 1 else None,
            order=number,
        )
    return deck


@dataclass(frozen=True)
class Evening:
    """How things stand after a day's practice.

    Parameters
    ----------
    due : cards still waiting.
    met : cards met so far.
    longest_wait : how far through its interval the most overdue card is.
    """

    due: int
    met: int
    longest_wait: float


def a_year(habit: Habit, looks: int, right: float, seed: int, size: int) -> list[Evening]:
    """Practise ``looks`` eyes on every day of the habit, ``right`` of them rightly."""
    rng = Random(seed)
    deck, load = course(size), Counter[date]()
    on_average = looks * sum(map(habit, range(YEAR))) / YEAR
    evenings = []
    for number in filter(habit, range(YEAR)):
        today = FIRST + timedelta(days=number)
        states = [card.state for card in deck.values()]
        limit = admissible(states, today, on_average, looks_today=looks)
        for name in compose(list(deck.values()), today, looks, rng, new_limit=limit):
            card = deck[name]
            quality = rng.choice([3, 4, 4, 5] if rng.random() < right else [0, 1, 2])
            if card.state.due_on is not None:
                load[card.state.due_on] -= 1
            state = review_with_remedies(card.state, quality, today, load=load)
            assert state.due_on is not None
            load[state.due_on] += 1
            deck[name] = replace(card, state=state, confident_error=quality == 0)
        met = [card.state for card in deck.values() if not card.state.is_new]
        evenings.append(
            Evening(
                sum(state.is_due(today) for state in met),
                len(met),
                max(overdue(state, today) for state in met),
            )
        )
    return evenings


@pytest.mark.parametrize("habit", HABITS)
@settings(max_examples=3, deadline=None)
@given(right=st.floats(0.3, 0.98), seed=st.integers(0, 10_000))
def test_no_habit_leaves_a_backlog_that_grows(habit: str, right: float, seed: int) -> None:
    practises, looks = HABITS[habit]
    evenings = a_year(practises, looks, right, seed, size=300)
    # What waits in the evening is never more than a few days' practice, except
    # for what fell due in a long absence.
    usual = 3 * looks
    late = evenings[-len(evenings) // 4 :]
    assert max(evening.due for evening in late) <= usual
    if "holiday" not in habit:
        assert max(evening.due for evening in evenings) <= usual
        # No card starves: each comes by twice its interval, or twice a week.
        assert max(evening.longest_wait for evening in evenings) <= 2.5
    else:
        # After 21 days away no card waits longer than these and ten more days.
        assert max(evening.longest_wait for evening in evenings) <= (7 + 21 + 10) / 7


@pytest.mark.parametrize("habit", HABITS)
def test_the_whole_course_is_met_by_a_learner_who_holds_it(habit: str) -> None:
    practises, looks = HABITS[habit]
    evenings = a_year(practises, looks, right=0.85, seed=1, size=68)
    assert evenings[-1].met == 68


def test_new_cards_wait_for_a_learner_who_holds_none() -> None:
    practises, looks = HABITS["five minutes every day"]
    evenings = a_year(practises, looks, right=0.0, seed=1, size=300)
    # Cards that come round within a week, and a first meeting's few.
    assert evenings[-1].met <= 7 * looks / 1.2 + 4
    assert max(evening.longest_wait for evening in evenings) <= 2.5


# Clocks -------------------------------------------------------------------------

WANDERING = st.lists(
    st.tuples(st.integers(-3, 30), st.integers(0, 5)), min_size=1, max_size=60
)  # days onward from the answer before, negative where a clock was set back


@given(WANDERING, st.none() | st.integers(1, 400))
def test_a_clock_set_back_loses_no_answer_and_hides_no_card(
    steps: list[tuple[int, int]], left: int | None
) -> None:
    rotation_on = None if left is None else FIRST + timedelta(days=left)
    state = onward = NEW
    on = FIRST
    latest: date | None = None
    for step, quality in steps:
        on += timedelta(days=step)
        state = review_with_remedies(state, quality, on, rotation_on=rotation_on)
        if latest is None or on > latest:
            onward = review_with_remedies(onward, quality, on, rotation_on=rotation_on)
            latest = on
    # As if only the answers that went forward had been given ...
    assert state == onward
    assert latest is not None
    assert state.last_on == latest
    # ... and due within the bound, counted from the latest day there was.
    assert state.due_on is not None
    assert 1 <= days_between(latest, state.due_on) <= MAINTENANCE_DAYS


@settings(max_examples=30)
@given(
    st.sampled_from(
        ["Europe/London", "America/New_York", "America/Sao_Paulo", "Asia/Beirut",
         "Australia/Lord_Howe", "Atlantic/Azores", "Africa/Casablanca"]
    ),
    st.times().map(lambda at: at.replace(fold=0)),  # a time skipped is read as later
    st.integers(2000, 2035),
)  # fmt: skip
def test_practice_at_one_time_of_day_counts_once_on_each_day_of_a_year(
    zone: str, at: time, year: int
) -> None:
    state, looks = NEW, 0
    day = date(year, 1, 1)
    while day.year == year:
        moment = datetime.combine(day, at, ZoneInfo(zone)).astimezone(UTC)
        on = local_day(moment, zone)
        after = review_with_remedies(state, 1, on)
        looks += after != state
        state = after
        day += timedelta(days=1)
    # Answers of quality 1 leave the card due tomorrow: every day has its answer,
    # also those of 23 and 25 hours.
    assert looks == days_between(date(year, 1, 1), date(year + 1, 1, 1))


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["Pacific/Kiritimati", "Pacific/Pago_Pago", "Asia/Tokyo", "UTC"]),
            st.integers(1, 40),
            st.integers(0, 5),
        ),
        min_size=1,
        max_size=40,
    )
)
def test_flights_across_the_date_line_keep_the_schedule_sound(
    legs: list[tuple[str, int, int]],
) -> None:
    moment, state = datetime(2026, 5, 5, 10, 30, tzinfo=UTC), NEW
    for zone, hours, quality in legs:
        moment += timedelta(hours=hours)
        on = local_day(moment, zone)
        before: CardState = state
        state = review_with_remedies(before, quality, on)
        assert state.last_on is not None
        assert state.due_on is not None
        assert state.last_on >= (before.last_on or state.last_on)
        assert state.last_on < state.due_on <= state.last_on + timedelta(days=MAINTENANCE_DAYS)
