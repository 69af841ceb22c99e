"""A gallery picture on its way from the process that drew it to the database.

This module loads no database library: drawing processes import it too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class PreparedPlate:
    """A drawn picture whose files are on disk, as plain values."""

    number: str
    picture: str
    twin: str
    bytes: int
    truth: dict[str, Any]
    outlines: dict[str, Any]
    facts: dict[str, Any]
