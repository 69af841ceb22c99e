"""How blurred a fundus point looks with a lens of the wheel that is not its own.

Out of focus a point becomes a disc: its diameter is the beam's width times the error in
dioptres, in radians (Strasburger, Bach and Heinrich 2018; Thibos and Thibos 2011). The beam
is as wide as the narrower of the two pupils, which is why a small pupil forgives much.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import BadInput
from server.optics.reduced_eye import (
    EYE_INDEX,
    RELAXED,
    Examiner,
    PatientEye,
    lens_needed_d,
    vergence_factor,
)

WHEEL_D: tuple[int, ...] = (-25, -20, -15, *range(-10, 11), 12, 15, 20, 40)
"""Powers on the lens wheel: single dioptres about zero, -25 to +40 (value from memory)."""


def blur_deg(
    error_d: ArrayLike,
    pupil_mm: float,
    distance_mm: float = 25.0,
    refraction_d: float = 0.0,
    examiner: Examiner = RELAXED,
) -> NDArray[np.float64]:
    """Return the diameter of the blur disc, in degrees of the fundus.

    Parameters
    ----------
    error_d : lens in place less lens needed, any shape; accommodation is the caller's part.
    pupil_mm : the patient's.
    """
    if not pupil_mm > 0.0:
        raise BadInput(f"a pupil of {pupil_mm} mm lets nothing through")
    factor = vergence_factor(refraction_d, distance_mm)
    beam_mm = min(pupil_mm * factor, examiner.pupil_mm)
    in_view = np.abs(np.asarray(error_d, float)) * beam_mm * 0.001
    return np.asarray(np.degrees(in_view) * factor)


def blur_px(degrees: ArrayLike, field_deg: float, size_px: int) -> NDArray[np.float64]:
    """Return a blur disc's diameter in pixels of a picture of a field."""
    if not field_deg > 0.0 or not size_px > 0:
        raise BadInput("a picture has a field and a size above nothing")
    return np.asarray(np.asarray(degrees, float) * (size_px / field_deg))


def sharpest_wheel_d(needed_d: float) -> int:
    """Return the wheel's power nearest to a needed one, the greater of two equally near.

    From plus down, one meets the greater first, and it leaves no room to accommodate.
    """
    return min(WHEEL_D, key=lambda power: (abs(power - needed_d), -power))


def error_d(lens_d: float, needed_d: ArrayLike, reserve_d: float = 0.0) -> NDArray[np.float64]:
    """Return the focus error that is left after the examiner's eye has done what it can.

    Too little plus is made good by accommodation up to ``reserve_d``; too much plus by
    nothing. That is why one starts at plus and comes down until the retina clears.
    """
    if not reserve_d >= 0.0:
        raise BadInput(f"an accommodation of {reserve_d} D is below nothing")
    raw = lens_d - np.asarray(needed_d, float)
    return np.where(raw < 0.0, np.minimum(raw + reserve_d, 0.0), raw)


def lens_map_d(
    height_mm: ArrayLike,
    eye: PatientEye,
    distance_mm: float,
    examiner: Examiner = RELAXED,
) -> NDArray[np.float64]:
    """Return the lens that each point of a height map needs, dioptres, of the map's shape.

    The heights of a fundus lie within a few millimetres of the retina, where this is the same
    as ``lens_needed_d`` point by point.
    """
    heights = np.asarray(height_mm, float)
    lens_needed_d(eye, distance_mm, examiner)
    if heights.size and not float(np.abs(heights).max()) < 0.5 * eye.length_mm:
        raise BadInput("a height map reaches half-way through the eye")
    refraction = 1000.0 * EYE_INDEX / (eye.length_mm - heights) - eye.power_d
    factor = 1.0 + 0.001 * distance_mm * refraction
    if heights.size and float(factor.min()) < 0.05:
        raise BadInput("the deepest point gives no erect view at this distance; come closer")
    emerging = refraction / factor
    return np.asarray(emerging + examiner.refraction_d - examiner.accommodation_d)


def height_read_mm(
    lens_difference_d: float, eye: PatientEye | None = None, distance_mm: float = 25.0
) -> float:
    """Return the height that a difference of two lenses stands for, to first order.

    n / K'^2 for each dioptre at the eye, times (1 + dK)^2 for the lens at the sight hole.
    """
    eye = eye or PatientEye()
    factor = vergence_factor(eye.refraction_d, distance_mm)
    return 1000.0 * EYE_INDEX * lens_difference_d / eye.dioptric_length_d**2 * factor**2


def parallax_deg(
    height_mm: ArrayLike, moved_mm: float, eye: PatientEye, distance_mm: float
) -> NDArray[np.float64]:
    """Return how far a raised point seems to slide over the retina as the examiner moves.

    The examiner moves sideways by ``moved_mm`` in front of the pupil. What lies in front of
    the retina slides against the movement (negative), the floor of a cup with it: the depth
    cue of a monocular view.
    """
    vergence_factor(eye.refraction_d, distance_mm)
    # The line of sight goes on inside the eye, refracted, past the summit to the retina
    # behind it: that is what the summit is seen against.
    outside = math.atan2(moved_mm, distance_mm)
    slope = math.tan(math.asin(math.sin(outside) / EYE_INDEX))
    shift_mm = -slope * np.asarray(height_mm, float)
    return np.asarray(np.degrees(0.001 * shift_mm * eye.dioptric_length_d))
