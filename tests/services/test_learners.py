"""Guests, sessions and settings."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from server.errors import BadInput
from server.services import learners, sessions
from server.services.learners import SettingsChange, eyes_in
from server.storage.engine import Database
from server.storage.models import WebSessionRow
from tests import factories
from tests.factories import NOON


def test_a_guest_is_found_by_their_token_alone(database: Database) -> None:
    with database.writing() as session:
        guest, token = learners.new_guest(session, "Asia/Tokyo", NOON)
        learners.new_guest(session, "UTC", NOON)
    with database.reading() as session:
        assert learners.resolve_session(session, token, NOON) == guest
        assert learners.resolve_session(session, token + "x", NOON) is None
        assert learners.resolve_session(session, "", NOON) is None
        # A copy of the table opens no session.
        hashes = session.scalars(select(WebSessionRow.token_hash)).all()
        assert token not in hashes
        assert all(learners.resolve_session(session, one, NOON) is None for one in hashes)


def test_tokens_are_long_and_never_the_same(database: Database) -> None:
    with database.writing() as session:
        tokens = {learners.new_guest(session, "UTC", NOON)[1] for _ in range(50)}
    assert len(tokens) == 50
    # 256 bits in base 64 are 43 characters.
    assert min(map(len, tokens)) == 43


def test_a_session_ends_when_asked_and_only_that_one(database: Database) -> None:
    with database.writing() as session:
        _, first = learners.new_guest(session, "UTC", NOON)
        _, second = learners.new_guest(session, "UTC", NOON)
        sessions.sign_out(session, first, NOON)
        sessions.sign_out(session, first, NOON)
    with database.reading() as session:
        assert learners.resolve_session(session, first, NOON) is None
        assert learners.resolve_session(session, second, NOON) is not None


def test_a_session_ends_unless_used(database: Database) -> None:
    with database.writing() as session:
        _, token = learners.new_guest(session, "UTC", NOON)
        late = NOON + timedelta(days=29)
        learners.touch_session(session, token, late)
        learners.touch_session(session, "unknown", late)
        used = late + timedelta(days=30)
        assert learners.resolve_session(session, token, used, session_days=30) is not None
        gone = used + timedelta(seconds=1)
        assert learners.resolve_session(session, token, gone, session_days=30) is None
        sessions.end_old(session, used, session_days=30, sign_in_days=30)
        assert session.scalars(select(WebSessionRow)).all() != []
        sessions.end_old(session, gone, session_days=30, sign_in_days=30)
        assert session.scalars(select(WebSessionRow)).all() == []


@pytest.mark.parametrize("odd", ["", "Nowhere/City", "../../etc/passwd", "x" * 500])
def test_an_odd_time_zone_does_not_keep_a_guest_out(database: Database, odd: str) -> None:
    with database.writing() as session:
        assert learners.new_guest(session, odd, NOON)[0].timezone == "UTC"


def test_settings_change_one_at_a_time(database: Database) -> None:
    with database.writing() as session:
        guest = factories.guest(session)
        changed = learners.update_settings(session, guest, SettingsChange(round_minutes=15))
        assert (changed.round_minutes, changed.weekly_goal_days) == (15, guest.weekly_goal_days)
        changed = learners.update_settings(
            session,
            guest,
            SettingsChange(name="  Ada \t Lovelace ", timezone="Asia/Tokyo", untimed=True),
        )
    assert (changed.name, changed.timezone, changed.untimed) == ("Ada Lovelace", "Asia/Tokyo", True)
    assert changed.round_minutes == 15


@pytest.mark.parametrize(
    "change",
    [
        SettingsChange(round_minutes=1),
        SettingsChange(round_minutes=16),
        SettingsChange(weekly_goal_days=0),
        SettingsChange(weekly_goal_days=8),
        SettingsChange(daily_minutes=1),
        SettingsChange(daily_minutes=61),
        SettingsChange(timezone="Nowhere/City"),
        SettingsChange(name="x" * 61),
        SettingsChange(name="a\u202eb"),
    ],
)
def test_impossible_settings_are_refused(database: Database, change: SettingsChange) -> None:
    with database.writing() as session:
        guest = factories.guest(session)
        with pytest.raises(BadInput):
            learners.update_settings(session, guest, change)


def test_five_minutes_are_about_a_dozen_eyes() -> None:
    assert eyes_in(5) == 12
    assert [eyes_in(minutes) for minutes in (2, 15)] == [5, 36]


class TestRotationDate:
    TODAY = NOON.date()

    def test_it_is_set_kept_and_taken_away(self, database: Database) -> None:
        day = self.TODAY + timedelta(days=60)
        with database.writing() as session:
            guest = factories.guest(session)
            assert guest.rotation_on is None
            changed = learners.update_settings(
                session, guest, SettingsChange(rotation_on=day), self.TODAY
            )
            assert changed.rotation_on == day
            changed = learners.update_settings(
                session, guest, SettingsChange(name="Ada", daily_minutes=12), self.TODAY
            )
            assert (changed.rotation_on, changed.daily_minutes) == (day, 12)
            changed = learners.update_settings(session, guest, SettingsChange(rotation_on=None))
            assert changed.rotation_on is None

    @pytest.mark.parametrize(
        ("days", "words"), [(0, "lie ahead"), (-3, "lie ahead"), (1200, "year")]
    )
    def test_a_slip_is_refused(self, database: Database, days: int, words: str) -> None:
        change = SettingsChange(rotation_on=self.TODAY + timedelta(days=days))
        with database.writing() as session:
            guest = factories.guest(session)
            with pytest.raises(BadInput, match=words):
                learners.update_settings(session, guest, change, self.TODAY)

    def test_one_that_has_come_does_not_bar_other_changes(self, database: Database) -> None:
        day = self.TODAY + timedelta(days=1)
        with database.writing() as session:
            guest = factories.guest(session)
            learners.update_settings(session, guest, SettingsChange(rotation_on=day), self.TODAY)
            later = learners.update_settings(
                session,
                guest,
                SettingsChange(rotation_on=day, round_minutes=8),
                self.TODAY + timedelta(days=30),
            )
        assert (later.rotation_on, later.round_minutes) == (day, 8)
