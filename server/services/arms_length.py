"""The step before the fundus: the eye from an arm's length, with its red reflex, and coming in.

Both the demonstration and the looks of a round begin here. Nothing is recorded of it: what is
followed begins when the fundus is in view.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy import ndimage

from server.optics.light import brightness
from server.optics.red_reflex import Opacity, abolished, pupil_shift_mm, reflex
from server.optics.run_lengths import runs

FROM_TEMPORAL_DEG = 15.0
"""The line that leads from the temporal side to the disc (common practice, no source)."""

HALF_EYE_MM = 15.0
"""From the pupil to the edge of the first picture. Life-size it would be three times as wide;
drawn so that a shadow in the pupil can be seen on a phone (own judgement)."""

REFLEX_PX = 32

DULL_BELOW = 0.75
"""Where the darkest of the reflex is below this share of the full one it is called dull (own
judgement)."""


def opacities(haze: float) -> tuple[Opacity, ...]:
    """Return the clouding that makes a haze: of the lens's nucleus, as dense as the haze.

    It veils the whole pupil, as the view of the fundus is veiled.

    Parameters
    ----------
    haze : of the media, 0 to 1.
    """
    return (Opacity("nuclear-cataract", haze),) if haze > 0.0 else ()


def pupil_view(
    pupil_mm: float, haze: float, pigmentation: float, *, nose_on_right: bool
) -> dict[str, Any]:
    """Return what the page's own drawing of the first step needs, as plain values.

    Parameters
    ----------
    nose_on_right : as the examiner sees it: of a right eye.

    Returns
    -------
    dict : half-width of the picture and pupil in mm; how far the pupil stands from the middle
        of the lids, mm to the right; brightness; and the reflex in the square around the
        pupil, 0 to 255, in run lengths. Outside the pupil stands what is nearest in it.
    """
    light = reflex(pupil_mm, opacities(haze), size=REFLEX_PX)
    outside = np.isnan(light)
    nearest = ndimage.distance_transform_edt(outside, return_distances=False, return_indices=True)
    whole = light[tuple(nearest)]
    shift = pupil_shift_mm(FROM_TEMPORAL_DEG)
    return {
        "half": HALF_EYE_MM,
        "pupil": pupil_mm,
        "shift": round(shift if nose_on_right else -shift, 2),
        "narrow": round(math.cos(math.radians(FROM_TEMPORAL_DEG)), 3),
        "level": round(min(brightness(pupil_mm, pigmentation), 1.2), 3),
        "size": REFLEX_PX,
        "light": runs(np.rint(255 * whole).astype(np.int32)),
    }


def in_words(pupil_mm: float, haze: float) -> str:
    """Say what the reflex looks like, for those who do not see it drawn."""
    clouding = opacities(haze)
    if abolished(pupil_mm, clouding):
        return "At arm's length no red reflex is seen: the media are too dense."
    if np.nanmin(reflex(pupil_mm, clouding)) < DULL_BELOW:
        return "At arm's length the red reflex is dull, darkest in the middle: the media are hazy."
    return "At arm's length the red reflex is even and bright: the media are clear."
