"""An account: made by a guest who keeps their practice, and signed in to by password.

Hashing a password takes its time on purpose. It is done before a transaction
begins, never inside one, so that nobody's answer waits for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.identity import names, passwords
from server.services import sessions
from server.services.accounts import limits
from server.services.learners import Learner
from server.storage import accounts as rows
from server.storage.models import AccountRow


@dataclass(frozen=True)
class Account:
    """How a learner signs in."""

    learner_id: UUID
    sign_in_name: str
    administrator: bool
    created_at: datetime
    password_set_at: datetime | None
    """None: there is no password."""


@dataclass(frozen=True)
class NewPassword:
    """A password that may be one, hashed."""

    hash: str


@dataclass(frozen=True)
class Credentials:
    """A sign-in name and a password that fit the rules, the password hashed."""

    name: str
    password: NewPassword | None
    """None: the account is opened at the school's provider, and has no password yet."""


@dataclass(frozen=True)
class Claim:
    """Whose account a sign-in name stands for, and the hash that a password must fit."""

    learner_id: UUID
    key: str
    stored: str | None
    """None: there is no password, so none fits."""


def checked_credentials(name: str, password: str) -> Credentials:
    """Check a sign-in name and a password and hash the password; no database is needed.

    Raises
    ------
    BadInput : one of them does not fit the rules; the message says which.
    """
    tidy = names.tidy_name(name)
    return Credentials(tidy, checked_password(password, tidy))


def checked_password(password: str, name: str) -> NewPassword:
    """Check a new password for an account of this name and hash it.

    Raises
    ------
    BadInput : it does not fit the rules.
    """
    passwords.check_new(password, (name, *name.replace("_", ".").replace("-", ".").split(".")))
    return NewPassword(passwords.hash_password(password))


def account_of(session: Session, learner_id: UUID) -> Account | None:
    """Return a learner's account, or None for a guest."""
    row = rows.get(session, learner_id)
    return None if row is None else _account(row)


def make_account(
    session: Session,
    learner: Learner,
    credentials: Credentials,
    now: datetime,
    *,
    administrator: bool = False,
) -> Account:
    """Make the account of a guest, whose practice is the account's from now on.

    Raises
    ------
    Conflict : the learner has an account already.
    BadInput : the sign-in name is taken.
    """
    if rows.get(session, learner.id) is not None:
        raise Conflict("You have an account already.")
    key = names.key_of(credentials.name)
    row = AccountRow(
        learner_id=learner.id,
        sign_in_name=credentials.name,
        sign_in_key=key,
        password_hash=credentials.password.hash if credentials.password else None,
        password_set_at=now if credentials.password else None,
        administrator=administrator,
        lead=False,
        created_at=now,
    )
    if rows.of_key(session, key) is not None or not rows.add(session, row):
        raise BadInput("This sign-in name is taken: choose another.")
    return _account(row)


def claim(session: Session, name: str) -> Claim | None:
    """Return what a password must fit to sign in under a name, or None for no such account."""
    key = names.key_of(name)
    row = rows.of_key(session, key)
    return None if row is None else Claim(row.learner_id, key, row.password_hash)


def own_claim(session: Session, learner_id: UUID) -> Claim:
    """Return what a password must fit for somebody who is signed in already."""
    row = rows.get(session, learner_id)
    if row is None:
        raise Conflict("You have no account yet.")
    return Claim(row.learner_id, row.sign_in_key, row.password_hash)


def fits(claimed: Claim | None, password: str) -> bool:
    """Whether a password fits; as slow for a name that nobody has."""
    return passwords.verify(claimed.stored if claimed else None, password)


def password_was_right(session: Session, claimed: Claim, *, rehashed: str | None = None) -> bool:
    """Note that a password fitted; False when it was changed while it was being checked.

    Parameters
    ----------
    rehashed : a new hash of the same password, when the stored one was made with old parameters.
    """
    row = rows.get(session, claimed.learner_id)
    if row is None or row.password_hash != claimed.stored:
        return False
    if rehashed is not None:
        row.password_hash = rehashed
    return True


def rehashed_if_old(claimed: Claim, password: str) -> str | None:
    """Return a hash with today's parameters when the stored one is older."""
    if claimed.stored is None or not passwords.needs_new_hash(claimed.stored):
        return None
    return passwords.hash_password(password)


def set_password(
    session: Session, learner_id: UUID, password: NewPassword, token: str | None, now: datetime
) -> None:
    """Store a new password and end every other session; ``token`` is the one to keep."""
    row = rows.get(session, learner_id)
    if row is None:
        raise Conflict("You have no account yet.")
    row.password_hash = password.hash
    row.password_set_at = now
    limits.forget_attempts(session, row.sign_in_key)
    session.flush()
    if token is None:
        sessions.end_all(session, learner_id)
    else:
        sessions.end_others(session, learner_id, token)


def _account(row: AccountRow) -> Account:
    return Account(
        learner_id=row.learner_id,
        sign_in_name=row.sign_in_name,
        administrator=row.administrator,
        created_at=row.created_at,
        password_set_at=row.password_set_at,
    )
