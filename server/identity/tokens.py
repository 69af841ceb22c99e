"""Random tokens, of which only the hash is ever stored."""

from __future__ import annotations

import hashlib
import re
import secrets

TOKEN_BYTES = 32
"""256 random bits: beyond guessing, so a plain hash of it is safe to store."""

TOKEN = re.compile(r"[A-Za-z0-9_-]{43}")
"""What a token looks like: those bits in base 64, as they can stand in an address."""


def new_token() -> str:
    """Return a token fit for a cookie or an address."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def hash_of(token: str) -> str:
    """Return the hash under which a token is stored, in hexadecimal."""
    return hashlib.sha256(token.encode()).hexdigest()
