"""What a learner may ask of their own data: all of it, and none of it left."""

from __future__ import annotations

import base64
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import NotFound
from server.services import sessions
from server.services.reading import load_safety
from server.storage import belongings

FORMAT = 1
"""Raised when the export's outer shape changes; tables and columns may be added at any time."""

FORGOTTEN_AT_ONCE = 20
"""Guests deleted in one transaction, so that no answer waits long for it."""


def export(session: Session, learner_id: UUID, now: datetime) -> dict[str, Any]:
    """Return everything that is held of a learner, as plain values for JSON.

    Moments are ISO 8601 in UTC, days are the learner's own, ids are UUIDs, keys
    of passkeys are base64. Secrets (hashes of passwords and tokens) are named
    but left out.
    """
    return {
        "format": FORMAT,
        "made_at": now.isoformat(),
        "learner": str(learner_id),
        "for_education_only": load_safety().export,
        "tables": {
            held.table: {
                "about": held.about,
                "withheld": list(held.withheld),
                "rows": [_plain(row) for row in held.rows],
            }
            for held in belongings.holdings(session, learner_id)
        },
    }


def delete(session: Session, learner_id: UUID) -> None:
    """Delete a learner and everything of theirs, at once.

    Browsers in which a guest practised before them are the guest's again.

    Raises
    ------
    NotFound : there is no such learner (any more).
    """
    sessions.end_all(session, learner_id)
    if not belongings.remove(session, learner_id):
        raise NotFound("This practice has been deleted already.")


def forget_unused_guests(session: Session, now: datetime, guest_days: int) -> int:
    """Delete some of the guests that nobody used for so many days; return how many.

    Zero means that none is left to delete.
    """
    moment = now - timedelta(days=guest_days)
    found = belongings.unused_guests(session, moment, FORGOTTEN_AT_ONCE)
    for guest_id in found:
        belongings.remove(session, guest_id)
    return len(found)


def forget_unused_accounts(session: Session, now: datetime, account_days: int) -> int:
    """Delete some of the accounts that nobody used for so many days; return how many.

    0 days keep them all. Leads and administrators are never deleted so.
    """
    if not account_days:
        return 0
    moment = now - timedelta(days=account_days)
    found = belongings.unused_accounts(session, moment, FORGOTTEN_AT_ONCE)
    for learner_id in found:
        belongings.remove(session, learner_id)
    return len(found)


def _plain(value: Any) -> Any:
    """Return a value as JSON can say it."""
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, bytes):
        return base64.b64encode(value).decode()
    return str(value) if isinstance(value, UUID) else value
