"""What a learner is called in a cohort's files: the same in all of them, and nowhere else."""

from __future__ import annotations

import hmac
import secrets
from uuid import UUID

from sqlalchemy.orm import Session

from server.services.cohorts.cohort import held

PSEUDONYM_BYTES = 10
"""80 bits: two of a million learners get the same one less often than once in a trillion times."""


def key_of(session: Session, cohort_id: UUID) -> bytes:
    """Return the secret that a cohort's pseudonyms are made with; the first time, make it."""
    row = held(session, cohort_id)
    if row.pseudonym_secret is None:
        row.pseudonym_secret = secrets.token_hex(32)
        session.flush()
    return bytes.fromhex(row.pseudonym_secret)


def pseudonym(key: bytes, learner_id: UUID) -> str:
    """Return what a learner is called: HMAC-SHA-256 (RFC 2104) of their id, cut short.

    Whoever knows the id, as a cohort's leads do, cannot work it out without the key.
    """
    return hmac.digest(key, learner_id.bytes, "sha256")[:PSEUDONYM_BYTES].hex()
