"""The published SM-2 rules, checked against the thesis and worked sequences.

Source of the rules: P. A. Wozniak, *Optimization of learning*, Master's thesis,
University of Technology in Poznan, 1990, section 3.2. The sequences follow
from them by hand, with the easiness changed first and fractions rounded up.
"""

from __future__ import annotations

import math
from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.scheduling.sm2 import (
    NEW,
    CardState,
    next_easiness,
    repeats_today,
    review,
    review_when_due,
)

DAY = date(2026, 3, 2)

days = st.dates(date(2000, 1, 1), date(2100, 1, 1))
qualities = st.integers(0, 5)
states = st.builds(
    CardState,
    easiness=st.integers(130, 400),
    repetition=st.integers(0, 20),
    interval_days=st.integers(1, 5000),
    due_on=days,
    last_on=days,
    lapses=st.integers(0, 50),
)


def on_time(qualities: list[int]) -> list[CardState]:
    """Answer a new card, each time on the day it is due."""
    trace, state = [], NEW
    for quality in qualities:
        state = review(state, quality, state.due_on or DAY)
        trace.append(state)
    return trace


def test_easiness_changes_are_the_published_ones() -> None:
    # Wozniak 1990: EF' = EF + (0.1 - (5 - q)(0.08 + (5 - q) 0.02)).
    changes = [next_easiness(250, quality) - 250 for quality in range(6)]
    assert changes == [-80, -54, -32, -14, 0, 10]


@given(st.integers(130, 400), qualities)
def test_easiness_equals_the_published_formula_in_exact_fractions(
    easiness: int, quality: int
) -> None:
    short = 5 - quality
    change = Fraction(1, 10) - short * (Fraction(8, 100) + short * Fraction(2, 100))
    expected = max(Fraction(13, 10), Fraction(easiness, 100) + change)
    assert Fraction(next_easiness(easiness, quality), 100) == expected


def test_easiness_never_falls_below_the_floor() -> None:
    # Wozniak 1990, step 5.
    assert next_easiness(140, 3) == 130
    assert next_easiness(130, 0) == 130


@pytest.mark.parametrize(
    ("quality", "intervals"),
    [
        (3, [1, 6, 13, 26, 47, 79, 121, 167, 218, 284]),
        (4, [1, 6, 15, 38, 95, 238, 595, 1488, 3720, 9300]),
        (5, [1, 6, 17, 50, 150, 465, 1488, 4911, 16698, 58443]),
    ],
)
def test_intervals_at_constant_quality(quality: int, intervals: list[int]) -> None:
    assert [state.interval_days for state in on_time([quality] * 10)] == intervals


def test_quality_three_reaches_the_floor_at_the_ninth_answer() -> None:
    easiness = [state.easiness for state in on_time([3] * 10)]
    assert easiness == [236, 222, 208, 194, 180, 166, 152, 138, 130, 130]


def test_mixed_trace() -> None:
    trace = on_time([5, 4, 3, 2, 4, 5, 5])
    assert [state.easiness for state in trace] == [260, 260, 246, 214, 214, 224, 234]
    assert [state.repetition for state in trace] == [1, 2, 3, 0, 1, 2, 3]
    assert [state.interval_days for state in trace] == [1, 6, 15, 1, 1, 6, 15]
    assert [state.lapses for state in trace] == [0, 0, 0, 1, 1, 1, 1]


def test_same_day_repeats_leave_the_first_answer_standing() -> None:
    # Wozniak 1990, step 7: below 4 the card is repeated on the day, as practice.
    first = review(NEW, 3, DAY)
    assert repeats_today(3)
    second = review_when_due(first, 3, DAY)
    assert repeats_today(3)
    third = review_when_due(second, 4, DAY)
    assert not repeats_today(4)
    assert third == second == first
    assert (first.easiness, first.due_on) == (236, DAY + timedelta(days=1))


def test_from_the_floor_and_back() -> None:
    easiness = 130
    for _ in range(12):
        easiness = next_easiness(easiness, 5)
    assert easiness == 250
    for _ in range(4):
        easiness = next_easiness(easiness, 2)
    assert easiness == 130


@pytest.mark.parametrize("quality", [-1, 6, True, 2.5, None])
def test_a_quality_that_is_none_is_refused(quality: object) -> None:
    with pytest.raises(BadInput, match="whole number from 0 to 5"):
        review(NEW, quality, DAY)  # type: ignore[arg-type]
    with pytest.raises(BadInput):
        review_when_due(review(NEW, 4, DAY), quality, DAY)  # type: ignore[arg-type]


@given(states, qualities, days)
def test_every_review_gives_a_day_after_the_answer(
    state: CardState, quality: int, on: date
) -> None:
    after = review(state, quality, on)
    assert after.interval_days >= 1
    assert after.due_on is not None
    assert after.due_on > on
    assert after.last_on == on
    assert after.easiness >= 130
    assert (after.repetition == 0) == (quality < 3)


@given(states, st.integers(3, 5), days)
def test_the_interval_is_the_product_rounded_up(state: CardState, quality: int, on: date) -> None:
    after = review(state, quality, on)
    if after.repetition > 2:
        product = Fraction(state.interval_days * after.easiness, 100)
        assert after.interval_days == math.ceil(product)


@given(states, days, st.tuples(qualities, qualities))
def test_a_better_answer_never_brings_a_card_back_sooner(
    state: CardState, on: date, pair: tuple[int, int]
) -> None:
    worse, better = sorted(pair)
    assert review(state, worse, on).interval_days <= review(state, better, on).interval_days


@given(st.lists(qualities, min_size=1, max_size=40))
def test_growth_never_runs_off_the_calendar(answers: list[int]) -> None:
    state = NEW
    for quality in answers + [5] * 20:
        state = review(state, quality, DAY)
    assert state.due_on is not None
    assert state.due_on <= date.max


@given(states, qualities)
def test_an_early_look_changes_nothing(state: CardState, quality: int) -> None:
    assert state.due_on is not None
    early = state.due_on - timedelta(days=1)
    assert review_when_due(state, quality, early) == state
    assert review_when_due(state, quality, state.due_on) == review(state, quality, state.due_on)
