"""Pauses: stored once, joined where they touch, ended without losing the days gone by."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from server.errors import BadInput
from server.services import pauses
from server.services.pauses import Pause
from server.storage.engine import Database
from tests import factories
from tests.factories import NOON

TODAY = NOON.date()


def day(number: int) -> date:
    """Return the day so many days from today."""
    return TODAY + timedelta(days=number)


@pytest.mark.parametrize(
    ("stored", "whole"),
    [
        ([(3, 5)], [(3, 5)]),
        ([(3, 5), (3, 5)], [(3, 5)]),
        ([(3, 5), (6, 9)], [(3, 9)]),
        ([(6, 9), (3, 5)], [(3, 9)]),
        ([(3, 5), (7, 9)], [(3, 5), (7, 9)]),
        ([(3, 5), (7, 9), (4, 8)], [(3, 9)]),
        ([(3, 9), (5, 6)], [(3, 9)]),
        ([(-4, 0)], [(-4, 0)]),
    ],
)
def test_pauses_that_overlap_or_touch_are_one(
    database: Database, stored: list[tuple[int, int]], whole: list[tuple[int, int]]
) -> None:
    with database.writing() as session:
        learner, other = factories.guest(session), factories.guest(session)
        for first, last in stored:
            pauses.add(session, learner, day(first), day(last), TODAY)
    with database.reading() as session:
        found = pauses.of_learner(session, learner, TODAY)
        assert found == tuple(Pause(day(first), day(last)) for first, last in whole)
        assert pauses.of_learner(session, other, TODAY) == ()


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        (5, 4, "before its first"),
        (-5, -1, "over already"),
        (0, 366, "367 days"),
        (1200, 1210, "check the year"),
    ],
)
def test_what_is_no_pause_is_refused(database: Database, first: int, last: int, words: str) -> None:
    with database.writing() as session:
        learner = factories.guest(session)
        with pytest.raises(BadInput, match=words):
            pauses.add(session, learner, day(first), day(last), TODAY)
        assert pauses.of_learner(session, learner, TODAY) == ()


def test_pauses_do_not_grow_together_beyond_a_year(database: Database) -> None:
    with database.writing() as session:
        learner = factories.guest(session)
        pauses.add(session, learner, day(0), day(200), TODAY)
        with pytest.raises(BadInput, match="those it runs into"):
            pauses.add(session, learner, day(201), day(400), TODAY)
        assert pauses.of_learner(session, learner, TODAY) == (Pause(day(0), day(200)),)


def test_ending_a_pause_keeps_the_days_gone_by(database: Database) -> None:
    with database.writing() as session:
        learner = factories.guest(session)
        pauses.add(session, learner, day(-3), day(4), TODAY)
        pauses.add(session, learner, day(20), day(24), TODAY)
        for _ in range(2):
            pauses.end(session, learner, day(-3), TODAY)
            pauses.end(session, learner, day(20), TODAY)
        assert pauses.of_learner(session, learner, TODAY) == ()
        assert pauses.of_learner(session, learner, day(-7)) == (Pause(day(-3), day(-1)),)


def test_a_pause_holds_both_its_ends() -> None:
    pause = Pause(day(2), day(4))
    assert [number for number in range(7) if day(number) in pause] == [2, 3, 4]
    assert pause.days == 3
