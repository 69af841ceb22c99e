"""Choosing the time, and the feed: secret, revocable, counted as revised when it changes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from sqlalchemy import select

from server.errors import BadInput, Conflict
from server.identity.tokens import new_token
from server.services import learners, pauses
from server.services.learners import Learner, SettingsChange
from server.services.reminders import feeds, slots
from server.storage.engine import Database, Session
from server.storage.models import CalendarFeedRow
from tests import factories
from tests.factories import NOON
from tests.services.calendar_lines import component, content_lines, value
from tests.services.test_concurrency import at_once

HOME = "https://rounds.example.org"
TODAY = NOON.date()


def with_slot(session: Session) -> Learner:
    learner = factories.guest(session)
    slots.set_slot(session, learner, NOON, minute_of_day=1110, weekdays=(1, 3), alarm=False)
    return learner


def with_feed(database: Database) -> tuple[Learner, str]:
    secret = new_token()
    with database.writing() as session:
        learner = with_slot(session)
        feeds.make_feed(session, learner, secret, NOON)
    return learner, secret


def fetched(database: Database, secret: str, later: timedelta = timedelta(0)) -> bytes | None:
    """Return the calendar as the route gets it: revised in a transaction of its own if need be."""
    with database.reading() as session:
        known, content = feeds.read_feed(session, secret, HOME)
    if not known or content is not None:
        return content
    with database.writing() as session:
        return feeds.revise_feed(session, secret, HOME, NOON + later)


def sequence(content: bytes | None) -> int:
    assert content is not None
    return int(value(component(content_lines(content), "VEVENT"), "SEQUENCE"))


class TestSlot:
    def test_what_is_chosen_is_kept_in_order(self, database: Database) -> None:
        with database.writing() as session:
            learner = factories.guest(session)
            assert slots.slot_of(session, learner) is None
            chosen = slots.set_slot(
                session, learner, NOON, minute_of_day=0, weekdays=(5, 1, 5), alarm=True
            )
            assert chosen == slots.slot_of(session, learner)
        assert (chosen.weekdays, chosen.set_on, chosen.first_day) == (
            (1, 5),
            TODAY + timedelta(days=1),  # midnight has passed
            date(2026, 11, 27),
        )

    def test_choosing_the_same_again_does_not_begin_anew(self, database: Database) -> None:
        with database.writing() as session:
            learner = with_slot(session)
            later = NOON + timedelta(days=40)
            same = slots.set_slot(
                session, learner, later, minute_of_day=1110, weekdays=(1, 3), alarm=True
            )
            assert same.set_on == TODAY
            other = slots.set_slot(
                session, learner, later, minute_of_day=1111, weekdays=(1, 3), alarm=True
            )
            assert other.set_on == later.date()

    @pytest.mark.parametrize(
        ("minute", "weekdays"), [(-1, (1,)), (1440, (1,)), (0, ()), (0, (0,)), (0, (1, 8))]
    )
    def test_impossible_times_are_refused(
        self, database: Database, minute: int, weekdays: tuple[int, ...]
    ) -> None:
        with database.writing() as session:
            learner = factories.guest(session)
            with pytest.raises(BadInput):
                slots.set_slot(
                    session, learner, NOON, minute_of_day=minute, weekdays=weekdays, alarm=False
                )

    def test_a_time_that_is_skipped_or_comes_twice_is_one_moment(self) -> None:
        """RFC 5545, 3.3.5: the offset from before a gap, the first of two."""
        slot = slots.Slot(90, (7,), False, TODAY)
        skipped = slot.moment(date(2027, 3, 28), "Europe/London")
        twice = slot.moment(date(2026, 10, 25), "Europe/London")
        assert f"{skipped:%H:%M}" == "01:30"
        assert f"{twice:%H:%M}" == "00:30"


class TestFeed:
    def test_only_the_hash_of_the_secret_is_kept(self, database: Database) -> None:
        _, secret = with_feed(database)
        with database.reading() as session:
            (row,) = session.scalars(select(CalendarFeedRow)).all()
            stored = [str(one) for one in vars(row).values()]
            hashed = row.token_hash
        assert [one for one in stored if secret in one] == []
        assert fetched(database, hashed) is None
        assert len(secret) == 43  # 256 bits in base 64

    def test_a_new_address_replaces_the_old(self, database: Database) -> None:
        learner, old = with_feed(database)
        new = new_token()
        with database.writing() as session:
            feeds.make_feed(session, learner, new, NOON)
        assert fetched(database, old) is None
        assert fetched(database, new) is not None

    def test_stopping_removes_it_and_twice_is_no_error(self, database: Database) -> None:
        learner, secret = with_feed(database)
        for _ in range(2):
            with database.writing() as session:
                feeds.stop_feed(session, learner)
        assert fetched(database, secret) is None
        with database.reading() as session:
            assert feeds.feed_of(session, learner) is None

    def test_one_form_sent_eight_times_is_one_feed(self, database: Database) -> None:
        with database.writing() as session:
            learner = with_slot(session)
        secret = new_token()

        def send(_: int) -> None:
            with database.writing() as session:
                feeds.make_feed(session, learner, secret, NOON)

        at_once(send)
        assert fetched(database, secret) is not None

    @pytest.mark.parametrize("odd", ["", "short", "x" * 44, "../" + "a" * 40, "ä" * 43])
    def test_an_odd_secret_is_refused(self, database: Database, odd: str) -> None:
        with database.writing() as session:
            learner = with_slot(session)
            with pytest.raises(BadInput):
                feeds.make_feed(session, learner, odd, NOON)
        assert fetched(database, odd) is None

    def test_another_learners_secret_is_refused(self, database: Database) -> None:
        _, secret = with_feed(database)
        with database.writing() as session:
            other = with_slot(session)
            with pytest.raises(Conflict):
                feeds.make_feed(session, other, secret, NOON)

    def test_a_feed_needs_a_time(self, database: Database) -> None:
        with database.writing() as session:
            learner = factories.guest(session)
            with pytest.raises(Conflict, match="Save when you practise"):
                feeds.make_feed(session, learner, new_token(), NOON)


class TestRevisions:
    def test_reading_again_changes_nothing(self, database: Database) -> None:
        _, secret = with_feed(database)
        first = fetched(database, secret)
        assert sequence(first) == 0
        assert fetched(database, secret, timedelta(days=9)) == first

    @pytest.mark.parametrize(
        "change",
        [
            lambda session, learner: learners.update_settings(
                session, learner, SettingsChange(timezone="Asia/Tokyo")
            ),
            lambda session, learner: learners.update_settings(
                session, learner, SettingsChange(daily_minutes=20)
            ),
            lambda session, learner: learners.update_settings(
                session, learner, SettingsChange(rotation_on=date(2027, 3, 1))
            ),
            lambda session, learner: pauses.add(
                session, learner, date(2026, 12, 24), date(2027, 1, 3), TODAY
            ),
            lambda session, learner: slots.set_slot(
                session, learner, NOON, minute_of_day=60, weekdays=(2,), alarm=False
            ),
        ],
        ids=["time zone", "minutes", "rotation", "pause", "slot"],
    )
    def test_whatever_page_changes_it_the_next_reading_is_a_revision(
        self, database: Database, change: Callable[[Session, Learner], object]
    ) -> None:
        learner, secret = with_feed(database)
        first = fetched(database, secret)
        with database.writing() as session:
            change(session, learner)
        second = fetched(database, secret, timedelta(hours=1))
        assert sequence(second) == 1
        assert first is not None
        assert second is not None
        for name in ("UID", "CREATED"):
            ids = [value(component(content_lines(one), "VEVENT"), name) for one in (first, second)]
            assert ids[0] == ids[1]
        assert value(component(content_lines(second), "VEVENT"), "DTSTAMP") == "20261125T130000Z"

    def test_ids_outlive_the_address(self, database: Database) -> None:
        learner, secret = with_feed(database)
        first = fetched(database, secret)
        new = new_token()
        with database.writing() as session:
            feeds.make_feed(session, learner, new, NOON + timedelta(days=1))
        assert first is not None
        second = fetched(database, new)
        assert second is not None
        first_id, second_id = (
            value(component(content_lines(one), "VEVENT"), "UID") for one in (first, second)
        )
        assert first_id == second_id
        assert sequence(second) == 0

    def test_readers_at_once_count_one_revision(self, database: Database) -> None:
        learner, secret = with_feed(database)
        fetched(database, secret)
        with database.writing() as session:
            learners.update_settings(session, learner, SettingsChange(daily_minutes=30))
        found = at_once(lambda _: fetched(database, secret))
        assert {sequence(content) for content in found} == {1}
