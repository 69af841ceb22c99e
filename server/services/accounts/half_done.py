"""Sign-ins that are half done: each waits in the browser it was begun in, and in no other."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

from sqlalchemy.orm import Session

from server.identity.tokens import hash_of
from server.storage import provider_identities as rows
from server.storage.models import PendingSignInRow

LONGEST = timedelta(minutes=30)
"""No sign-in waits longer, whatever for."""


def key_of(browser: str, what: str) -> str:
    """Return the hash under which a sign-in waits.

    Parameters
    ----------
    browser : the secret in the browser's own cookie.
    what : what it waits for, or the secret of one of several attempts.
    """
    return hash_of(f"pending {what} {browser}")


def leave(
    session: Session,
    key: str,
    purpose: str,
    now: datetime,
    *,
    learner_id: UUID | None = None,
    subject: str | None = None,
    shown_at: datetime | None = None,
    then: str = "/",
) -> None:
    """Leave a sign-in half done; an older one under the same key is void."""
    forget_old(session, now)
    rows.leave_pending(
        session,
        PendingSignInRow(
            key_hash=key,
            purpose=purpose,
            learner_id=learner_id,
            subject=subject,
            shown_at=shown_at,
            then=then,
            created_at=now,
        ),
    )


def forget_old(session: Session, now: datetime) -> None:
    """Delete the sign-ins that nobody can take up any more."""
    rows.forget_pending_before(session, now - LONGEST)
