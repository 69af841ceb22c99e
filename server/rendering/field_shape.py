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
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from server.rendering.eye import Eye
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
        rng = stream(eye.person_seed, "field shape")
        cut, height, kind, corner = rng.random(4)
        tabs: tuple[Tab, ...] = ("square", "pointed", "round", "", "", "")
        return cls(
            flat=float(0.84 + 0.06 * height) if cut < 0.35 else 2.0,
            tab=tabs[int(kind * len(tabs))],
            tab_angle=float(-math.pi / 4 + (corner - 0.5) * 0.12),
        )


@lru_cache(maxsize=1)
def field_cover(shape: FieldShape, size: int) -> NDArray[np.uint8]:
    """Return how much of each pixel lies in the field, 0 to 255, shape (size, size)."""
    tab = ("", "square", "pointed", "round").index(shape.tab)
    cover = np.empty((size, size), np.uint8)
    _cut(cover, shape.flat, tab, math.cos(shape.tab_angle), math.sin(shape.tab_angle))
    cover.setflags(write=False)
    return cover


def field_bounds(cover: NDArray[np.uint8], beyond: int) -> NDArray[np.int64]:
    """Return the first column of each row of the field and the one after its last, (rows, 2).

    ``beyond`` widens the field by so many pixels; a row outside it has none: (size, 0).
    """
    seen = cover > 0
    size = cover.shape[1]
    some = seen.any(axis=1)
    first = np.where(some, seen.argmax(axis=1), size)
    last = np.where(some, size - seen[:, ::-1].argmax(axis=1), 0)
    wide_first = minimum_filter1d(first, 2 * beyond + 1) - beyond
    wide_last = maximum_filter1d(last, 2 * beyond + 1) + beyond
    return np.stack([np.maximum(wide_first, 0), np.minimum(wide_last, size)], axis=1)


@njit(cache=True, fastmath=True)
def _cut(cover: NDArray[np.uint8], flat: float, tab: int, cos: float, sin: float) -> None:
    """Write the cover of a field; distances to its edge in field radii, then in pixels."""
    size = cover.shape[0]
    radius = 0.496 * size
    for i in range(size):
        y = (i + 0.5 - 0.5 * size) / radius
        for j in range(size):
            x = (j + 0.5 - 0.5 * size) / radius
            inside = 1.0 - math.sqrt(x * x + y * y)
            along = x * cos + y * sin
            if tab > 0 and along > 0.9:
                across = abs(-x * sin + y * cos)
                if tab == 1:
                    reach = min(1.052 - along, 0.042 - across)
                elif tab == 2:
                    reach = min(0.7 * (1.065 - along - 1.1 * across), 0.085 - across)
                else:
                    reach = 0.034 - math.sqrt((along - 1.0) ** 2 + across * across)
                inside = max(inside, reach)
            inside = min(inside, flat - abs(y))
            # An edge a pixel and a half wide: the mask lies near the sensor, not on it.
            share = min(max(inside * radius / 1.6 + 0.5, 0.0), 1.0)
            cover[i, j] = np.uint8(255.0 * share + 0.5)
