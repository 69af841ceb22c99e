"""Other people's accounts, as a lead or an administrator may see them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from sqlalchemy.orm import Session

from server.identity.names import key_of
from server.services.accounts.roles import Role, role_of
from server.storage import accounts as rows
from server.storage.accounts import Person

SHOWN = 50


@dataclass(frozen=True)
class Found:
    """Accounts whose names begin as asked."""

    people: Sequence[Person]
    helpable: frozenset[UUID]
    """Those to whom the asker may give a one-time link."""
    more: bool
    """True when there are more than are shown."""


def find(session: Session, asker_id: UUID, beginning: str) -> Found:
    """Return accounts by the beginning of their names: a lead's own learners, or everybody."""
    role = role_of(session, asker_id)
    lead_id = None if role is Role.ADMINISTRATOR else asker_id
    people = rows.people(session, beginning=key_of(beginning), lead_id=lead_id, limit=SHOWN + 1)
    shown = people[:SHOWN]
    # As `may_help` says of each, without asking the database of each.
    helpable = frozenset(
        one.learner_id
        for one in shown
        if role is Role.ADMINISTRATOR or not (one.administrator or one.lead or one.leads)
    )
    return Found(shown, helpable, len(people) > SHOWN)
