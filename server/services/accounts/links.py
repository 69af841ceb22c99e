"""One-time links: the first administrator's, and the way back in for who is locked out.

Only a link's hash is stored. Opening it changes nothing, since mail programs and
messengers open links too; sending its form spends it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, cast
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import Conflict, NotAllowed, NotFound
from server.identity.tokens import hash_of, new_token
from server.services.accounts import account as accounts
from server.services.accounts.account import Credentials, NewPassword
from server.services.accounts.roles import may_help
from server.services.learners import Learner
from server.storage import accounts as rows
from server.storage import audit, one_time_links

Purpose = Literal["administrator", "recovery"]

RECOVERY_FOR = timedelta(hours=24)
"""Long enough to reach somebody by whatever channel, short enough not to lie about."""


class LinkSpent(NotFound):
    """The link was used, replaced by a newer one, or has run out."""


@dataclass(frozen=True)
class OneTimeLink:
    """What a link opens."""

    purpose: Purpose
    learner_id: UUID | None
    sign_in_name: str
    """Of the account it opens; empty for the administrator's."""


def first_administrator_link(session: Session, now: datetime) -> str | None:
    """Return the token of the first administrator's link, once; None when there was one before."""
    if rows.has_administrator(session) or one_time_links.outstanding(session, "administrator"):
        return None
    return new_administrator_link(session, now)


def new_administrator_link(session: Session, now: datetime) -> str:
    """Return the token of a new link for an administrator; one not yet used is void."""
    token = new_token()
    one_time_links.replace(
        session,
        hash_of(token),
        purpose="administrator",
        learner_id=None,
        now=now,
        expires_at=None,
    )
    audit.add(session, "administrator-link", now, actor_id=None, subject_id=None, by_command=True)
    return token


def recovery_link(session: Session, helper_id: UUID, learner_id: UUID, now: datetime) -> str:
    """Return the token of a link by which a learner sets a new password.

    Raises
    ------
    NotFound : there is no such account, or it is none of the helper's.
    """
    account = rows.get(session, learner_id)
    if account is None or not may_help(session, helper_id, learner_id):
        raise NotFound("There is no such account, or it belongs to nobody you look after.")
    token = new_token()
    one_time_links.replace(
        session,
        hash_of(token),
        purpose="recovery",
        learner_id=learner_id,
        now=now,
        expires_at=now + RECOVERY_FOR,
    )
    audit.add(session, "recovery-link", now, actor_id=helper_id, subject_id=learner_id)
    return token


def invented_lead_link(session: Session, lead_id: UUID, now: datetime) -> str:
    """Return the token of the link that opens the invented school's lead account, until used."""
    token = new_token()
    one_time_links.replace(
        session, hash_of(token), purpose="recovery", learner_id=lead_id, now=now, expires_at=None
    )
    audit.add(session, "recovery-link", now, actor_id=None, subject_id=lead_id, by_command=True)
    return token


def opened(session: Session, token: str, now: datetime) -> OneTimeLink:
    """Return what a link opens, without using it.

    Raises
    ------
    LinkSpent : it opens nothing (any more).
    """
    row = one_time_links.get(session, hash_of(token), now)
    if row is None:
        raise LinkSpent(
            "This link has been used, replaced or has run out: ask whoever gave it to you for "
            "another."
        )
    account = rows.get(session, row.learner_id) if row.learner_id else None
    return OneTimeLink(
        purpose=cast(Purpose, row.purpose),
        learner_id=row.learner_id,
        sign_in_name=account.sign_in_name if account else "",
    )


def recover(
    session: Session,
    token: str,
    password: NewPassword,
    now: datetime,
) -> UUID:
    """Use a recovery link: set the password and end every session; return whose account it is.

    Whoever has a second factor still gives it: a link replaces a password and no more.

    Raises
    ------
    LinkSpent : it opens nothing (any more).
    """
    link = _spend(session, token, "recovery", now)
    assert link.learner_id is not None
    accounts.set_password(session, link.learner_id, password, None, now)
    audit.add(session, "recovered", now, actor_id=link.learner_id, subject_id=link.learner_id)
    return link.learner_id


def become_administrator(
    session: Session, token: str, learner: Learner, credentials: Credentials | None, now: datetime
) -> None:
    """Use the administrator's link, for an account or for a guest who makes one with it.

    Raises
    ------
    LinkSpent : it opens nothing (any more).
    NotAllowed : the learner has no account and gave no credentials for one.
    """
    _spend(session, token, "administrator", now)
    if credentials is not None:
        accounts.make_account(session, learner, credentials, now, administrator=True)
    else:
        row = rows.get(session, learner.id)
        if row is None:
            raise NotAllowed("An administrator needs an account: choose a name and a password.")
        row.administrator = True
        session.flush()
    audit.add(session, "administrator", now, actor_id=learner.id, subject_id=learner.id)


def forget_expired(session: Session, now: datetime) -> None:
    """Delete the links that have run out."""
    one_time_links.remove_expired(session, now)


def _spend(session: Session, token: str, purpose: Purpose, now: datetime) -> OneTimeLink:
    link = opened(session, token, now)
    if link.purpose != purpose:
        raise Conflict("This link is for something else: open it again.")
    if not one_time_links.spend(session, hash_of(token)):
        raise LinkSpent("This link has just been used.")
    return link
