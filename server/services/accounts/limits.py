"""How many wrong attempts there may be: counted in the database, so over all workers.

Every attempt is written down before the password is looked at and forgotten
when it was right, so that many attempts at once cannot slip through together.
Somebody who is kept out by another's attempts still comes in by passkey or by a
one-time link, neither of which can be guessed: a name cannot be locked from
outside.
"""

from __future__ import annotations

import ipaddress
import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import uuid4

from sqlalchemy.orm import Session

from server.errors import FundusRoundsError
from server.identity.tokens import hash_of
from server.storage import sign_in_attempts


class TooManyAttempts(FundusRoundsError):
    """Somebody has tried too often; it says when to try again."""

    status = 429

    def __init__(self, retry_seconds: int) -> None:
        minutes = max(1, -(-retry_seconds // 60))
        when = f"{minutes} minute{'' if minutes == 1 else 's'}"
        if minutes > 90:
            when = f"{-(-minutes // 60)} hours"
        super().__init__(
            f"There were too many attempts. Try again in {when}; a passkey or a one-time link "
            "from whoever runs this site works at once."
        )
        self.retry_seconds = retry_seconds


@dataclass(frozen=True)
class Limit:
    """So many attempts within a moving window."""

    attempts: int
    window: timedelta


ON_A_NAME_FROM_AN_ADDRESS = Limit(10, timedelta(minutes=15))
FROM_AN_ADDRESS = Limit(100, timedelta(minutes=15))
"""A lecture hall may share one address."""
ON_A_NAME = Limit(100, timedelta(hours=24))
"""NIST SP 800-63B-4 allows at most 100 consecutive failures on an account (from memory)."""

LONGEST_WINDOW = ON_A_NAME.window


def count_attempt(session: Session, key: str, address: str, now: datetime) -> None:
    """Write an attempt down, or refuse it.

    Parameters
    ----------
    key : the folded sign-in name, whether or not there is such an account.
    address : the network address it came from.

    Raises
    ------
    TooManyAttempts : one of the limits is reached.
    """
    name, origin = name_hash(key), address_hash(address)
    sign_in_attempts.take_turns(session, name, origin)
    for limit, made in (
        (
            ON_A_NAME_FROM_AN_ADDRESS,
            sign_in_attempts.times(
                session, now - ON_A_NAME_FROM_AN_ADDRESS.window, name=name, address=origin
            ),
        ),
        (
            FROM_AN_ADDRESS,
            sign_in_attempts.times(session, now - FROM_AN_ADDRESS.window, address=origin),
        ),
        (ON_A_NAME, sign_in_attempts.times(session, now - ON_A_NAME.window, name=name)),
    ):
        if len(made) >= limit.attempts:
            free_again = made[len(made) - limit.attempts] + limit.window
            raise TooManyAttempts(max(1, math.ceil((free_again - now).total_seconds())))
    sign_in_attempts.add(session, uuid4(), now, name=name, address=origin)


def forget_attempts(session: Session, key: str) -> None:
    """Start counting afresh for a name whose owner has shown who they are."""
    sign_in_attempts.forget(session, name_hash(key))


def forget_old_attempts(session: Session, now: datetime) -> None:
    """Delete the attempts that no limit counts any more."""
    sign_in_attempts.forget_before(session, now - LONGEST_WINDOW)


def name_hash(key: str) -> str:
    """Return the hash that stands for a sign-in name."""
    return hash_of("name " + key)


def address_hash(address: str) -> str:
    """Return the hash that stands for a network address; one household has a whole /64."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return hash_of("address " + address)
    if parsed.version == 6:
        return hash_of(f"address {ipaddress.ip_network((parsed, 64), strict=False)}")
    return hash_of(f"address {parsed}")
