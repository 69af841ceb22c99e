"""Handing memory back to the system between pictures."""

from __future__ import annotations

import ctypes
from functools import lru_cache
from typing import Any


def hand_back_memory() -> None:
    """Give the system what was freed but is still held, where the C library can (glibc).

    It keeps freed arrays for the next ones, in pieces that do not fit: after a few
    large pictures a drawing process would hold a third more than it uses.
    """
    trim = _trim()
    if trim is not None:
        trim(0)


@lru_cache(maxsize=1)
def _trim() -> Any:
    try:
        return ctypes.CDLL(None).malloc_trim
    except (OSError, TypeError, AttributeError):  # Windows, macOS, musl
        return None
