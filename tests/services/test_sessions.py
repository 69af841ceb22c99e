"""Sessions: new at every sign-in, listed, ended, and a guest's practice never lost with one."""

from __future__ import annotations

from datetime import timedelta

import pytest

from server.errors import NotFound
from server.services import learners, sessions
from server.services.accounts import account as rules
from server.storage.engine import Database, Session
from tests import accounts, factories
from tests.factories import NOON


def who(session: Session, token: str, days: float = 0) -> str:
    """Return whose session a token opens: a name, 'guest', or 'nobody'."""
    found = learners.resolve_session(session, token, NOON + timedelta(days=days))
    if found is None:
        return "nobody"
    account = rules.account_of(session, found.id)
    return account.sign_in_name if account else "guest"


def test_signing_in_ends_the_session_that_was_there(database: Database) -> None:
    """A token planted in a browser before its owner signs in opens nothing afterwards."""
    with database.writing() as session:
        _, planted = learners.new_guest(session, "UTC", NOON)
        account = accounts.account(session, "ada")
        token = sessions.sign_in(session, account.learner_id, NOON, device=None, replaced=planted)
        assert who(session, planted) == "nobody"
        assert who(session, token) == "ada"
        again = sessions.renew(session, token, NOON)
        assert who(session, token) == "nobody"
        assert who(session, again) == "ada"


def test_a_guests_practice_waits_and_comes_back(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        guest, first = learners.new_guest(session, "UTC", NOON)
        given = factories.practise(session, guest)
        account = accounts.account(session, "ada")
        token = sessions.sign_in(session, account.learner_id, NOON, device=None, replaced=first)
        waiting = sessions.waiting_guest(session, token)
        assert waiting is not None
        assert (waiting.id, waiting.answers) == (guest.id, len(given))
        # Confirming, and signing in as somebody else, keep it too.
        token = sessions.renew(session, token, NOON)
        other = accounts.account(session, "bob")
        token = sessions.sign_in(session, other.learner_id, NOON, device=None, replaced=token)
        assert sessions.waiting_guest(session, token) == waiting
        back = sessions.sign_out(session, token, NOON)
        assert back is not None
        assert who(session, back) == "guest"
        assert who(session, token) == "nobody"
        found = learners.resolve_session(session, back, NOON)
        assert found is not None
        assert found.id == guest.id


def test_sessions_ended_from_elsewhere_fall_back_to_the_guest(database: Database) -> None:
    with database.writing() as session:
        _, first = learners.new_guest(session, "UTC", NOON)
        account = accounts.account(session, "ada")
        beneath = sessions.sign_in(session, account.learner_id, NOON, device=None, replaced=first)
        plain = accounts.signed_in(session, account.learner_id)
        here = accounts.signed_in(session, account.learner_id)
        sessions.end_others(session, account.learner_id, here)
        assert [who(session, one) for one in (beneath, plain, here)] == ["guest", "nobody", "ada"]
        assert sessions.is_confirmed(session, here, NOON)
        assert not sessions.is_confirmed(session, beneath, NOON)
        sessions.end_all(session, account.learner_id)
        assert who(session, here) == "nobody"


def test_one_session_is_ended_by_its_owner_only(database: Database) -> None:
    with database.writing() as session:
        ada, bob = accounts.account(session, "ada"), accounts.account(session, "bob")
        here = accounts.signed_in(session, ada.learner_id)
        there = accounts.signed_in(session, ada.learner_id)
        listed = sessions.open_sessions(session, ada.learner_id, here)
        # The guest's own session, from before the account, is listed too.
        assert sorted(one.is_this for one in listed) == [False, False, True]
        assert {one.device for one in listed} >= {"Firefox on Android"}
        (mine,) = [one.id for one in listed if one.is_this]
        with pytest.raises(NotFound):
            sessions.end_one(session, bob.learner_id, mine)
        for other in [one.id for one in listed if not one.is_this]:
            sessions.end_one(session, ada.learner_id, other)
        assert who(session, here) == "ada"
        assert who(session, there) == "nobody"


def test_a_sign_in_ends_after_its_days_used_or_not(database: Database) -> None:
    with database.writing() as session:
        guest_token = learners.new_guest(session, "UTC", NOON)[1]
        account = accounts.account(session, "ada")
        token = sessions.sign_in(
            session, account.learner_id, NOON, device=None, replaced=guest_token
        )
        _, other = learners.new_guest(session, "UTC", NOON)
        learners.touch_session(session, token, NOON + timedelta(days=80))
        assert who(session, token, days=89) == "ada"
        assert who(session, token, days=91) == "nobody"
        # A guest has no way to sign in again, and so no such end.
        assert who(session, other, days=91) == "guest"
        sessions.end_old(session, NOON + timedelta(days=91), session_days=400, sign_in_days=90)
        assert who(session, token, days=91) == "guest"


def test_a_password_vouches_for_a_quarter_of_an_hour(database: Database) -> None:
    with database.writing() as session:
        account = accounts.account(session, "ada")
        token = accounts.signed_in(session, account.learner_id)
        assert sessions.is_confirmed(session, token, NOON + timedelta(minutes=15))
        assert not sessions.is_confirmed(session, token, NOON + timedelta(minutes=15, seconds=1))
        _, guest = learners.new_guest(session, "UTC", NOON)
        assert not sessions.is_confirmed(session, guest, NOON)
        assert not sessions.is_confirmed(session, "unknown", NOON)
