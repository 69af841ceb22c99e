"""Eyes with their vessels grown and laid out, for the tests of both."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from server.rendering.anatomy import Anatomy, draw_anatomy
from server.rendering.eye import Eye, View
from server.rendering.frame import Frame
from server.rendering.vessels import (
    NO_CHANGES,
    Vasculature,
    VesselChanges,
    VesselMaps,
    grow,
    lay_out,
    visible_masks,
)

POSTERIOR = View(45.0, (-7.0, 0.0), 565)
"""A 45-degree field at the sampling of the public vessel sets (565 pixels)."""

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Case:
    eye: Eye
    anatomy: Anatomy
    vessels: Vasculature
    maps: VesselMaps
    field: Mask

    @cached_property
    def masks(self) -> dict[str, Mask]:
        return visible_masks(self.maps)

    @property
    def traced(self) -> Mask:
        """What a person tracing every vessel would mark."""
        return (self.masks["arterioles"] | self.masks["venules"]) & self.field


def grown_case(seed: int, view: View = POSTERIOR, changes: VesselChanges = NO_CHANGES) -> Case:
    eye = Eye(seed=seed, age=20.0 + (seed * 7) % 60)
    anatomy = draw_anatomy(eye)
    frame = Frame.of(view)
    vessels = grow(eye, anatomy)
    x, y = view.centre_deg
    field = np.hypot(frame.x - x, frame.y - y) < view.field_deg / 2
    return Case(eye, anatomy, vessels, lay_out(vessels, changes, frame), field)
