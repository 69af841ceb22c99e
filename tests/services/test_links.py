"""One-time links: the first administrator's, and the way back in."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import select

from server.errors import Conflict, NotAllowed, NotFound
from server.services import learners, sessions
from server.services.accounts import account as rules
from server.services.accounts import links
from server.services.accounts.account import Credentials
from server.services.accounts.links import LinkSpent
from server.services.accounts.roles import Role, role_of
from server.storage import audit
from server.storage.engine import Database, Session
from server.storage.models import OneTimeLinkRow
from tests import accounts, factories
from tests.factories import NOON


def acts(session: Session) -> list[str]:
    return [event.act for event in reversed(audit.latest(session, 50))]


def test_the_first_start_hands_out_one_link(database: Database) -> None:
    with database.writing() as session:
        token = links.first_administrator_link(session, NOON)
        assert token is not None
        assert links.first_administrator_link(session, NOON) is None
        # The table does not hold the token.
        assert token not in str(list(session.execute(select(OneTimeLinkRow.__table__))))
        guest = factories.guest(session)
        years = NOON + timedelta(days=900)
        credentials = Credentials("head", accounts.hashed())
        links.become_administrator(session, token, guest, credentials, years)
        assert role_of(session, guest.id) is Role.ADMINISTRATOR
        # Used: neither again, nor printed at the next start.
        assert links.first_administrator_link(session, years) is None
        with pytest.raises(LinkSpent):
            links.become_administrator(session, token, factories.guest(session), None, years)
        assert acts(session) == ["administrator-link", "administrator"]


def test_a_new_administrators_link_voids_the_older(database: Database) -> None:
    with database.writing() as session:
        older, newer = (links.new_administrator_link(session, NOON) for _ in range(2))
        with pytest.raises(LinkSpent):
            links.opened(session, older, NOON)
        assert links.opened(session, newer, NOON).purpose == "administrator"
        ada = accounts.account(session, "ada")
        learner = learners.resolve_session(
            session, accounts.signed_in(session, ada.learner_id), NOON
        )
        assert learner is not None
        links.become_administrator(session, newer, learner, None, NOON)
        assert role_of(session, learner.id) is Role.ADMINISTRATOR


def test_an_administrator_needs_an_account(database: Database) -> None:
    with database.writing() as session:
        token = links.new_administrator_link(session, NOON)
    with pytest.raises(NotAllowed), database.writing() as session:
        links.become_administrator(session, token, factories.guest(session), None, NOON)
    with database.reading() as session:
        # Nothing happened, so the link still works.
        assert links.opened(session, token, NOON)


def test_a_link_is_used_once_by_the_faster(database: Database) -> None:
    with database.writing() as session:
        token = links.new_administrator_link(session, NOON)
        guests = [factories.guest(session) for _ in range(6)]

    def use(number: int) -> bool:
        credentials = Credentials(f"head{number}", accounts.hashed())
        try:
            with database.writing() as session:
                links.become_administrator(session, token, guests[number], credentials, NOON)
        except LinkSpent:
            return False
        return True

    with ThreadPoolExecutor(6) as threads:
        assert list(threads.map(use, range(6))).count(True) == 1


class TestRecovery:
    def test_it_sets_a_password_and_ends_every_session(self, database: Database) -> None:
        fresh = rules.checked_password("another set of plain words", "ada")
        with database.writing() as session:
            head = accounts.account(session, "head", administrator=True)
            ada = accounts.account(session, "ada")
            stolen = accounts.signed_in(session, ada.learner_id)
            token = links.recovery_link(session, head.learner_id, ada.learner_id, NOON)
            assert links.opened(session, token, NOON).sign_in_name == "ada"
            assert links.recover(session, token, fresh, NOON) == ada.learner_id
            assert learners.resolve_session(session, stolen, NOON) is None
            claimed = rules.claim(session, "ADA")
            assert rules.fits(claimed, "another set of plain words")
            assert not rules.fits(claimed, accounts.PASSWORD)
            with pytest.raises(LinkSpent):
                links.recover(session, token, fresh, NOON)
            assert acts(session) == ["recovery-link", "recovered"]

    def test_it_runs_out_after_a_day_and_an_older_one_is_void(self, database: Database) -> None:
        with database.writing() as session:
            head = accounts.account(session, "head", administrator=True)
            ada = accounts.account(session, "ada")
            older, newer = (
                links.recovery_link(session, head.learner_id, ada.learner_id, NOON)
                for _ in range(2)
            )
            with pytest.raises(LinkSpent):
                links.opened(session, older, NOON)
            assert links.opened(session, newer, NOON + timedelta(hours=23))
            with pytest.raises(LinkSpent):
                links.opened(session, newer, NOON + timedelta(hours=24))
            links.forget_expired(session, NOON + timedelta(hours=24))
            assert list(session.scalars(select(OneTimeLinkRow.token_hash))) == []

    def test_who_may_give_one_to_whom(self, database: Database) -> None:
        with database.writing() as session:
            head, lead, other_lead, pupil, stranger = (
                accounts.account(session, name, administrator=name == "head").learner_id
                for name in ("head", "lead", "other-lead", "pupil", "stranger")
            )
            guest = factories.guest(session).id
            mine = accounts.cohort(session, leads=(lead,), members=(pupil, other_lead, head, guest))
            accounts.cohort(session, leads=(other_lead,), members=(stranger,))

            def gives(giver: object, taker: object) -> bool:
                try:
                    links.recovery_link(session, giver, taker, NOON)  # type: ignore[arg-type]
                except NotFound:
                    return False
                return True

            takers = (pupil, stranger, other_lead, head, lead, guest)
            assert [gives(head, one) for one in takers] == [True, True, True, True, True, False]
            # Never to one who may more than the giver, though they sit in the cohort.
            assert [gives(lead, one) for one in takers] == [True] + [False] * 5
            assert not any(gives(pupil, one) for one in takers)
            assert not any(gives(guest, one) for one in takers)
            # An archived cohort is led by nobody.
            mine.archived_at = NOON
            session.flush()
            assert not gives(lead, pupil)
            assert role_of(session, lead) is Role.LEARNER

    def test_a_recovery_link_makes_no_administrator(self, database: Database) -> None:
        with database.writing() as session:
            head = accounts.account(session, "head", administrator=True)
            ada = accounts.account(session, "ada")
            token = links.recovery_link(session, head.learner_id, ada.learner_id, NOON)
            guest = factories.guest(session)
            with pytest.raises(Conflict):
                links.become_administrator(
                    session, token, guest, Credentials("eve", accounts.hashed()), NOON
                )
            assert sessions.practised(session, ada.learner_id) == 0
