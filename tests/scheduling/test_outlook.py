"""The weeks to come, played forward by the rules that learners get."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.scheduling.outlook import LONGEST_WAIT, Outlook, outlook
from server.scheduling.sm2 import CardState

TODAY = date(2026, 3, 2)
"""A Monday."""


def met(count: int, interval: int = 10) -> dict[str, CardState]:
    """Return cards that fall due one after the other within their interval."""
    cards = {}
    for number in range(count):
        due = TODAY + timedelta(days=number % interval)
        last = due - timedelta(days=interval)
        cards[f"met-{number}"] = CardState(250, 3, interval, due, last)
    return cards


def new(count: int) -> list[str]:
    return [f"new-{number}" for number in range(count)]


def before_rotation(
    days: int, looks: float, cards: dict[str, CardState], waiting: Sequence[str]
) -> Outlook:
    until = TODAY + timedelta(days=days)
    return outlook(cards, TODAY, [looks] * days, looks, waiting=waiting, rotation_on=until)


def test_enough_minutes_are_said_to_be_enough() -> None:
    plan = before_rotation(60, 15, {}, new(48))
    assert plan.is_enough
    assert [name for week in plan.weeks for name in week.first_met] == new(48)
    assert sum(week.room for week in plan.weeks) == 15 * 60
    assert sum(week.days for week in plan.weeks) == 60


def test_too_few_minutes_are_said_to_be_too_few() -> None:
    plan = before_rotation(30, 6, {}, new(240))
    assert not plan.is_enough
    met_by_then = [name for week in plan.weeks for name in week.first_met]
    assert [*met_by_then, *plan.unmet] == new(240)
    assert plan.unmet


def test_a_heap_at_the_end_is_not_enough_although_everything_was_met() -> None:
    # Sixty cards bounded to six days ask for ten a day, and more with their repeats.
    plan = before_rotation(28, 3, met(60), ())
    assert not plan.unmet
    assert not plan.keeps_up
    assert plan.weeks[-1].left_over > 6
    assert plan.weeks[-1].longest_wait > LONGEST_WAIT
    assert before_rotation(28, 18, met(60), ()).keeps_up


def test_what_waits_for_less_than_another_interval_is_no_heap() -> None:
    # Six a day bring each of the sixty back within twice six days: late, and near the best gap.
    plan = before_rotation(28, 6, met(60), ())
    assert plan.weeks[-1].left_over > 6
    assert 1 < plan.weeks[-1].longest_wait <= LONGEST_WAIT
    assert plan.keeps_up


@given(
    st.integers(0, 60),
    st.integers(0, 60),
    st.lists(st.sampled_from([0, 1, 5, 12, 30]), min_size=1, max_size=40),
    st.floats(0, 1),
    st.booleans(),
)
def test_a_day_never_holds_more_than_its_room(
    known: int, unknown: int, rooms: list[float], right_share: float, dated: bool
) -> None:
    average = sum(rooms) / len(rooms)
    plan = outlook(
        met(known),
        TODAY,
        rooms,
        average,
        waiting=new(unknown),
        rotation_on=TODAY + timedelta(days=len(rooms)) if dated else None,
        looks_today=max(rooms),
        right_share=right_share,
    )
    for week in plan.weeks:
        assert sum(week.looks.values()) + len(week.first_met) <= week.room
        assert 0 <= week.ahead <= sum(week.looks.values())
    # Nothing is lost, met twice, or looked at before it was met.
    first = [name for week in plan.weeks for name in week.first_met]
    assert [*first, *plan.unmet] == new(unknown)
    looked_at = {name for week in plan.weeks for name in week.looks}
    assert looked_at <= {*met(known), *first}


def test_spare_minutes_practise_ahead_and_then_meet_more() -> None:
    (week,) = outlook(met(10, interval=30), TODAY, [30], 30, waiting=new(90)).weeks
    # Today's card, the other nine ahead of their day, and a day's looks of new ones in all:
    # half of them as a matter of course, the rest in minutes that nothing else would use.
    assert (week.due, week.ahead, len(week.first_met)) == (1, 9, 19)


def test_days_without_practice_hold_nothing_and_blame_nobody() -> None:
    rooms = [12.0] * 7 + [0.0] * 7 + [12.0] * 14
    plan = outlook(met(30), TODAY, rooms, 9)
    away = plan.weeks[1]
    assert (away.days, away.room, away.due, away.is_enough) == (0, 0, 0, True)
    assert plan.keeps_up


def test_wrong_answers_cost_looks() -> None:
    def due(right_share: float) -> int:
        plan = outlook(met(30), TODAY, [100.0] * 28, 100, right_share=right_share)
        return sum(week.due for week in plan.weeks)

    assert due(0.5) > due(0.8) > due(1.0)


def test_weeks_start_on_monday_and_cover_every_day() -> None:
    thursday = TODAY + timedelta(days=3)
    plan = outlook(met(1), thursday, [10] * 21, 10)
    assert [week.start for week in plan.weeks] == [
        thursday, *(TODAY + timedelta(days=7 * number) for number in (1, 2, 3))
    ]  # fmt: skip
    assert [week.room for week in plan.weeks] == [40, 70, 70, 30]


def test_refusals() -> None:
    with pytest.raises(BadInput, match="one day"):
        outlook({}, TODAY, [], 10)
    with pytest.raises(BadInput, match="share"):
        outlook({}, TODAY, [1], 10, right_share=1.2)
