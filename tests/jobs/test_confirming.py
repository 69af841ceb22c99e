"""Confirming an address: asked for by letter, used only then, and nobody's mailbox filled."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from server.errors import BadInput, Conflict
from server.services.learners import Learner
from server.services.reminders import addresses, slots
from server.storage.engine import Database
from server.storage.models import LetterRow, MailAddressRow
from tests import factories
from tests.databases import sqlite_settings
from tests.factories import NOON
from tests.jobs.posting import TIME, TO, Post
from tests.mailbox import SENDER, Mailbox, link_in


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    with Mailbox() as running:
        yield running


@pytest.fixture
def post(mailbox: Mailbox, database: Database, tmp_path: Path) -> Post:
    return Post(mailbox.settings(sqlite_settings(tmp_path)), database)


class TestConfirming:
    @pytest.fixture
    def learner(self, database: Database) -> Learner:
        with database.writing() as session:
            learner = factories.guest(session)
            slots.set_slot(session, learner, NOON, minute_of_day=1110, weekdays=(3, 4), alarm=False)
            addresses.give_address(session, learner, f"  {TO} ", NOON)
        return learner

    def test_a_letter_asks_and_its_link_confirms(
        self, post: Post, mailbox: Mailbox, learner: Learner
    ) -> None:
        post.turn(NOON)
        post.turn(NOON + timedelta(minutes=9))
        (letter,) = mailbox.letters
        assert mailbox.recipients == [TO]
        assert (letter["From"], letter["To"]) == (f"Fundus Rounds <{SENDER}>", TO)
        secret = link_in(letter, "/reminders/confirm/").rsplit("/", 1)[1]
        assert letter["List-Unsubscribe"] is None
        with post.database.reading() as session:
            assert addresses.standing_of(session, learner).state == "waiting"
            link = addresses.link_of(session, secret, NOON)
            assert link == addresses.Link("confirm", TO, False)
            assert addresses.standing_of(session, learner).state == "waiting"
            stored = session.scalars(select(LetterRow.token_hash)).all()
        assert secret not in stored
        for _ in range(2):
            with post.database.writing() as session:
                assert addresses.confirm_address(session, secret, NOON) == addresses.Link(
                    "confirm", TO, True
                )
        with post.database.reading() as session:
            assert addresses.standing_of(session, learner).state == "confirmed"

    def test_before_that_nothing_else_is_sent(
        self, post: Post, mailbox: Mailbox, learner: Learner
    ) -> None:
        post.turn(NOON)
        for day in range(6):
            post.turn(TIME + timedelta(days=day))
        assert len(mailbox.letters) == 1

    def test_a_link_ends_after_a_week_and_the_address_is_forgotten(
        self, post: Post, mailbox: Mailbox, learner: Learner
    ) -> None:
        post.turn(NOON)
        secret = link_in(mailbox.letters[0], "/reminders/confirm/").rsplit("/", 1)[1]
        late = NOON + timedelta(days=7, seconds=1)
        with post.database.writing() as session:
            assert addresses.confirm_address(session, secret, late) is None
        post.turn(late)
        with post.database.reading() as session:
            assert session.scalars(select(MailAddressRow)).all() == []

    def test_another_address_ends_the_link_sent_to_the_first(
        self, post: Post, mailbox: Mailbox, learner: Learner
    ) -> None:
        post.turn(NOON)
        secret = link_in(mailbox.letters[0], "/reminders/confirm/").rsplit("/", 1)[1]
        with post.database.writing() as session:
            addresses.give_address(session, learner, "other@example.org", NOON)
            addresses.confirm_address(session, secret, NOON)
            assert addresses.standing_of(session, learner).state == "waiting"

    def test_nobodys_mailbox_can_be_filled(
        self, post: Post, mailbox: Mailbox, learner: Learner
    ) -> None:
        """A second tap is no second letter; then three a day, by whomever they were asked for."""
        later = [NOON + timedelta(minutes=10 * n) for n in range(5)]
        with post.database.writing() as session:
            addresses.give_address(session, learner, TO, NOON + timedelta(seconds=2))
            for moment in later[1:3]:
                addresses.give_address(session, learner, TO, moment)
            with pytest.raises(Conflict, match="tomorrow"):
                addresses.give_address(session, learner, TO, later[3])
            other = factories.guest(session)
            slots.set_slot(session, other, NOON, minute_of_day=0, weekdays=(1,), alarm=False)
            with pytest.raises(Conflict, match="tomorrow"):
                addresses.give_address(session, other, TO.upper().replace("ORG", "org"), later[4])
        post.turn(later[4])
        assert len(mailbox.letters) == 3

    @pytest.mark.parametrize(
        "odd",
        [
            *("", "ada", "ada@", "@example.org", "ada@example", "a da@example.org"),
            *("ada@example..org", ".ada@example.org", "a..b@example.org", "ada@-example.org"),
            *("ada@example.org\nBcc: eve@example.org", "ada@example.org, eve@example.org"),
            *("ädä@example.org", "Ada <ada@example.org>", "a" * 65 + "@example.org"),
            "ada@" + "x" * 250 + ".org",
        ],
    )
    def test_what_is_no_address_is_refused(self, database: Database, odd: str) -> None:
        with database.writing() as session:
            learner = factories.guest(session)
            slots.set_slot(session, learner, NOON, minute_of_day=0, weekdays=(1,), alarm=False)
            with pytest.raises(BadInput):
                addresses.give_address(session, learner, odd, NOON)
            assert session.scalars(select(MailAddressRow)).all() == []


def test_a_confirmation_that_cannot_be_sent_for_a_day_is_told(
    database: Database, tmp_path: Path
) -> None:
    gone = Mailbox()
    post = Post(gone.settings(sqlite_settings(tmp_path)), database)
    with database.writing() as session:
        learner = factories.guest(session)
        slots.set_slot(session, learner, NOON, minute_of_day=0, weekdays=(1,), alarm=False)
        addresses.give_address(session, learner, TO, NOON)
    for hours in (0, 12, 23, 25):
        post.turn(NOON + timedelta(hours=hours))
    assert post.states("confirm") == ["dropped"]
    with database.reading() as session:
        standing = addresses.standing_of(session, learner)
    assert standing.state == "failing"
    assert "could not be reached" in standing.problem
