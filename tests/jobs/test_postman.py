"""The postman against a real mail server: at the time, once, and never unasked."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from server.jobs.postman import FIRST_REST, LONGEST_REST
from server.services import pauses
from server.services.learners import Learner, SettingsChange, update_settings
from server.services.reminders import addresses, slots
from server.storage.engine import Database, Session
from server.storage.models import LetterRow, MailAddressRow
from tests.databases import sqlite_settings
from tests.factories import NOON
from tests.jobs.posting import TIME, TO, Post, practised, reach_goal, ready_learner
from tests.mailbox import HOME, Mailbox, link_in, text_of
from tests.services.test_concurrency import at_once


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    with Mailbox() as running:
        yield running


@pytest.fixture
def post(mailbox: Mailbox, database: Database, tmp_path: Path) -> Post:
    return Post(mailbox.settings(sqlite_settings(tmp_path)), database)


class TestReminder:
    def test_it_comes_at_the_time_and_once(self, post: Post, mailbox: Mailbox) -> None:
        ready_learner(post.database)
        post.turn(TIME - timedelta(seconds=1))
        assert mailbox.letters == []
        for minutes in (0, 1, 60, 179, 200):
            post.turn(TIME + timedelta(minutes=minutes))
        (letter,) = mailbox.letters
        assert "18:30" in text_of(letter)
        assert "4 more days of practice this week reach your goal." in text_of(letter)
        assert f"{HOME}/\n" in text_of(letter)
        post.turn(TIME + timedelta(days=1))
        assert len(mailbox.letters) == 2

    def test_days_short_of_their_minutes_do_not_reach_the_goal(
        self, post: Post, mailbox: Mailbox
    ) -> None:
        learner = ready_learner(post.database)
        with post.database.writing() as session:
            update_settings(session, learner, SettingsChange(weekly_goal_days=2))
            practised(session, learner, date(2026, 11, 23), eyes=12)
            practised(session, learner, date(2026, 11, 24), eyes=11)
        post.turn(TIME)
        (letter,) = mailbox.letters
        assert "One more day of practice this week reaches" in text_of(letter)

    def test_a_goal_out_of_reach_is_not_asked_for(self, post: Post, mailbox: Mailbox) -> None:
        learner = ready_learner(post.database)
        with post.database.writing() as session:
            update_settings(session, learner, SettingsChange(weekly_goal_days=7))
        post.turn(TIME)
        assert "Any practice this week counts." in text_of(mailbox.letters[0])

    def test_its_head_says_how_to_stop_it(self, post: Post, mailbox: Mailbox) -> None:
        """RFC 8058, 3.1: one https address and the very words of the second field; RFC 3834."""
        ready_learner(post.database)
        post.turn(TIME)
        (letter,) = mailbox.letters
        stop = link_in(letter, "/reminders/stop/")
        assert letter["List-Unsubscribe"] == f"<{HOME}{stop}>"
        assert letter["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
        assert letter["Auto-Submitted"] == "auto-generated"
        assert letter["Date"].datetime == TIME
        assert letter["Message-ID"].endswith("@example.org>")
        assert letter.get_content_type() == "text/plain"
        assert letter["Content-Transfer-Encoding"] == "7bit"  # links stand in one piece
        assert len(text_of(letter).splitlines()) < 12
        assert max(map(len, text_of(letter).splitlines())) <= 100

    def test_one_click_forgets_the_address(self, post: Post, mailbox: Mailbox) -> None:
        learner = ready_learner(post.database)
        post.turn(TIME)
        secret = link_in(mailbox.letters[0], "/reminders/stop/").rsplit("/", 1)[1]
        for _ in range(2):
            with post.database.writing() as session:
                assert addresses.stop_by_link(session, secret)
        with post.database.reading() as session:
            assert addresses.standing_of(session, learner).state == "none"
            assert session.scalars(select(MailAddressRow)).all() == []
        post.turn(TIME + timedelta(days=1))
        assert len(mailbox.letters) == 1

    def test_an_old_letters_link_leaves_a_newer_address(self, post: Post, mailbox: Mailbox) -> None:
        learner = ready_learner(post.database)
        post.turn(TIME)
        secret = link_in(mailbox.letters[0], "/reminders/stop/").rsplit("/", 1)[1]
        with post.database.writing() as session:
            addresses.give_address(session, learner, "new@example.org", TIME)
            assert addresses.stop_by_link(session, secret)
            assert addresses.standing_of(session, learner).address == "new@example.org"
            assert not addresses.stop_by_link(session, "x" * 43)

    @pytest.mark.parametrize(
        "unless",
        [
            lambda session, learner: practised(session, learner, NOON.date(), eyes=1),
            lambda session, learner: reach_goal(session, learner),
            lambda session, learner: pauses.add(
                session, learner, NOON.date(), NOON.date(), NOON.date()
            ),
            lambda session, learner: addresses.remove_address(session, learner),
            lambda session, learner: slots.set_slot(
                session, learner, NOON, minute_of_day=1110, weekdays=(4,), alarm=False
            ),
            lambda session, learner: update_settings(
                session, learner, SettingsChange(timezone="Asia/Tokyo")
            ),
        ],
        ids=["practised", "goal reached", "paused", "removed", "another day", "elsewhere"],
    )
    def test_it_does_not_come_when_it_is_not_wanted(
        self, post: Post, mailbox: Mailbox, unless: Callable[[Session, Learner], object]
    ) -> None:
        learner = ready_learner(post.database)
        with post.database.writing() as session:
            unless(session, learner)
        post.turn(TIME)
        assert mailbox.letters == []
        assert post.states() == []

    def test_practice_of_last_week_does_not_count(self, post: Post, mailbox: Mailbox) -> None:
        learner = ready_learner(post.database)
        with post.database.writing() as session:
            practised(session, learner, *(date(2026, 11, 16 + n) for n in range(7)))
        post.turn(TIME)
        assert len(mailbox.letters) == 1

    def test_who_chooses_a_time_gone_by_is_not_reminded_of_it(
        self, post: Post, mailbox: Mailbox
    ) -> None:
        learner = ready_learner(post.database)
        every_day = range(1, 8)
        for minute, comes in ((1109, 0), (1112, 1)):
            with post.database.writing() as session:
                slots.set_slot(
                    session, learner, TIME, minute_of_day=minute, weekdays=every_day, alarm=False
                )
            post.turn(TIME + timedelta(minutes=2))
            assert len(mailbox.letters) == comes

    def test_who_confirms_after_the_time_is_there_already(
        self, post: Post, mailbox: Mailbox
    ) -> None:
        ready_learner(post.database)
        with post.database.writing() as session:
            session.scalars(select(MailAddressRow)).one().confirmed_at = TIME + timedelta(minutes=1)
        post.turn(TIME + timedelta(minutes=2))
        assert mailbox.letters == []

    @pytest.mark.parametrize(
        ("moment", "day"),
        [
            # Clocks went forward that night: 18:30 is 17:30 UTC. (Sunday.)
            (datetime(2027, 3, 28, 17, 30, tzinfo=UTC), "2027-03-28"),
            (datetime(2027, 3, 27, 18, 30, tzinfo=UTC), "2027-03-27"),
            # And back.
            (datetime(2027, 10, 31, 18, 30, tzinfo=UTC), "2027-10-31"),
            (datetime(2027, 10, 30, 17, 30, tzinfo=UTC), "2027-10-30"),
        ],
    )
    def test_the_time_is_by_the_clock_there(
        self, post: Post, mailbox: Mailbox, moment: datetime, day: str
    ) -> None:
        ready_learner(post.database)
        post.turn(moment - timedelta(seconds=1))
        assert mailbox.letters == []
        post.turn(moment)
        assert len(mailbox.letters) == 1
        with post.database.reading() as session:
            assert str(session.scalars(
                select(LetterRow.day).where(LetterRow.kind == "reminder")
            ).one()) == day  # fmt: skip

    def test_eight_programs_at_once_send_one(self, post: Post, mailbox: Mailbox) -> None:
        ready_learner(post.database)
        post.now = TIME
        postmen = [post.another() for _ in range(8)]
        at_once(lambda number: postmen[number].turn())
        assert len(mailbox.letters) == 1
        assert post.states() == ["sent"]


def test_letters_name_no_address_in_the_log(
    post: Post, mailbox: Mailbox, caplog: pytest.LogCaptureFixture
) -> None:
    ready_learner(post.database)
    mailbox.at_recipient = lambda address: f"550 5.1.1 <{address}>: no such user {address}"
    with caplog.at_level(logging.DEBUG, logger="server"):
        post.turn(TIME)
    assert "550" in caplog.text
    assert TO not in caplog.text


def test_a_dead_server_costs_little_and_the_letter_comes_when_it_is_back(
    database: Database, tmp_path: Path
) -> None:
    gone = Mailbox()
    post = Post(gone.settings(sqlite_settings(tmp_path)), database)
    ready_learner(database)
    moment, rests = TIME, []
    post.turn(moment)
    assert post.states() == ["waiting"]
    rest = FIRST_REST
    while moment < TIME + timedelta(hours=1):
        moment += rest
        post.turn(moment)
        rests.append(rest)
        rest = min(2 * rest, LONGEST_REST)
    assert post.states() == ["waiting"]
    assert len(rests) < 12
    with Mailbox(port=gone.port) as back:
        post.turn(moment + timedelta(hours=1))
        post.turn(moment + timedelta(hours=1, minutes=20))
        assert len(back.letters) == 1


def test_a_reminder_that_is_too_late_is_left_out(database: Database, tmp_path: Path) -> None:
    gone = Mailbox()
    post = Post(gone.settings(sqlite_settings(tmp_path)), database)
    ready_learner(database)
    post.turn(TIME)
    with Mailbox(port=gone.port) as back:
        post.turn(TIME + timedelta(hours=3, seconds=1))
        assert back.letters == []
        assert post.states() == ["dropped"]
        post.turn(TIME + timedelta(days=1))
        assert len(back.letters) == 1
