"""The shape of a photograph's field: a disc, often cut flat above and below, often with a tab.

The tab is the mask's mark by which the right way up of a film or print is
known; makes of camera cut it square, pointed or round.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from server.rendering.eye import Eye
from server.rendering.frame import Floats
from server.rendering.streams import stream

Tab = Literal["", "square", "pointed", "round"]


@dataclass(frozen=True)
class FieldShape:
    """Outline of the field, in field radii.

    Parameters
    ----------
    flat : height at which the disc is cut above and below; 1 or more leaves it whole.
    tab : form of the tab outside the disc, empty for none.
    tab_angle : where it sits, radians (0 right, clockwise).
    """

    flat: float = 2.0
    tab: Tab = ""
    tab_angle: float = -math.pi / 4

    @classmethod
    def of(cls, eye: Eye) -> FieldShape:
        """Return the shape that an eye's camera cuts."""
        rng = stream(eye.seed, "field shape")
        cut, height, kind, corner = rng.random(4)
        tabs: tuple[Tab, ...] = ("square", "pointed", "round", "", "", "")
        return cls(
            flat=float(0.84 + 0.06 * height) if cut < 0.35 else 2.0,
            tab=tabs[int(kind * len(tabs))],
            tab_angle=float(-math.pi / 4 + (corner - 0.5) * 0.12),
        )


@lru_cache(maxsize=16)
def field_cover(shape: FieldShape, size: int) -> Floats:
    """Return how much of each pixel lies in the field, 0 to 1, shape (size, size)."""
    radius = 0.496 * size
    at = np.arange(size, dtype=np.float32) + 0.5 - 0.5 * size
    x, y = at[None, :], at[:, None]
    inside = np.float32(radius) - np.sqrt(x * x + y * y)
    if shape.tab:
        cos, sin = math.cos(shape.tab_angle), math.sin(shape.tab_angle)
        along = (x * cos + y * sin) / radius
        across = np.abs(-x * sin + y * cos) / radius
        if shape.tab == "square":
            tab = np.minimum(1.052 - along, 0.042 - across)
        elif shape.tab == "pointed":
            tab = 0.7 * (1.065 - along - across * 1.1)
            tab = np.minimum(tab, 0.085 - across)
        else:
            tab = 0.034 - np.hypot(along - 1.0, across)
        tab = np.where(along > 0.9, tab, -1.0)
        inside = np.maximum(inside, tab.astype(np.float32) * np.float32(radius))
    if shape.flat < 1.0:
        inside = np.minimum(inside, np.float32(shape.flat * radius) - np.abs(y))
    # An edge a pixel and a half wide: the mask lies near the sensor, not on it.
    cover: Floats = np.clip(inside / np.float32(1.6) + 0.5, 0, 1).astype(np.float32)
    cover.setflags(write=False)
    return cover
