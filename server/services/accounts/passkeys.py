"""Making, using and removing a learner's passkeys."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.identity import passkeys as protocol
from server.identity.passkeys import Party
from server.services.accounts.account import Account
from server.services.accounts.ways_in import check_another_is_left
from server.storage import passkeys as rows
from server.storage.models import PasskeyRow

Purpose = Literal["make", "sign-in", "confirm"]

ANSWER_WITHIN = timedelta(minutes=5)
"""Web Authentication level 3 recommends 5 to 10 minutes where the owner is verified (memory)."""

MOST = 20
"""Passkeys of one account."""


@dataclass(frozen=True)
class Passkey:
    """One of a learner's passkeys."""

    id: str
    name: str
    created_at: datetime
    used_at: datetime | None


def passkeys_of(session: Session, learner_id: UUID) -> list[Passkey]:
    """Return a learner's passkeys, oldest first."""
    return [
        Passkey(row.credential_id, row.name, row.created_at, row.used_at)
        for row in rows.of_learner(session, learner_id)
    ]


def begin_making(session: Session, account: Account, party: Party, now: datetime) -> dict[str, Any]:
    """Return what the browser is asked to make a passkey with.

    Raises
    ------
    Conflict : the account has enough of them.
    """
    known = [row.credential_id for row in rows.of_learner(session, account.learner_id)]
    if len(known) >= MOST:
        raise Conflict(f"An account has at most {MOST} passkeys: remove one first.")
    options, challenge = protocol.options_to_make(
        party, account.learner_id, account.sign_in_name, known
    )
    _hand_out(session, challenge, "make", account.learner_id, now)
    return options


def finish_making(
    session: Session,
    account: Account,
    party: Party,
    credential: Mapping[str, Any],
    now: datetime,
    *,
    device: str,
) -> Passkey:
    """Keep the passkey that the browser has made, under the name of the device it was made on.

    Raises
    ------
    BadInput : it does not answer what was asked.
    Conflict : it is known already.
    """
    challenge = protocol.challenge_in(credential)
    _spend(session, challenge, "make", account.learner_id, now)
    fresh = protocol.made(party, credential, challenge)
    if rows.get(session, fresh.credential_id) is not None:
        raise Conflict("This passkey is in use already.")
    row = PasskeyRow(
        credential_id=fresh.credential_id,
        learner_id=account.learner_id,
        public_key=fresh.public_key,
        sign_count=fresh.sign_count,
        name=device,
        created_at=now,
        used_at=None,
    )
    rows.add(session, row)
    return Passkey(row.credential_id, row.name, row.created_at, None)


def begin_sign_in(
    session: Session, party: Party, now: datetime, purpose: Purpose, learner_id: UUID | None
) -> dict[str, Any]:
    """Return what the browser is asked to sign in (or to confirm itself) with."""
    rows.remove_challenges_before(session, now - ANSWER_WITHIN)
    options, challenge = protocol.options_to_sign_in(party)
    _hand_out(session, challenge, purpose, learner_id, now)
    return options


def finish_sign_in(
    session: Session,
    party: Party,
    credential: Mapping[str, Any],
    now: datetime,
    purpose: Purpose,
    learner_id: UUID | None,
) -> UUID:
    """Return whose passkey has answered.

    Parameters
    ----------
    learner_id : who must have answered; None for a sign-in, where the passkey says who it is.

    Raises
    ------
    BadInput : nobody's, or wrong; the message is the same.
    """
    challenge = protocol.challenge_in(credential)
    _spend(session, challenge, purpose, learner_id, now)
    row = rows.get(session, protocol.credential_id_in(credential))
    if row is None or (learner_id is not None and row.learner_id != learner_id):
        raise BadInput(protocol.NOT_RIGHT)
    row.sign_count = protocol.signed_in(
        party,
        credential,
        challenge,
        public_key=row.public_key,
        sign_count=row.sign_count,
    )
    row.used_at = now
    session.flush()
    return row.learner_id


def remove_passkey(session: Session, learner_id: UUID, credential_id: str, issuer: str) -> None:
    """Forget one of a learner's passkeys.

    Parameters
    ----------
    issuer : this site's provider, which may open the account too; empty for none.

    Raises
    ------
    NotFound : it is not one of theirs.
    Conflict : nothing else opens the account.
    """
    check_another_is_left(session, learner_id, issuer, without="passkey")
    if not rows.remove(session, learner_id, credential_id):
        raise NotFound("This passkey has been removed already.")


def _hand_out(
    session: Session, challenge: bytes, purpose: Purpose, learner_id: UUID | None, now: datetime
) -> None:
    rows.add_challenge(session, hashlib.sha256(challenge).hexdigest(), purpose, learner_id, now)


def _spend(
    session: Session, challenge: bytes, purpose: Purpose, learner_id: UUID | None, now: datetime
) -> None:
    digest = hashlib.sha256(challenge).hexdigest()
    if not rows.spend_challenge(session, digest, purpose, learner_id, now - ANSWER_WITHIN):
        raise BadInput("That took too long, or was sent twice. Try again.")
