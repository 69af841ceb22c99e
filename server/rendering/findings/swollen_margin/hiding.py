"""Major vessels sinking into the swelling: which stretch, from when, and what remains visible.

Visibility of a stretch is its contrast against the tissue beside it over the contrast it
would have with nothing in front. The veil is painted as a blend of the picture with the same
picture without vessels, so that its share *is* the contrast lost, at any size of picture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from server.rendering.findings.swollen_margin.courses import Course
from server.rendering.findings.swollen_margin.halo import Halo
from server.rendering.findings.swollen_margin.stages import Signs
from server.rendering.findings.swollen_margin.veils import Veils
from server.rendering.frame import Floats
from server.rendering.scene import Scene

HIDDEN_BELOW = 0.30
"""Visibility under which a stretch of vessel counts as hidden (Frisén: 'obscured')."""
SEGMENT_DEG = 0.30
"""Shortest stretch that counts, degrees: about the width of a vein at the margin."""


def signs(scene: Scene, halo: Halo, veils: Veils, courses: list[Course]) -> Signs:
    """Read the signs that make the stage from what is painted over the vessels."""
    leaving = on_disc = either = 0
    for course in courses:
        visible = 1 - veils.over(course.x, course.y)
        level = halo.level(course.x, course.y)
        on = _has_segment(course, (visible < HIDDEN_BELOW) & (level < 1.0))
        off = _has_segment(course, (visible < HIDDEN_BELOW) & (level >= 1.0))
        leaving, on_disc, either = leaving + off, on_disc + on, either + (on or off)
    return Signs(halo.arc_deg(), len(courses), leaving, on_disc, either)


def _has_segment(course: Course, hidden: NDArray[np.bool_]) -> bool:
    """Whether a run of hidden points is long enough to count."""
    steps = np.hypot(np.diff(course.x), np.diff(course.y))
    run = 0.0
    for here, before, step in zip(hidden[1:], hidden[:-1], steps, strict=True):
        run = run + float(step) if here and before else 0.0
        if run >= SEGMENT_DEG:
            return True
    return False


def paint_over_vessels(scene: Scene, veils: Veils, opacity: Floats, without: Floats) -> None:
    """Let the veil hide the vessels.

    Parameters
    ----------
    opacity : of the halo, over its crop.
    without : that crop of the picture as it was before the vessels were drawn.
    """
    crop = veils.halo.crop(scene)
    xs, ys = scene.frame.degrees(crop)
    lost = veils.over(xs, ys, opacity)
    light = scene.linear[crop.slices]
    light += lost[..., None] * (without - light)
    for name in ("arterioles", "venules"):
        scene.masks[name][crop.slices] &= lost < 1 - HIDDEN_BELOW
