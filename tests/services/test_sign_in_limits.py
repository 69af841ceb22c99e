"""Wrong attempts are counted in the database, in moving windows, however many ask at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import func, select

from server.services.accounts import limits
from server.services.accounts.limits import TooManyAttempts
from server.storage.engine import Database
from server.storage.models import SignInAttemptRow
from tests.factories import NOON

HOME = "192.0.2.7"
ELSEWHERE = "198.51.100.9"


def attempt(database: Database, key: str, address: str = HOME, minutes: float = 0) -> bool:
    """Make an attempt; whether it was let through."""
    try:
        with database.writing() as session:
            limits.count_attempt(session, key, address, NOON + timedelta(minutes=minutes))
    except TooManyAttempts:
        return False
    return True


def test_the_window_moves(database: Database) -> None:
    # One attempt a minute: the tenth fills the window, the first leaves it after 15 minutes.
    assert all(attempt(database, "ada", minutes=n) for n in range(10))
    assert not attempt(database, "ada", minutes=10)
    assert not attempt(database, "ada", minutes=14.9)
    assert attempt(database, "ada", minutes=15.1)
    assert not attempt(database, "ada", minutes=15.5)
    assert attempt(database, "ada", minutes=16.1)


def test_it_says_when_to_come_back(database: Database) -> None:
    for n in range(10):
        attempt(database, "ada", minutes=n)
    with pytest.raises(TooManyAttempts, match="in 5 minutes") as refused, database.writing() as one:
        limits.count_attempt(one, "ada", HOME, NOON + timedelta(minutes=10))
    assert refused.value.retry_seconds == 300


def test_another_address_and_another_name_are_still_free(database: Database) -> None:
    assert [attempt(database, "ada") for _ in range(11)].count(True) == 10
    assert attempt(database, "ada", ELSEWHERE)
    assert attempt(database, "bob")


def test_many_names_from_one_address_are_stopped(database: Database) -> None:
    tried = [attempt(database, f"name{n}") for n in range(105)]
    assert tried == [True] * 100 + [False] * 5
    assert attempt(database, "name1", ELSEWHERE)


def test_one_name_from_many_addresses_is_stopped_for_a_day(database: Database) -> None:
    tried = [attempt(database, "ada", f"203.0.113.{n}") for n in range(105)]
    assert tried == [True] * 100 + [False] * 5
    assert not attempt(database, "ada", ELSEWHERE, minutes=60 * 23.9)
    assert attempt(database, "ada", ELSEWHERE, minutes=60 * 24.1)


def test_a_right_password_starts_afresh(database: Database) -> None:
    for _ in range(10):
        attempt(database, "ada")
    with database.writing() as session:
        limits.forget_attempts(session, "ada")
    assert attempt(database, "ada")


def test_a_whole_ipv6_network_counts_as_one(database: Database) -> None:
    tried = [attempt(database, "ada", f"2001:db8:1:2::{n:x}") for n in range(12)]
    assert tried.count(True) == 10
    assert attempt(database, "ada", "2001:db8:1:3::1")


def test_attempts_at_once_do_not_slip_through_together(database: Database) -> None:
    """Each is written down before the password is looked at: ten of forty get so far."""
    with ThreadPoolExecutor(8) as threads:
        tried = list(threads.map(lambda _: attempt(database, "ada"), range(40)))
    assert tried.count(True) == 10


def test_neither_names_nor_addresses_are_kept_and_old_attempts_go(database: Database) -> None:
    # The name has letters that no hexadecimal id or digest can spell by chance.
    attempt(database, "wynn")
    attempt(database, "bob", minutes=60)
    with database.writing() as session:
        for row in session.execute(select(SignInAttemptRow.__table__)):
            assert "wynn" not in str(row)
            assert HOME not in str(row)
        limits.forget_old_attempts(session, NOON + timedelta(hours=24, minutes=1))
        assert session.scalar(select(func.count()).select_from(SignInAttemptRow)) == 1
