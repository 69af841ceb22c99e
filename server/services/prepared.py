"""A prepared eye on its way from the process that drew it to the stock.

This module loads no database library: drawing processes import it too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class WideEye:
    """The same eye drawn wide for the bedside view, its pictures on disk."""

    size_px: int
    picture: str
    twin: str
    bytes: int
    truth: dict[str, Any]
    outlines: dict[str, Any]
    cells: dict[str, Any]


@dataclass(frozen=True)
class PreparedEye:
    """A drawn eye whose pictures are on disk: everything its row keeps, as plain values."""

    seed: int
    renderer_version: int
    side: str
    field_deg: float
    size_px: int
    picture: str
    twin: str
    bytes: int
    abnormal: bool
    anatomy: dict[str, Any]
    features: list[dict[str, Any]]
    truth: dict[str, Any]
    outlines: dict[str, Any]
    facts: dict[str, Any]
    wide: WideEye | None = None
