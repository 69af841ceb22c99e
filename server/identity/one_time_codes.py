"""Codes of an authenticator app (TOTP, RFC 6238), and recovery codes for the day it is lost.

TOTP as every such app has it: HMAC-SHA-1, six digits, a new code every 30 seconds.
"""

from __future__ import annotations

import base64
import secrets
from datetime import datetime

import pyotp
from pyotp.exceptions import OTPVerificationError

from server.identity.tokens import hash_of

SITE_NAME = "Fundus Rounds"

SECRET_LENGTH = 32
"""Base 32 characters: 160 bits, as RFC 4226 (section 4, R6) recommends."""

STEPS_FORGIVEN = 1
"""Codes before and after the one of now that are taken too (RFC 6238, 5.2: one for the line)."""

RECOVERY_CODES = 8
RECOVERY_BYTES = 15
"""120 random bits: so many that a plain hash of it is safe to store (ASVS 6.5.2: 112)."""


def new_secret() -> str:
    """Return a secret for an authenticator app, in base 32."""
    return pyotp.random_base32(SECRET_LENGTH)


def is_secret(text: str) -> bool:
    """Whether a text can be a secret of ours."""
    return len(text) == SECRET_LENGTH and not set(text) - set("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567")


def address_of(secret: str, sign_in_name: str) -> str:
    """Return the otpauth address that an authenticator app reads off a QR picture."""
    return pyotp.TOTP(secret).provisioning_uri(name=sign_in_name, issuer_name=SITE_NAME)


def step_of(secret: str, code: str, now: datetime) -> int | None:
    """Return the 30-second step that a code is of, or None for a code that is not right now."""
    try:
        return pyotp.TOTP(secret).verify_and_get_timecode(
            "".join(code.split()), for_time=now, valid_window=STEPS_FORGIVEN
        )
    except OTPVerificationError:
        return None


def new_recovery_codes() -> tuple[str, ...]:
    """Return fresh recovery codes, in groups of four letters and digits."""
    made = []
    for _ in range(RECOVERY_CODES):
        plain = base64.b32encode(secrets.token_bytes(RECOVERY_BYTES)).decode().lower()
        made.append("-".join(plain[at : at + 4] for at in range(0, len(plain), 4)))
    return tuple(made)


def recovery_hash(code: str) -> str:
    """Return the hash under which a recovery code is stored, however it is typed."""
    return hash_of("recovery " + "".join(one for one in code.lower() if one.isalnum()))
