"""Sessions: one per browser, listed, and ended when their owner says so.

A guest's session is the only way to that guest's practice. When somebody signs
in where a guest has practised, the session therefore remembers the guest, and
becomes the guest's again when it ends: the two histories stay apart, and
neither is lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import NotFound
from server.identity.tokens import hash_of, new_token
from server.storage import accounts, web_sessions
from server.storage import learners as learner_rows

CONFIRMED_FOR = timedelta(minutes=15)
"""How long a password or passkey vouches for changes to the account itself (our choice)."""

ID_LENGTH = 16
"""Hexadecimal digits of a session's hash by which its owner names it."""


@dataclass(frozen=True)
class OpenSession:
    """One of a learner's open sessions, as they see it."""

    id: str
    device: str
    created_at: datetime
    used_at: datetime
    is_this: bool


@dataclass(frozen=True)
class WaitingGuest:
    """The guest whose practice waits in this browser."""

    id: UUID
    answers: int
    since: datetime


def sign_in(
    session: Session,
    learner_id: UUID,
    now: datetime,
    *,
    device: str | None,
    replaced: str | None,
    shown_at: datetime | None = None,
    by_two: bool = False,
) -> str:
    """Begin a session for somebody who has shown who they are; return its token.

    The session that the browser had before ends, so that a token planted there
    opens nothing; a guest's practice stays with the browser.

    Parameters
    ----------
    shown_at : when they showed who they are, if that was elsewhere and earlier; None: now.
    by_two : they did so by two factors.
    """
    guest_id = None
    before = web_sessions.get(session, hash_of(replaced)) if replaced else None
    if before is not None:
        had_account = accounts.get(session, before.learner_id) is not None
        guest_id = before.guest_id if had_account else before.learner_id
        session.delete(before)
        session.flush()
    token = new_token()
    web_sessions.add(
        session,
        hash_of(token),
        learner_id,
        now,
        device=device,
        confirmed_at=shown_at or now,
        guest_id=None if guest_id == learner_id else guest_id,
        by_two=by_two,
    )
    learner_rows.note_seen(session, learner_id, now)
    return token


def renew(
    session: Session,
    token: str,
    now: datetime,
    shown_at: datetime | None = None,
    *,
    by_two: bool = False,
) -> str:
    """Exchange a session's token after its owner has shown who they are (again), now or then.

    What a session has been opened by it stays; ``by_two`` adds the second factor to it.
    """
    row = web_sessions.get(session, hash_of(token))
    if row is None:
        raise NotFound("Your session on this device has ended. Start again from the first page.")
    fresh = new_token()
    kept = (row.learner_id, row.device, row.guest_id, row.by_two or by_two)
    session.delete(row)
    session.flush()
    learner_id, device, guest_id, both = kept
    web_sessions.add(
        session,
        hash_of(fresh),
        learner_id,
        now,
        device=device,
        confirmed_at=shown_at or now,
        guest_id=guest_id,
        by_two=both,
    )
    return fresh


def is_confirmed(session: Session, token: str, now: datetime) -> bool:
    """Whether password or passkey was given in this session a moment ago."""
    row = web_sessions.get(session, hash_of(token))
    if row is None or row.confirmed_at is None:
        return False
    return now - row.confirmed_at <= CONFIRMED_FOR


def is_by_two(session: Session, token: str) -> bool:
    """Whether this session was opened by two factors."""
    row = web_sessions.get(session, hash_of(token))
    return row is not None and row.by_two


def open_sessions(session: Session, learner_id: UUID, token: str) -> list[OpenSession]:
    """Return a learner's sessions; ``token`` tells which of them is asking."""
    this = hash_of(token)
    return [
        OpenSession(
            id=row.token_hash[:ID_LENGTH],
            device=row.device or "A browser",
            created_at=row.created_at,
            used_at=row.used_at,
            is_this=row.token_hash == this,
        )
        for row in web_sessions.of_learner(session, learner_id)
    ]


def waiting_guest(session: Session, token: str) -> WaitingGuest | None:
    """Return the guest whose practice waits beneath this session, if there is any practice."""
    row = web_sessions.get(session, hash_of(token))
    guest = learner_rows.get(session, row.guest_id) if row and row.guest_id else None
    if guest is None or not guest.answers:
        return None
    return WaitingGuest(guest.id, guest.answers, guest.created_at)


def practised(session: Session, learner_id: UUID) -> int:
    """Return how many answers a learner has given."""
    row = learner_rows.get(session, learner_id)
    return row.answers if row is not None else 0


def sign_out(session: Session, token: str, now: datetime) -> str | None:
    """End this session; return a token for the guest who had the browser before, if any."""
    row = web_sessions.get(session, hash_of(token))
    if row is None:
        return None
    guest_id, device = row.guest_id, row.device
    session.delete(row)
    session.flush()
    if guest_id is None:
        return None
    fresh = new_token()
    web_sessions.add(session, hash_of(fresh), guest_id, now, device=device)
    return fresh


def end_one(session: Session, learner_id: UUID, session_id: str) -> None:
    """End one of a learner's sessions.

    Raises
    ------
    NotFound : it is not one of theirs, or has ended already.
    """
    for row in web_sessions.of_learner(session, learner_id):
        if row.token_hash[:ID_LENGTH] == session_id:
            web_sessions.end(session, learner_id, only=row.token_hash)
            return
    raise NotFound("This session has ended already.")


def end_others(session: Session, learner_id: UUID, token: str) -> None:
    """End every session of a learner but this one."""
    web_sessions.end(session, learner_id, but=hash_of(token))


def end_all(session: Session, learner_id: UUID) -> None:
    """End every session of a learner."""
    web_sessions.end(session, learner_id)


def end_old(session: Session, now: datetime, *, session_days: int, sign_in_days: int) -> None:
    """Tidy away the sessions that have ended for want of use or of a fresh sign-in."""
    web_sessions.end_signed_in_before(session, now - timedelta(days=sign_in_days))
    web_sessions.remove_unused_since(session, now - timedelta(days=session_days))
