"""By how many ways somebody can open their account: one must always be left."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import Conflict
from server.storage import accounts, passkeys, provider_identities


@dataclass(frozen=True)
class WaysIn:
    """The ways into one account.

    Parameters
    ----------
    provider : the school's provider vouches for its owner, and is asked on this site.
    """

    password: bool
    passkeys: int
    provider: bool


def ways_in(session: Session, learner_id: UUID, issuer: str) -> WaysIn:
    """Return the ways into an account; ``issuer`` is this site's provider, empty for none."""
    row = accounts.get(session, learner_id)
    return WaysIn(
        password=row is not None and row.password_hash is not None,
        passkeys=len(passkeys.of_learner(session, learner_id)),
        provider=bool(issuer)
        and provider_identities.of_learner(session, learner_id, issuer) is not None,
    )


def check_another_is_left(session: Session, learner_id: UUID, issuer: str, without: str) -> None:
    """Refuse to take the last way into an account away.

    Parameters
    ----------
    without : 'passkey' for one passkey less, 'provider' for none at the school.

    Raises
    ------
    Conflict : nothing else would open the account.
    """
    # Held, so that two ways taken away at once in two windows are not each other's excuse.
    accounts.hold(session, learner_id)
    ways = ways_in(session, learner_id, issuer)
    left = ways.passkeys - (without == "passkey")
    if ways.password or left > 0 or (ways.provider and without != "provider"):
        return
    raise Conflict("This is the only way into your account. Set a password or add a passkey first.")
