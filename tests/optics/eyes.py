"""Rendered eyes that several tests of this room look at, small and shared."""

from __future__ import annotations

from functools import lru_cache

from server.optics.regions import Ground, ground
from server.rendering import Eye, Feature, Rendering, View, draw_eye, render
from server.rendering.eye import Side

FIELD_DEG = 60.0
CENTRE_X_DEG = -7.0
"""Canonical; a right eye's picture is its mirror image."""


@lru_cache(maxsize=24)
def wide(
    seed: int, side: Side = "left", kind: str = "", variant: str = "", severity: float = 0.8
) -> Rendering:
    """Render an eye in the wide view, clear and evenly lit."""
    features = (Feature(kind, variant, severity),) if kind else ()
    eye: Eye = draw_eye(seed, side=side, quality=1.0)
    return render(eye, features, View(FIELD_DEG, (CENTRE_X_DEG, 0.0), 480))


def centre(rendering: Rendering) -> tuple[float, float]:
    """Middle of the picture as displayed, degrees from the fovea."""
    x, y = rendering.view.centre_deg
    return (-x if rendering.eye.side == "right" else x), y


def divided(rendering: Rendering) -> Ground:
    """The regions of a rendering."""
    return ground(rendering.masks, rendering.view.field_deg, centre(rendering))
