"""Sign-in names: what may be one, and when two are the same."""

from __future__ import annotations

import re
import unicodedata

from server.errors import BadInput

SHORTEST = 3
LONGEST = 40

_ALLOWED = re.compile(r"[\w.-]+")


def tidy_name(name: str) -> str:
    """Return a sign-in name as it is kept.

    An e-mail address is refused: no more is known of a learner than need be.

    Raises
    ------
    BadInput : with what a name may consist of.
    """
    tidy = unicodedata.normalize("NFKC", name).strip()
    if "@" in tidy:
        raise BadInput("A sign-in name is not an e-mail address: any name of your own will do.")
    if not SHORTEST <= len(tidy) <= LONGEST or not _ALLOWED.fullmatch(tidy):
        raise BadInput(
            f"A sign-in name has {SHORTEST} to {LONGEST} letters, digits, dots, dashes or "
            "underscores, and no spaces."
        )
    return tidy


def key_of(name: str) -> str:
    """Return what two sign-in names have in common when they count as the same."""
    return unicodedata.normalize("NFKC", name).strip().casefold()[:120]
