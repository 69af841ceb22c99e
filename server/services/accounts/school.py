"""Signing in at the school's own provider: who comes back is known, or makes an account.

A sign-in is left half done twice on its way: while somebody is at the provider, and, the
first time, until they have said what to be called. Both are rows that only the browser
they were begun in can take up again, once, and only for some minutes.
"""

from __future__ import annotations

import re
import secrets
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, cast, get_args
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.identity import names
from server.identity.openid import Vouched
from server.identity.provider_refusals import AttemptLost
from server.services import learners, sessions
from server.services.accounts import account as accounts
from server.services.accounts import half_done
from server.services.accounts.account import Credentials
from server.services.accounts.ways_in import check_another_is_left
from server.services.learners import Learner, SettingsChange
from server.storage import accounts as account_rows
from server.storage import provider_identities as rows
from server.storage.models import ProviderIdentityRow

Purpose = Literal["sign-in", "link", "confirm"]

WITHIN = timedelta(minutes=10)
"""For signing in over there, finding one's telephone included (our choice)."""

NAMED_WITHIN = half_done.LONGEST
"""For saying what to be called."""

ARRIVED = "arrived"


@dataclass(frozen=True)
class Attempt:
    """What somebody went to the provider for."""

    purpose: Purpose
    learner_id: UUID | None
    then: str
    begun_at: datetime


@dataclass(frozen=True)
class Arrival:
    """Somebody whom the provider vouches for, and who has no account here yet."""

    issuer: str
    subject: str
    shown_at: datetime | None
    learner_id: UUID | None
    """Whose account has just been made of it: the form was sent twice."""


def begin(
    session: Session,
    browser: str,
    state: str,
    purpose: Purpose,
    learner_id: UUID | None,
    now: datetime,
    *,
    then: str = "/",
) -> None:
    """Note that a browser is sent to the provider.

    Parameters
    ----------
    browser : the secret in the browser's own cookie; the attempt is good there alone.
    state : a secret of this attempt, which the provider sends back.
    """
    half_done.leave(
        session,
        half_done.key_of(browser, state),
        purpose,
        now,
        learner_id=learner_id,
        then=then,
    )


def attempt_of(session: Session, browser: str, state: str, now: datetime) -> Attempt:
    """Take up an attempt, once.

    Raises
    ------
    AttemptLost : it was begun in another browser, too long ago, or has been taken up.
    """
    row = rows.spend_pending(session, half_done.key_of(browser, state), now - WITHIN)
    if row is None or row.purpose not in get_args(Purpose):
        raise AttemptLost("no such attempt in this browser")
    return Attempt(cast(Purpose, row.purpose), row.learner_id, row.then, row.created_at)


def whose(session: Session, vouched: Vouched, now: datetime) -> UUID | None:
    """Return whose account somebody vouched for opens, or None for nobody's yet."""
    row = rows.get(session, vouched.issuer, vouched.subject)
    if row is None:
        return None
    row.used_at = now
    session.flush()
    return row.learner_id


def arrive(session: Session, browser: str, vouched: Vouched, now: datetime) -> None:
    """Keep whom the provider vouches for until they have said what to be called."""
    half_done.leave(
        session,
        half_done.key_of(browser, ARRIVED),
        ARRIVED,
        now,
        subject=vouched.subject,
        shown_at=vouched.at,
    )


def arrival_in(session: Session, browser: str, issuer: str, now: datetime) -> Arrival:
    """Return who waits in this browser for an account.

    Raises
    ------
    AttemptLost : nobody, or for too long.
    """
    row = rows.pending(session, half_done.key_of(browser, ARRIVED), now - NAMED_WITHIN)
    if row is None or row.subject is None:
        raise AttemptLost("nobody waits in this browser")
    return Arrival(issuer, row.subject, row.shown_at, row.learner_id)


def make_account(
    session: Session,
    browser: str,
    arrival: Arrival,
    learner: Learner,
    token: str,
    name: str,
    now: datetime,
) -> str:
    """Make an account for who waits in this browser; return the new token of the session.

    Who sent the form twice meets ``arrival.learner_id`` the second time, as long as the
    browser still sends the cookie that it is told to forget with the first answer.

    Parameters
    ----------
    learner : a guest, whose practice is the account's from now on.
    token : of the guest's session.
    name : to be called by.

    Raises
    ------
    AttemptLost : nobody waits here.
    BadInput : the name is empty or cannot be one.
    Conflict : they have just got an account, in another browser.
    """
    if not name.strip():
        raise BadInput("Say what to call you: a first name or a nickname will do.")
    learners.update_settings(session, learner, SettingsChange(name=name))
    _make(session, learner, name, now)
    _keep(session, arrival.issuer, arrival.subject, learner.id, now)
    row = rows.pending(session, half_done.key_of(browser, ARRIVED), now - NAMED_WITHIN)
    if row is not None:
        row.learner_id = learner.id
    fresh = sessions.renew(session, token, now, shown_before(arrival.shown_at, now))
    sessions.end_others(session, learner.id, fresh)
    return fresh


def link(session: Session, learner_id: UUID, vouched: Vouched, now: datetime) -> None:
    """Let the provider open an account that there is already; linked again, nothing changes.

    Raises
    ------
    Conflict : it opens another account, or another of theirs opens this one.
    """
    known = rows.get(session, vouched.issuer, vouched.subject)
    if known is not None and known.learner_id == learner_id:
        return
    if known is not None:
        raise Conflict(
            "That sign-in opens another account here already. Sign in with it and unlink it there "
            "first, or delete that account."
        )
    _keep(session, vouched.issuer, vouched.subject, learner_id, now)


def unlink(session: Session, learner_id: UUID, issuer: str) -> None:
    """Let the provider open an account no longer.

    Raises
    ------
    Conflict : nothing else opens it.
    """
    check_another_is_left(session, learner_id, issuer, without="provider")
    if not rows.remove(session, learner_id, issuer):
        raise Conflict("It is unlinked already.")


def linked_at(session: Session, learner_id: UUID, issuer: str) -> datetime | None:
    """Return since when the provider opens an account, or None."""
    row = rows.of_learner(session, learner_id, issuer)
    return None if row is None else row.linked_at


def shown_before(shown_at: datetime | None, now: datetime) -> datetime:
    """Return a moment for a session: without a word from the provider, long enough ago.

    Who comes back may have signed in over there this morning, on a desk left alone since:
    that opens practice, but what changes the account asks again.
    """
    return shown_at or now - timedelta(days=1)


def _make(session: Session, learner: Learner, name: str, now: datetime) -> None:
    for candidate in _sign_in_names(name):
        if account_rows.of_key(session, names.key_of(candidate)) is None:
            try:
                accounts.make_account(session, learner, Credentials(candidate, None), now)
            except BadInput:  # taken in this very moment
                continue
            return
    raise Conflict("No sign-in name was free: try again.")


def _sign_in_names(name: str) -> Iterator[str]:
    """Yield sign-in names like a name to be called by: the same, numbered, then by chance."""
    tidy = unicodedata.normalize("NFKC", name.split("@")[0])
    bare = re.sub(r"[^\w.-]+", ".", tidy).strip("._-")[: names.LONGEST - 6].rstrip("._-")
    if len(bare) < names.SHORTEST:
        bare = f"learner-{bare}" if bare else "learner"
    yield bare
    yield from (f"{bare}-{number}" for number in range(2, 10))
    yield from (f"{bare}-{secrets.token_hex(2)}" for _ in range(5))


def _keep(session: Session, issuer: str, subject: str, learner_id: UUID, now: datetime) -> None:
    row = ProviderIdentityRow(
        issuer=issuer,
        subject=subject,
        learner_id=learner_id,
        linked_at=now,
        used_at=now,
    )
    if not rows.add(session, row):
        raise Conflict("This sign-in is linked already, or your account has another: reload.")
