"""How bright the view is, and the reflection of the lamp on the cornea that spoils it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from server.errors import BadInput
from server.optics.reduced_eye import RELAXED, Examiner, vergence_factor

CORNEA_RADIUS_MM = 7.8
"""Radius of the cornea's front (schematic eye; value from memory)."""

CENTRE_TO_PUPIL_MM = 4.884
"""From the cornea's centre of curvature forward to the entrance pupil (Barry and Backes
1997, ten subjects)."""

LAMP_OFFSET_MM = 2.5
"""How far below the line of sight the lamp's light leaves the instrument (value from memory)."""

LAMP_SPOT_MM = 2.0
"""Width of that light as it leaves (value from memory)."""

_BEAM_MM = 2.0
"""Width of the lamp's beam at the patient's pupil (value from memory)."""

_SPREAD = 0.45
"""Standard deviation of the log of the fundus's reflectance between people: the coefficient of
variation is 47 % at 610 nm, the middle of its visible light (Delori and Pflibsen 1989)."""


def pupil_light(pupil_mm: float, examiner: Examiner = RELAXED) -> float:
    """Return the share of the light of a wide pupil that a smaller one leaves, 0 to 1.

    Light is lost twice: of the lamp's beam what falls on the iris, and of the returning beam
    what the pupil no longer lets out to fill the examiner's.
    """
    if not pupil_mm > 0.0:
        raise BadInput(f"a pupil of {pupil_mm} mm lets nothing through")
    going_in = min(pupil_mm / _BEAM_MM, 1.0) ** 2
    coming_out = min(pupil_mm / examiner.pupil_mm, 1.0) ** 2
    return going_in * coming_out


def fundus_light(pigmentation: float) -> float:
    """Return how bright a fundus is beside one of usual pigment: 1 at 0.45, falling with it.

    Photographs hide this, as their exposure follows the fundus; the lamp does not.

    Parameters
    ----------
    pigmentation : 0 (very light) to 1 (very dark).
    """
    if not 0.0 <= pigmentation <= 1.0:
        raise BadInput(f"a pigmentation of {pigmentation} is outside 0 to 1")
    # From lightest to darkest is taken as four standard deviations (own judgement).
    return math.exp(-4.0 * _SPREAD * (pigmentation - 0.45))


def brightness(
    pupil_mm: float,
    pigmentation: float,
    through_media: float = 1.0,
    examiner: Examiner = RELAXED,
) -> float:
    """Return the view's brightness beside a wide pupil, clear media and a usual fundus.

    ``through_media`` is the share of light that the media let pass, one way.
    """
    if not 0.0 <= through_media <= 1.0:
        raise BadInput(f"media let pass 0 to 1 of the light, not {through_media}")
    return pupil_light(pupil_mm, examiner) * fundus_light(pigmentation) * through_media**2


@dataclass(frozen=True)
class Reflection:
    """The lamp's image in the cornea, as the examiner sees it in the patient's pupil.

    Parameters
    ----------
    x_mm, y_mm : from the pupil's middle, y down, in its plane.
    width_mm : of the sharp image.
    depth_mm : of the image behind the pupil plane (negative: in front).
    haze_deg : width of its blur disc in the view while the examiner looks at the fundus.
    blocks : share of the pupil's light path through which it shines, 0 to 1.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    depth_mm: float
    haze_deg: float
    blocks: float


def corneal_reflection(
    pupil_mm: float,
    distance_mm: float,
    gaze_deg: tuple[float, float] = (0.0, 0.0),
    lamp_below_mm: float = LAMP_OFFSET_MM,
    examiner: Examiner = RELAXED,
) -> Reflection:
    """Return the reflection of the lamp on the cornea.

    The cornea is a convex mirror: the lamp at d and an offset s below the line of sight has
    an upright image r d / (r + 2 d) behind the surface, s r / (r + 2 d) off the axis. When
    the eye turns, the pupil moves past it, 4.9 mm for one radian: 11.8 degrees to the
    millimetre (Barry and Backes 1997). The fundus in focus, the image itself is a haze.

    Parameters
    ----------
    gaze_deg : how far the patient looks to the right and down of the examiner, as seen.
    """
    vergence_factor(0.0, distance_mm)
    if not pupil_mm > 0.0:
        raise BadInput(f"a pupil of {pupil_mm} mm lets nothing through")
    scale = CORNEA_RADIUS_MM / (CORNEA_RADIUS_MM + 2.0 * distance_mm)
    behind = distance_mm * scale
    turned_x = CENTRE_TO_PUPIL_MM * math.sin(math.radians(gaze_deg[0]))
    turned_y = CENTRE_TO_PUPIL_MM * math.sin(math.radians(gaze_deg[1]))
    x, y = -turned_x, lamp_below_mm * scale - turned_y
    width = LAMP_SPOT_MM * scale
    # Light from the image diverges from just behind the cornea; the eye is set for infinity.
    away_m = 0.001 * (distance_mm + behind)
    blur = math.degrees(0.001 * examiner.pupil_mm / away_m)
    own = math.degrees(0.001 * width / away_m)
    reach = 0.5 * (pupil_mm + width) - math.hypot(x, y)
    blocks = min(max(reach / width, 0.0), 1.0) * min(width / pupil_mm, 1.0) ** 2
    return Reflection(
        x_mm=x,
        y_mm=y,
        width_mm=width,
        depth_mm=behind - (CORNEA_RADIUS_MM - CENTRE_TO_PUPIL_MM),
        haze_deg=own + blur,
        blocks=blocks,
    )
