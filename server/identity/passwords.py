"""Passwords: what may be one, and how one is kept.

Lengths, the absence of composition rules, normalisation and the blocklist follow
NIST SP 800-63B-4 (2025), section 3.1.1 (value from memory): at least 15 characters
where a password is the only factor, at least 64 allowed, spaces and any script
welcome, no change without a reason. Hashing is argon2id (RFC 9106, second
recommended choice of parameters, the library's default).
"""

from __future__ import annotations

import threading
import unicodedata
from collections.abc import Sequence
from functools import lru_cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from zxcvbn import zxcvbn

from server.errors import BadInput

SHORTEST = 15
LONGEST = 256
"""Characters; well above the 64 that must be allowed, and cheap to hash."""

SITE_WORDS = (
    "fundus", "rounds", "fundusrounds", "retina", "macula", "optic", "disc", "ophthalmoscope",
    "ophthalmology", "learner", "lead", "cohort", "administrator", "admin", "password",
)  # fmt: skip
"""Words that somebody guessing at this site would try first."""

FEWEST_GUESSES = 1e10
"""What a guesser who knows common passwords, words, names, keyboard runs and dates must need
(Wheeler 2016); it stands in for a list of common passwords, few of which are long enough."""

JUDGED = 100
"""Characters that are judged: the time grows with the square of their number."""

_AT_ONCE = threading.BoundedSemaphore(2)
"""Each hash takes 64 MiB; a crowd at the door must not take them all together."""

_hasher = PasswordHasher()


def check_new(password: str, names: Sequence[str] = ()) -> None:
    """Refuse a password that is too short, too long, or among the first a guesser would try.

    Parameters
    ----------
    names : words that belong to this account, such as its sign-in name.

    Raises
    ------
    BadInput : with what to do instead.
    """
    tidy = _normal(password)
    if len(tidy) < SHORTEST:
        raise BadInput(
            f"A password has at least {SHORTEST} characters. Four words that have nothing to do "
            "with one another are easy to keep in mind."
        )
    if len(tidy) > LONGEST:
        raise BadInput(f"A password has at most {LONGEST} characters.")
    known = [*SITE_WORDS, *(name for name in names if name)]
    if zxcvbn(tidy[:JUDGED], user_inputs=known, max_length=JUDGED)["guesses"] < FEWEST_GUESSES:
        raise BadInput(
            "This password is among the first that a guesser would try: it is common, repeats "
            "itself, or follows a pattern. Take a few unrelated words."
        )


def hash_password(password: str) -> str:
    """Return the argon2id hash to store, with its salt and parameters in it."""
    with _AT_ONCE:
        return _hasher.hash(_normal(password))


def verify(stored: str | None, password: str) -> bool:
    """Whether a password is the one behind a stored hash.

    None stands for an account that does not exist: the same work is done for
    it, so that the time taken tells nothing.
    """
    if len(password) > LONGEST:
        password = ""
    with _AT_ONCE:
        try:
            return _hasher.verify(stored or _nobodys_hash(), _normal(password)) and bool(stored)
        except (VerificationError, InvalidHashError):
            return False


def needs_new_hash(stored: str) -> bool:
    """Whether a hash was made with other parameters than today's."""
    return _hasher.check_needs_rehash(stored)


def _normal(password: str) -> str:
    """Two keyboards may send one and the same character differently; the rest stays as typed."""
    return unicodedata.normalize("NFKC", password)


@lru_cache(maxsize=1)
def _nobodys_hash() -> str:
    return _hasher.hash("nobody's password, of which only this hash was ever kept")
