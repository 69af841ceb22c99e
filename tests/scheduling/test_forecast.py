"""What is coming, what may be added, and whether the minutes are enough."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.scheduling.forecast import (
    admissible,
    admissible_to_spare,
    due_counts,
    holds_enough,
    is_crowded,
    looks_in,
)
from server.scheduling.plan import review_with_remedies
from server.scheduling.sm2 import NEW, CardState

TODAY = date(2026, 3, 2)


def state(interval: int, due_in: int) -> CardState:
    due = TODAY + timedelta(days=due_in)
    return CardState(250, 3, interval, due, due - timedelta(days=interval))


def played(states: list[CardState], days: int, rotation_on: date | None) -> list[int]:
    """Count by answering every card on its day with the schedule itself."""
    counts = [0] * days
    for card in states:
        current = card
        for day in range(days):
            on = TODAY + timedelta(days=day)
            if current.is_due(on):
                counts[day] += 1
                # Without the pull on easiness and the credit for delays.
                held = CardState(
                    250, current.repetition, current.interval_days, on,
                    on - timedelta(days=current.interval_days),
                )  # fmt: skip
                current = review_with_remedies(held, 4, on, rotation_on=rotation_on)
    return counts


@given(
    st.lists(st.tuples(st.integers(1, 40), st.integers(-5, 40)), max_size=15),
    st.none() | st.integers(5, 200),
)
def test_the_forecast_is_what_happens_if_all_goes_well(
    rows: list[tuple[int, int]], left: int | None
) -> None:
    states = [state(interval, due_in) for interval, due_in in rows]
    rotation_on = None if left is None else TODAY + timedelta(days=left)
    assert due_counts(states, TODAY, 60, rotation_on) == played(states, 60, rotation_on)


def test_overdue_cards_are_due_today_and_new_ones_never() -> None:
    assert due_counts([state(10, -3), state(10, 0), state(10, 1), NEW], TODAY, 2) == [2, 1]


def test_new_cards_come_quickly_only_while_there_is_room() -> None:
    nothing = admissible([], TODAY, 15, TODAY + timedelta(days=60))
    assert nothing == 7  # half of the day's looks
    crowded = [state(5, number % 5) for number in range(200)]
    assert admissible(crowded, TODAY, 15, TODAY + timedelta(days=60)) == 2  # a sixth
    assert admissible([], TODAY, 0, None) == 0


def test_cards_already_met_today_count() -> None:
    met = [CardState(250, 1, 1, TODAY + timedelta(days=1), TODAY) for _ in range(5)]
    assert admissible(met, TODAY, 15, TODAY + timedelta(days=60)) == 2
    assert admissible(met + met, TODAY, 15, TODAY + timedelta(days=60)) == 0


@given(st.integers(0, 120), st.integers(1, 60), st.none() | st.integers(-10, 300))
def test_more_to_review_never_admits_more(cards: int, looks: int, left: int | None) -> None:
    rotation_on = None if left is None else TODAY + timedelta(days=left)
    fewer = [state(8, number % 8) for number in range(cards)]
    more = fewer + [state(3, 0)] * 10
    assert admissible(more, TODAY, looks, rotation_on) <= admissible(
        fewer, TODAY, looks, rotation_on
    )


def held(count: int) -> list[CardState]:
    return [state(10, 5)] * count


def failed(count: int) -> list[CardState]:
    return [CardState(230, 0, 1, TODAY + timedelta(days=1), TODAY, lapses=1)] * count


def test_more_cards_are_met_only_when_half_of_many_are_held() -> None:
    # At 12 looks a day, and 1.2 looks a review, 70 cards come round within a week.
    assert holds_enough(failed(70), 12)
    assert not holds_enough(failed(71), 12)
    assert not holds_enough(failed(41) + held(40), 12)
    assert holds_enough(failed(40) + held(40), 12)
    rotation_on = TODAY + timedelta(days=60)
    assert admissible(failed(41) + held(40), TODAY, 12, rotation_on) == 0
    assert admissible(failed(40) + held(40), TODAY, 12, rotation_on) > 0


@given(st.integers(0, 100), st.integers(0, 100), st.integers(1, 60))
def test_a_card_that_is_held_never_holds_others_up(right: int, wrong: int, looks: int) -> None:
    if holds_enough(failed(wrong) + held(right), looks):
        assert holds_enough(failed(wrong) + held(right + 1), looks) or right + 1 < wrong
        assert wrong == 0 or holds_enough(failed(wrong - 1) + held(right + 1), looks)


def test_without_a_date_nothing_new_comes_on_a_crowded_day() -> None:
    due = [state(60, 0)] * 13
    assert is_crowded(due, TODAY, 15)  # 13 x 1.2 = 15.6 looks
    assert not is_crowded(due[:12], TODAY, 15)
    assert admissible(due, TODAY, 15) == 0
    assert admissible(due[:12], TODAY, 15) == 7
    assert admissible(due, TODAY, 15, TODAY + timedelta(days=60)) == 7
    # Two days of seven with 15 looks each: the day holds more than the average day.
    assert admissible(due[:4], TODAY, 15 * 2 / 7) == 0
    assert admissible(due[:4], TODAY, 15 * 2 / 7, looks_today=15) == 7


def test_refusals() -> None:
    with pytest.raises(BadInput):
        due_counts([], TODAY, 0)
    with pytest.raises(BadInput):
        looks_in(-1)
    assert looks_in(5, 20) == 15


def test_the_pace_is_that_of_a_day_of_practice() -> None:
    """One day a week, twelve looks on it: half of them may be new, not half of a seventh."""
    assert admissible([], TODAY, 12 / 7, looks_today=12) == 6
    assert admissible([], TODAY, 12 / 7) == 0
    # Too many for eight weeks: slowly before a date, two looks in twelve; else none.
    full = [state(5, number % 5) for number in range(40)]
    until = TODAY + timedelta(days=56)
    assert admissible(full, TODAY, 12 / 7, until, looks_today=12) == 2
    assert admissible(full, TODAY, 12 / 7, looks_today=12) == 0


def test_spare_minutes_admit_a_days_looks_at_most() -> None:
    met = [CardState(250, 1, 1, TODAY + timedelta(days=1), TODAY) for _ in range(5)]
    assert admissible_to_spare([], TODAY, 12) == 12
    assert admissible_to_spare(met, TODAY, 12) == 7
    assert admissible_to_spare(met * 3, TODAY, 12) == 0
    assert admissible_to_spare([state(10, 0)], TODAY, 12) == 12
