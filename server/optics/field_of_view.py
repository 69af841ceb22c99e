"""How much of the fundus the direct ophthalmoscope shows at once, and how its edge fades.

Two circles limit the view: what can be seen through the patient's pupil from where the
examiner's eye is, and the patch of fundus that the chosen aperture lights.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import BadInput
from server.optics.reduced_eye import RELAXED, Examiner, PatientEye, vergence_factor

SMALLEST_PUPIL_MM, LARGEST_PUPIL_MM = 1.5, 9.0

ApertureName = Literal["large", "small", "slit", "red-free"]


@dataclass(frozen=True)
class Aperture:
    """A stop of the lamp.

    Parameters
    ----------
    name : as the instrument's dial says it.
    code : its number in a recorded path.
    width_deg, height_deg : of the lit patch on the fundus, as visual angle.
    is_for : what one chooses it for.
    """

    name: ApertureName
    code: int
    width_deg: float
    height_deg: float
    is_for: str

    @property
    def round(self) -> bool:
        """Whether the patch is a circle."""
        return self.width_deg == self.height_deg


_ALL = (
    Aperture("large", 0, 10.0, 10.0, "a dilated pupil"),
    Aperture("small", 1, 5.0, 5.0, "an undilated pupil, and the macula"),
    Aperture("slit", 2, 1.5, 10.0, "elevation: the line of light bends over a bump or into a cup"),
    Aperture("red-free", 3, 10.0, 10.0, "vessels, small haemorrhages and nerve fibres"),
)
# The small spot is about 5 degrees, the disc's own size (Optic nerve examination, Oxford
# University Press, 2010s); the others' sizes are values from memory. What they are for is
# in makers' manuals.
APERTURES: dict[str, Aperture] = {aperture.name: aperture for aperture in _ALL}
"""The apertures by name, in the order of their codes."""


def aperture(name: str) -> Aperture:
    """Return an aperture by its name; raises BadInput with the names there are."""
    if name not in APERTURES:
        raise BadInput(f"there is no aperture {name!r}; there are {', '.join(APERTURES)}")
    return APERTURES[name]


def pupil_field_deg(pupil_mm: float, distance_mm: float, refraction_d: float = 0.0) -> float:
    """Return the fundus seen through a pupil, as visual angle: p (1/d + K) radians.

    3 mm at 25 mm show 6.9 degrees. A hypermetrope's field is wider, a myope's narrower. It is
    the field to its half-lit edge; see ``seen_fraction``.

    Raises
    ------
    BadInput
        If the pupil is outside 1.5 to 9 mm or the distance unusable.
    """
    if not SMALLEST_PUPIL_MM <= pupil_mm <= LARGEST_PUPIL_MM:
        raise BadInput(
            f"a pupil of {pupil_mm} mm is outside {SMALLEST_PUPIL_MM} to {LARGEST_PUPIL_MM}"
        )
    factor = vergence_factor(refraction_d, distance_mm)
    return math.degrees(pupil_mm / distance_mm * factor)


def pupil_field_mm(eye: PatientEye, pupil_mm: float, distance_mm: float) -> float:
    """Return the same as a length on the retina: p (K + 1/d) / K' (2.0 mm for 3 mm at 25)."""
    degrees = pupil_field_deg(pupil_mm, distance_mm, eye.refraction_d)
    return 1000.0 * math.radians(degrees) / eye.dioptric_length_d


def field_deg(
    stop: Aperture, pupil_mm: float, distance_mm: float, refraction_d: float = 0.0
) -> tuple[float, float]:
    """Return width and height of what is both lit and seen, as visual angle."""
    seen = pupil_field_deg(pupil_mm, distance_mm, refraction_d)
    return min(stop.width_deg, seen), min(stop.height_deg, seen)


def seen_fraction(
    angle_deg: ArrayLike,
    pupil_mm: float,
    distance_mm: float,
    refraction_d: float = 0.0,
    examiner: Examiner = RELAXED,
) -> NDArray[np.float64]:
    """Return how much of a point's light enters the examiner's eye, by angle off the middle.

    The beam from a fundus point fills the patient's pupil and goes on at its own angle; what
    passes is where it overlaps the examiner's pupil. 1 means that all that could enter does,
    1/2 is near the field's stated edge, 0 beyond (p + q) / d.
    """
    factor = vergence_factor(refraction_d, distance_mm)
    pupil_field_deg(pupil_mm, distance_mm, refraction_d)
    # The beam narrows or widens on its way, as the light of an ametropic eye is not parallel.
    beam = 0.5 * pupil_mm * factor
    hole = 0.5 * examiner.pupil_mm
    apart = distance_mm * np.tan(np.radians(np.abs(np.asarray(angle_deg, float))))
    share = _overlap(apart, beam, hole) / (math.pi * min(beam, hole) ** 2)
    return np.asarray(np.clip(share, 0.0, 1.0))


def _overlap(apart: NDArray[np.float64], a: float, b: float) -> NDArray[np.float64]:
    """Return the common area of two circles of radii a and b, their centres apart."""
    safe = np.clip(apart, abs(a - b) + 1e-12, a + b)
    one = np.arccos(np.clip((safe**2 + a * a - b * b) / (2 * safe * a), -1, 1))
    two = np.arccos(np.clip((safe**2 + b * b - a * a) / (2 * safe * b), -1, 1))
    lens = a * a * (one - 0.5 * np.sin(2 * one)) + b * b * (two - 0.5 * np.sin(2 * two))
    inside = math.pi * min(a, b) ** 2
    return np.where(apart <= abs(a - b), inside, np.where(apart >= a + b, 0.0, lens))
