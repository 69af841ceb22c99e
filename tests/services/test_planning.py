"""The weekly goal, the first page's figures, and the weeks ahead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.services import learners, pauses
from server.services.learners import Learner, SettingsChange
from server.services.planning.goal import (
    Practised,
    WeeklyGoal,
    days_wanted,
    goal_of,
    practised_on,
    weekly_goal,
)
from server.services.planning.lately import lately, weakest
from server.services.planning.today import home
from server.services.planning.weeks import plan_ahead, practice_days
from server.services.reminders import slots
from server.storage.engine import Database, Session
from tests import factories
from tests.factories import NOON

TODAY = NOON.date()
MONDAY = date(2026, 11, 23)
WEEK = [MONDAY + timedelta(days=number) for number in range(7)]


def goal(
    eyes: Mapping[int, int] | None = None,
    paused: set[int] | None = None,
    *,
    days: int = 4,
    minutes: int = 5,
    on: int = 2,
) -> WeeklyGoal:
    """Return a week's goal by the number of each day, Monday 0, seen from Wednesday."""
    return goal_of(
        WEEK[on],
        days,
        minutes,
        practised={WEEK[day]: practised_on(count, 0) for day, count in (eyes or {}).items()},
        paused={WEEK[day] for day in paused or ()},
    )


class TestGoal:
    def test_a_day_counts_once_its_minutes_are_reached(self) -> None:
        # A round of five minutes is twelve eyes; eleven are a short day.
        week = goal({0: 12, 1: 11, 2: 30})
        assert (week.met, week.short) == ((WEEK[0], WEEK[2]), (WEEK[1],))
        assert (week.days_left, week.is_met, week.is_met_today) == (2, False, True)
        assert goal({0: 12, 1: 12}, days=2).is_met
        assert not goal({0: 12, 1: 12}, days=2, minutes=10).is_met

    def test_who_looks_longer_is_counted_by_the_clock(self) -> None:
        assert practised_on(4, 290_000) == Practised(4, 290)
        assert practised_on(4, 1000) == Practised(4, 100)
        slow = goal_of(TODAY, 4, 5, practised={TODAY: practised_on(6, 300_000)}, paused=())
        assert slow.is_met_today
        assert slow.minutes_today == 5

    def test_a_pause_takes_its_share_off_the_week(self) -> None:
        assert [days_wanted(4, free) for free in range(8)] == [0, 1, 1, 1, 2, 2, 3, 4]
        assert goal({0: 12, 1: 12}, {4, 5, 6}).is_met
        away = goal({}, {0, 1, 2, 3, 4, 5, 6})
        assert (away.days, away.is_met, away.days_open) == (0, True, ())

    def test_practice_on_a_paused_day_counts(self) -> None:
        assert goal({2: 12}, {2, 3}).met == (WEEK[2],)

    def test_days_that_can_still_count(self) -> None:
        week = goal({2: 12}, {4})
        assert week.days_open == (WEEK[3], WEEK[5], WEEK[6])
        assert week.can_be_met
        assert not goal({2: 12}, on=5).can_be_met

    @given(st.integers(1, 7), st.integers(0, 7))
    def test_a_pause_never_asks_for_more_of_what_is_left(self, days: int, free: int) -> None:
        wanted = days_wanted(days, free)
        assert wanted <= free
        assert wanted <= days
        assert wanted * 7 <= days * free or wanted == 1

    def test_it_is_read_from_the_answers_and_the_pauses(self, database: Database) -> None:
        with database.writing() as session:
            factories.seeded(session)
            factories.stock_up(session)
            learner = factories.guest(session)
            given_today = factories.practise(session, learner)
            pauses.add(session, learner, WEEK[5], WEEK[6] + timedelta(days=9), TODAY)
            week = weekly_goal(session, learner, TODAY)
            after = weekly_goal(session, learner, TODAY + timedelta(days=7))
        assert week.today_done.eyes == len(given_today)
        assert (week.met, week.days) == ((TODAY,), 2)
        assert week.paused == {WEEK[5], WEEK[6]}
        assert (after.days, after.met) == (0, ())


class TestLately:
    def test_the_ability_follows_by_the_published_steps(self) -> None:
        """By hand: theta 0, P 1/2, K 1: +.5; then P 1/(1 + e^-.5) = .6225, K 1/1.05: -.5928."""
        once = lately("pale-disc", [{"pale-disc": "hit"}])
        assert once.sees == pytest.approx(0.62246, abs=1e-5)
        twice = lately("pale-disc", [{"pale-disc": "hit"}, {"pale-disc": "miss"}])
        assert twice.sees == pytest.approx(0.47680, abs=1e-4)
        assert (twice.with_it, twice.without, twice.spares) == (2, 0, 0.5)

    def test_what_was_learnt_counts_for_more_than_the_first_misses(self) -> None:
        sheets = [{"pale-disc": "miss"}] * 20 + [{"pale-disc": "hit"}] * 20
        assert lately("pale-disc", sheets).sees > 0.8
        assert lately("pale-disc", sheets[::-1]).sees < 0.2

    def test_the_weakest_is_named_when_enough_is_known(self) -> None:
        good = {"pale-disc": "hit", "enlarged-cup": "correct-rejection"}
        other = {"pale-disc": "correct-rejection", "enlarged-cup": "miss"}
        few = [good, other] * 4
        assert weakest(few) is None
        worst = weakest([good, other] * 6)
        assert worst is not None
        assert worst.finding == "enlarged-cup"
        fine = {"pale-disc": "correct-rejection", "enlarged-cup": "hit"}
        assert weakest([good, fine] * 60) is None
        # To call everything present is no skill: half of it is wrong.
        yes = weakest([{"pale-disc": "hit"}, {"pale-disc": "false-alarm"}] * 40)
        assert yes is not None
        assert yes.chance == pytest.approx(0.5, abs=0.05)


class TestPracticeDays:
    def test_days_lie_well_apart(self) -> None:
        assert practice_days(WEEK, 1, ()) == [WEEK[3]]
        assert practice_days(WEEK, 3, ()) == [WEEK[1], WEEK[3], WEEK[5]]
        assert practice_days(WEEK, 7, ()) == WEEK

    def test_days_set_aside_are_taken_when_they_are_enough(self) -> None:
        assert practice_days(WEEK, 2, (2, 4)) == [WEEK[1], WEEK[3]]
        assert practice_days(WEEK[2:], 2, (2, 4)) == [WEEK[3], WEEK[5]]

    @given(st.sets(st.integers(0, 6)), st.integers(1, 7))
    def test_as_many_as_there_are_and_each_once(self, free: set[int], wanted: int) -> None:
        open_days = [WEEK[day] for day in sorted(free)]
        chosen = practice_days(open_days, wanted, ())
        assert len(set(chosen)) == len(chosen) == min(wanted, len(open_days))
        assert set(chosen) <= set(open_days)


def someone(session: Session, **settings: object) -> Learner:
    factories.seeded(session)
    factories.stock_up(session)
    learner = factories.guest(session)
    change = SettingsChange(**settings)  # type: ignore[arg-type]
    return learners.update_settings(session, learner, change)


class TestWeeks:
    def test_without_a_date_it_looks_eight_weeks_ahead(self, database: Database) -> None:
        with database.writing() as session:
            plan = plan_ahead(session, someone(session), NOON)
        assert plan.until == TODAY + timedelta(days=56)
        assert (plan.met, plan.kinds, plan.unmet, plan.is_enough) == (0, 24, 0, True)
        # From Wednesday on there are five days for the goal's four.
        assert [week.days for week in plan.weeks] == [4] * 8 + [1]
        assert plan.weeks[0].first_met
        assert all(week.eyes <= week.room + 1 for week in plan.weeks)

    def test_minutes_too_few_for_the_date_are_said_to_be(self, database: Database) -> None:
        with database.writing() as session:
            learner = someone(
                session,
                daily_minutes=2,
                weekly_goal_days=2,
                rotation_on=TODAY + timedelta(days=14),
            )
            plan = plan_ahead(session, learner, NOON)
            enough = learners.update_settings(
                session, learner, SettingsChange(daily_minutes=plan.suffices)
            )
            then = plan_ahead(session, enough, NOON)
        assert not plan.is_enough
        assert plan.unmet
        assert plan.suffices in (5, 10, 15, 20, 30, 45, 60)
        assert then.is_enough
        assert then.suffices is None

    def test_a_date_that_has_passed_is_none(self, database: Database) -> None:
        with database.writing() as session:
            learner = someone(session, rotation_on=TODAY + timedelta(days=3))
            plan = plan_ahead(session, learner, NOON + timedelta(days=3))
            seen = home(session, learner, NOON + timedelta(days=3))
        assert (plan.rotation_on, plan.days_left, seen.days_to_rotation) == (None, None, None)

    def test_a_far_date_is_cut_after_a_year(self, database: Database) -> None:
        with database.writing() as session:
            learner = someone(session, rotation_on=TODAY + timedelta(days=900))
            plan = plan_ahead(session, learner, NOON)
        assert plan.is_cut
        assert (plan.until - TODAY).days == 366

    def test_pauses_and_times_set_aside_shape_the_weeks(self, database: Database) -> None:
        with database.writing() as session:
            learner = someone(session, weekly_goal_days=2)
            slots.set_slot(session, learner, NOON, minute_of_day=1080, weekdays=(1, 7), alarm=False)
            next_monday = MONDAY + timedelta(days=7)
            pauses.add(session, learner, next_monday, next_monday + timedelta(days=6), TODAY)
            plan = plan_ahead(session, learner, NOON)
        assert [week.days for week in plan.weeks[:3]] == [2, 0, 2]
        assert (plan.weeks[1].paused, plan.weeks[1].is_enough) == (7, True)
        assert plan.pauses[0].days == 7

    def test_what_was_done_today_is_not_planned_again(self, database: Database) -> None:
        with database.writing() as session:
            learner = someone(session, weekly_goal_days=7)
            before = plan_ahead(session, learner, NOON)
            factories.practise(session, learner)
            after = plan_ahead(session, learner, NOON)
        assert (before.weeks[0].days, after.weeks[0].days) == (5, 4)
        assert after.met == 12


class TestHome:
    def test_a_heap_is_told_without_blame(self, database: Database) -> None:
        with database.writing() as session:
            learner = someone(session, round_minutes=2, daily_minutes=2)
            seen = home(session, learner, NOON)
        # Five eyes a day: more than two days of them is a heap, told in rounds.
        assert replace(seen, due_today=10).rounds_to_catch_up == 0
        assert replace(seen, due_today=11).rounds_to_catch_up == 3
