"""Short codes that join a cohort: typed from a blackboard, or read off a QR picture."""

from __future__ import annotations

import secrets

from sqlalchemy.orm import Session

from server.storage import cohorts as rows

ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""No 0, 1, I, L, O and U: what could be misread, and one vowel fewer to spell words with."""

LENGTH = 8
"""30 to the 8th are 6.6e11 codes; one opens nothing but the way into a cohort."""


def new_code(session: Session) -> str:
    """Return a code that joins nothing yet."""
    while True:
        code = "".join(secrets.choice(ALPHABET) for _ in range(LENGTH))
        if rows.code_is_free(session, code):
            return code


def tidy_code(typed: str) -> str:
    """Return a code as it is stored, whatever the case, spaces and dashes it was typed with."""
    return "".join(sign for sign in typed.upper() if sign.isalnum())[:16]


def shown_code(code: str) -> str:
    """Return a code as it is easily read out: in two halves."""
    return f"{code[: LENGTH // 2]}-{code[LENGTH // 2 :]}"
