"""Making an account of a guest, and the password behind it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from argon2 import PasswordHasher

from server.errors import BadInput, Conflict
from server.services import recompute
from server.services.accounts import account as rules
from server.services.accounts.account import Credentials
from server.services.planning import today
from server.storage.engine import Database
from server.storage.models import AccountRow
from tests import accounts, factories
from tests.factories import NOON


def test_a_guests_practice_is_the_accounts(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=3)
        guest = factories.guest(session)
        given = factories.practise(session, guest)
        before = today.home(session, guest, NOON)
        account = accounts.account(session, "Ada", learner=guest)
        assert account.learner_id == guest.id
        assert today.home(session, guest, NOON) == before
        factories.practise(session, guest)
        report = recompute.recompute(session)
    assert report.answers > len(given)
    assert report.differences == ()


def test_a_name_is_taken_whatever_its_case(database: Database) -> None:
    with database.writing() as session:
        guest = factories.guest(session)
        accounts.account(session, "Ada", learner=guest)
        with pytest.raises(BadInput, match="taken"):
            accounts.account(session, "aDA")
        with pytest.raises(Conflict):
            accounts.account(session, "another", learner=guest)


def test_of_two_who_want_a_name_at_once_one_gets_it(database: Database) -> None:
    with database.writing() as session:
        guests = [factories.guest(session) for _ in range(6)]

    def make(number: int) -> bool:
        try:
            with database.writing() as session:
                accounts.account(session, "ada", learner=guests[number])
        except BadInput:
            return False
        return True

    with ThreadPoolExecutor(6) as threads:
        assert list(threads.map(make, range(6))).count(True) == 1


def test_a_password_fits_only_its_own_account(database: Database) -> None:
    with database.writing() as session:
        accounts.account(session, "ada")
        session.add(
            AccountRow(
                learner_id=factories.guest(session).id,
                sign_in_name="bob",
                sign_in_key="bob",
                password_hash=rules.checked_password("yet more plain words", "bob").hash,
                password_set_at=NOON,
                administrator=False,
                lead=False,
                created_at=NOON,
            )
        )
        session.flush()
        ada, bob = rules.claim(session, "ADA "), rules.claim(session, "bob")
    assert rules.fits(ada, accounts.PASSWORD)
    assert not rules.fits(bob, accounts.PASSWORD)
    assert rules.fits(bob, "yet more plain words")
    assert not rules.fits(None, accounts.PASSWORD)


def test_an_old_hash_is_made_anew_at_the_next_sign_in(database: Database) -> None:
    old = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(accounts.PASSWORD)
    with database.writing() as session:
        account = accounts.account(session, "ada")
        row = session.get(AccountRow, account.learner_id)
        assert row is not None
        row.password_hash = old
        session.flush()
        claimed = rules.claim(session, "ada")
    assert claimed is not None
    assert rules.fits(claimed, accounts.PASSWORD)
    fresh = rules.rehashed_if_old(claimed, accounts.PASSWORD)
    with database.writing() as session:
        assert rules.password_was_right(session, claimed, rehashed=fresh)
        after = rules.claim(session, "ada")
    assert after is not None
    assert after.stored == fresh != old
    assert rules.fits(after, accounts.PASSWORD)
    assert rules.rehashed_if_old(after, accounts.PASSWORD) is None


def test_a_password_changed_while_it_was_checked_lets_nobody_in(database: Database) -> None:
    with database.writing() as session:
        account = accounts.account(session, "ada")
        claimed = rules.claim(session, "ada")
        assert claimed is not None
        fresh = rules.checked_password("another set of plain words", "ada")
        rules.set_password(session, account.learner_id, fresh, None, NOON)
        assert not rules.password_was_right(session, claimed)


def test_the_own_name_is_no_password() -> None:
    with pytest.raises(BadInput, match="guesser"):
        rules.checked_credentials("grace-hopper", "grace-hopper-grace-hopper")
    with pytest.raises(BadInput, match="3 to 40"):
        rules.checked_credentials("no spaces", accounts.PASSWORD)
    assert isinstance(rules.checked_credentials("ada", accounts.PASSWORD), Credentials)
