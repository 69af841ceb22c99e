"""Each remedy on its own, and the plan that puts them together."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.scheduling.plan import (
    load_that_decides,
    moves_schedule,
    repeats_today_with_remedies,
    review_with_remedies,
)
from server.scheduling.remedies import (
    MAINTENANCE_DAYS,
    credited_growth,
    early_growth,
    easiness_without_spiral,
    kept_after_lapse,
    longest_interval,
    needs_a_second_look,
    spread_interval,
)
from server.scheduling.sm2 import NEW, CardState, review

DAY = date(2026, 3, 2)

days = st.dates(date(2020, 1, 1), date(2060, 1, 1))


@st.composite
def states(draw: st.DrawFn) -> CardState:
    if draw(st.integers(0, 5)) == 0:
        return NEW
    interval, last = draw(st.integers(1, 200)), draw(days)
    return CardState(
        easiness=draw(st.integers(130, 300)),
        repetition=draw(st.integers(0, 12)),
        interval_days=interval,
        due_on=last + timedelta(days=interval),
        last_on=last,
        lapses=draw(st.integers(0, 9)),
    )


def known(interval: int, easiness: int = 250, repetition: int = 3) -> CardState:
    return CardState(easiness, repetition, interval, DAY + timedelta(days=interval), DAY)


# Late success -----------------------------------------------------------------


def test_late_success_earns_half_the_delay() -> None:
    # By hand: an interval of 15 days, easiness 2.5, right (quality 4) on day 40.
    # Published rules: ceil(15 x 2.5) = 38; (15 + 25/2) x 2.5 = 68.75 -> 69.
    assert review(known(15), 4, DAY + timedelta(days=40)).interval_days == 38
    assert credited_growth(15, 40, 250, 4) == 69
    # A laboured success earns a quarter: (15 + 25/4) x 2.5 = 53.1 -> 54.
    assert credited_growth(15, 40, 250, 3) == 54


@given(st.integers(1, 300), st.integers(0, 900), st.integers(130, 300), st.integers(3, 5))
def test_late_success_is_never_worth_less(
    interval: int, delay: int, easiness: int, quality: int
) -> None:
    on_time = credited_growth(interval, interval, easiness, quality)
    assert on_time == -(-interval * easiness // 100)
    assert credited_growth(interval, interval + delay, easiness, quality) >= on_time


# Early answers ----------------------------------------------------------------


def test_early_success_counts_the_days_that_passed() -> None:
    # By hand: day 3 of 15 shows recall over 3 days, 3 x 2.5 = 8, below 15.
    assert early_growth(15, 3, 250) == 15
    assert early_growth(15, 10, 250) == 25
    after = review_with_remedies(known(15), 5, DAY + timedelta(days=3))
    assert (after.interval_days, after.easiness, after.repetition) == (15, 250, 3)
    assert after.due_on == DAY + timedelta(days=18)


@given(st.integers(1, 300), st.data())
def test_early_success_never_shortens_and_never_beats_waiting(
    interval: int, data: st.DataObject
) -> None:
    elapsed = data.draw(st.integers(0, interval))
    grown = early_growth(interval, elapsed, 250)
    assert interval <= grown <= credited_growth(interval, interval, 250, 4)


def test_a_second_answer_on_the_day_or_a_clock_set_back_changes_nothing() -> None:
    for quality in range(6):
        assert review_with_remedies(known(15), quality, DAY) == known(15)
        assert review_with_remedies(known(15), quality, DAY - timedelta(days=1)) == known(15)


# Softer restart ---------------------------------------------------------------


def test_a_lapse_keeps_a_fifth() -> None:
    # By hand: at 95 days a lapse leaves 19; the published rules leave 1.
    lapsed = review_with_remedies(known(95), 1, DAY + timedelta(days=95))
    assert (lapsed.interval_days, lapsed.repetition, lapsed.lapses) == (19, 0, 1)
    assert review(known(95), 1, DAY + timedelta(days=95)).interval_days == 1
    assert kept_after_lapse(4, 4) == 1
    # A lapse on day 10 of 95 shows that not even 10 days were survived.
    assert kept_after_lapse(95, 10) == 2


def test_after_a_lapse_the_interval_grows_from_what_was_kept() -> None:
    lapsed = review_with_remedies(known(95), 1, DAY + timedelta(days=95))
    assert lapsed.due_on is not None
    again = review_with_remedies(lapsed, 4, lapsed.due_on)
    # Easiness 2.5 - .2 = 2.3, a tenth of the way back is 2.32; 19 x 2.32 = 44.1.
    assert (again.easiness, again.interval_days) == (232, 45)


# Easiness ---------------------------------------------------------------------


def test_no_spiral() -> None:
    # Published: four answers of quality 2 take easiness from 2.5 to 1.3, and no
    # number of plain successes lifts it again (Wozniak 1990).
    state = known(15)
    published = state
    for number in range(4):
        on = DAY + timedelta(days=15 + number)
        state, published = review_with_remedies(state, 2, on), review(published, 2, on)
    assert published.easiness == 130
    assert state.easiness == 230
    for _ in range(12):
        assert state.due_on is not None
        assert published.due_on is not None
        state = review_with_remedies(state, 4, state.due_on)
        published = review(published, 4, published.due_on)
    assert published.easiness == 130
    assert state.easiness >= 240


def test_failing_a_card_still_being_learned_costs_no_easiness() -> None:
    assert easiness_without_spiral(NEW, 0) == 250


@given(states(), st.integers(0, 5))
def test_easiness_stays_within_bounds(state: CardState, quality: int) -> None:
    assert 130 <= easiness_without_spiral(state, quality) <= 300


def test_a_card_that_keeps_failing_is_flagged() -> None:
    assert not needs_a_second_look(known(15))
    assert needs_a_second_look(known(15, easiness=130))
    assert needs_a_second_look(CardState(200, 1, 3, DAY, DAY, lapses=4))


# Bounded growth ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("left", "low", "high"),
    # Cepeda et al., Psychol Sci 19 (2008) 1095-1102: the best gap is about a fifth
    # of a month, 5 to 10 % of a year.
    [(30, 0.19, 0.21), (365, 0.05, 0.10)],
)
def test_the_bound_is_the_published_share_of_the_time_left(
    left: int, low: float, high: float
) -> None:
    assert low <= longest_interval(left) / left <= high


@given(st.integers(1, 3000))
def test_the_bound_grows_with_the_time_left_and_falls_short_of_it(left: int) -> None:
    assert 6 <= longest_interval(left) <= longest_interval(left + 1) <= MAINTENANCE_DAYS
    assert left <= 6 or longest_interval(left) < left


def test_without_a_date_or_after_it_practice_is_maintenance() -> None:
    assert longest_interval(None) == longest_interval(0) == longest_interval(-5) == MAINTENANCE_DAYS


# Spreading the load -----------------------------------------------------------


def busiest_day(spread: bool) -> int:
    """Start 48 cards together, answer each on its day with quality 4 for 200 days."""
    load: Counter[date] = Counter()
    deck = [NEW] * 48
    busiest = 0
    for number in range(200):
        on = DAY + timedelta(days=number)
        due = [place for place, state in enumerate(deck) if state.is_new or state.is_due(on)]
        for place in due:
            deck[place] = review_with_remedies(deck[place], 4, on, load=load if spread else None)
            due_on = deck[place].due_on
            assert due_on is not None
            load[due_on] += 1
        if number > 9:
            busiest = max(busiest, len(due))
    return busiest


def test_cards_met_together_drift_apart() -> None:
    assert busiest_day(spread=False) == 48
    assert busiest_day(spread=True) <= 18


def test_the_lightest_day_in_the_window_is_taken() -> None:
    load = {DAY + timedelta(days=number): 5 for number in range(18, 23)}
    assert spread_interval(20, DAY, load) == 20
    load[DAY + timedelta(days=22)] = 1
    assert spread_interval(20, DAY, load) == 22
    assert spread_interval(20, DAY, load, longest=21) == 20
    assert spread_interval(3, DAY, {DAY + timedelta(days=3): 99}) == 3


@given(st.integers(1, 400), st.dictionaries(days, st.integers(0, 30), max_size=30), days)
def test_spreading_stays_within_a_tenth(interval: int, load: dict[date, int], on: date) -> None:
    spread = spread_interval(interval, on, load, longest=10_000)
    assert spread >= 1
    assert abs(spread - interval) <= max(1, interval // 10)


# The plan as a whole ----------------------------------------------------------


@given(states(), st.integers(0, 5), days, st.none() | days, st.booleans())
def test_intervals_stay_between_a_day_and_the_bound(
    state: CardState, quality: int, on: date, rotation_on: date | None, spread: bool
) -> None:
    load: dict[date, int] | None = {} if spread else None
    after = review_with_remedies(state, quality, on, rotation_on=rotation_on, load=load)
    if state.last_on is not None and on <= state.last_on:
        assert after == state
        return
    left = None if rotation_on is None else (rotation_on - on).days
    assert 1 <= after.interval_days <= longest_interval(left)
    assert after.due_on == on + timedelta(days=after.interval_days)
    if left is not None and left > 6:
        assert after.due_on < on + timedelta(days=left)


@given(states(), days, st.tuples(st.integers(0, 5), st.integers(0, 5)))
def test_a_better_answer_never_brings_a_card_back_sooner(
    state: CardState, on: date, pair: tuple[int, int]
) -> None:
    worse, better = sorted(pair)
    assert (
        review_with_remedies(state, worse, on).interval_days
        <= review_with_remedies(state, better, on).interval_days
    )


@given(states(), days, st.integers(0, 5), st.none() | days, st.randoms(use_true_random=False))
def test_the_load_that_decides_is_all_that_is_needed(
    state: CardState, on: date, quality: int, rotation_on: date | None, rng: Random
) -> None:
    """What is kept of the load leads to the same state, and is within a tenth of the interval."""
    load = {on + timedelta(days=number): rng.randrange(6) for number in range(1, 220)}
    kept = load_that_decides(state, quality, on, rotation_on=rotation_on, load=load)
    full = review_with_remedies(state, quality, on, rotation_on=rotation_on, load=load)
    assert review_with_remedies(state, quality, on, rotation_on=rotation_on, load=kept) == full
    assert len(kept) <= 2 * (MAINTENANCE_DAYS // 10) + 1
    assert all(load[day] == number > 0 for day, number in kept.items())
    if not moves_schedule(state, on):
        assert kept == {}
        assert full == state


@given(st.permutations(range(12)), st.lists(st.integers(0, 5), min_size=12, max_size=12))
def test_without_load_cards_do_not_depend_on_the_order_of_answers(
    order: list[int], qualities: list[int]
) -> None:
    cards = [known(3 + number) for number in range(12)]
    on = DAY + timedelta(days=9)
    straight = [
        review_with_remedies(card, quality, on)
        for card, quality in zip(cards, qualities, strict=True)
    ]
    shuffled = {number: review_with_remedies(cards[number], qualities[number], on)
                for number in order}  # fmt: skip
    assert straight == [shuffled[number] for number in range(12)]


def test_a_nonsense_quality_is_refused() -> None:
    with pytest.raises(BadInput):
        review_with_remedies(known(15), 6, DAY)


def test_only_confident_errors_come_back_on_the_same_day() -> None:
    assert [repeats_today_with_remedies(quality) for quality in range(6)] == [True] + [False] * 5
    # And where more is due than the day holds, none takes the place of a due card.
    assert not any(repeats_today_with_remedies(quality, crowded=True) for quality in range(6))
    with pytest.raises(BadInput):
        repeats_today_with_remedies(-1, crowded=True)


def test_a_year_of_daily_use_leaves_no_backlog() -> None:
    """A learner who misses one day in four and is right four times in five keeps up."""
    rng = Random(4)
    load: Counter[date] = Counter()
    deck = [NEW] * 60
    backlog = []
    for number in range(365):
        today = DAY + timedelta(days=number)
        if rng.random() < 0.25:
            continue
        due = [place for place, state in enumerate(deck) if state.is_due(today)]
        due.sort(key=lambda place: deck[place].due_on or today)
        fresh = [place for place, state in enumerate(deck) if state.is_new][:2]
        for place in (due + fresh)[:15]:
            before = deck[place]
            if before.due_on is not None:
                load[before.due_on] -= 1
            quality = 4 if rng.random() < 0.8 else 1
            deck[place] = review_with_remedies(before, quality, today, load=load)
            due_on = deck[place].due_on
            assert due_on is not None
            load[due_on] += 1
        backlog.append(sum(state.is_due(today) for state in deck))
    assert max(backlog) <= 15
    assert sum(backlog[-60:]) == 0
