"""The time, as a value that is passed in, so that tests can move it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """Return the present moment as an aware UTC datetime."""
    return datetime.now(UTC)
