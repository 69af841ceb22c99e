"""The reduced eye under the direct ophthalmoscope: refraction, heights, lens and magnification.

One refracting surface of 60 D and one index of 4/3 stand for the whole eye (the reduced eye
of physiological optics). The fundus seen through it is erect and not reversed, as through
any magnifier: directions on the fundus and directions in the view are the same.

Distances are millimetres, powers dioptres. ``K`` is the ocular refraction: the vergence that
the relaxed eye needs at its surface to see sharply, negative in myopia. ``d`` is the distance
from the eye's surface to the sight hole with its lens, in metres inside formulas.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from server.errors import BadInput

EYE_POWER_D = 60.0
"""Power and dioptric length of the emmetropic reduced eye."""

EYE_INDEX = 4.0 / 3.0
"""Its refractive index."""

NEAREST_CLEAR_M = 0.25
"""The distance a magnifier's power is stated for: 250 mm."""

MEANINGFUL_D = 1.0
"""Differences of focus below this are not read as differences of height (a textbook of
cranial-nerve examination)."""

Ametropia = Literal["axial", "refractive"]


@dataclass(frozen=True)
class PatientEye:
    """The eye that is looked into.

    Parameters
    ----------
    refraction_d : ocular refraction K, -25 to +20 dioptres.
    ametropia : whether its length ('axial') or its power ('refractive', as in aphakia or a
        swollen lens) is out of the ordinary. Without ametropia both are the same eye.
    """

    refraction_d: float = 0.0
    ametropia: Ametropia = "axial"

    def __post_init__(self) -> None:
        if not -25.0 <= self.refraction_d <= 20.0:
            raise BadInput(f"a refraction of {self.refraction_d} D is outside -25 to +20")
        if self.ametropia not in ("axial", "refractive"):
            raise BadInput(f"ametropia is 'axial' or 'refractive', not {self.ametropia!r}")

    @property
    def power_d(self) -> float:
        """Power of the refracting surface."""
        if self.ametropia == "axial":
            return EYE_POWER_D
        return EYE_POWER_D - self.refraction_d

    @property
    def dioptric_length_d(self) -> float:
        """Index over length, K + F: 60 D unless the ametropia is axial."""
        return self.power_d + self.refraction_d

    @property
    def length_mm(self) -> float:
        """From the surface to the retina: 22.2 mm in emmetropia."""
        return 1000.0 * EYE_INDEX / self.dioptric_length_d

    def refraction_at_height_d(self, height_mm: float) -> float:
        """Return the refraction of a surface in front of the retina (negative: behind it).

        A summit is nearer to the eye's front and so like a hypermetropic eye's retina; the
        floor of a cup is like a myopic one's. To first order K'^2 / n, 2.7 D per millimetre in
        emmetropia (the trade's rule: 3 D per mm).

        Raises
        ------
        BadInput
            If the height reaches half-way through the eye.
        """
        if not abs(height_mm) < 0.5 * self.length_mm:
            raise BadInput(f"a height of {height_mm} mm does not lie near the retina")
        return 1000.0 * EYE_INDEX / (self.length_mm - height_mm) - self.power_d


@dataclass(frozen=True)
class Examiner:
    """The eye behind the sight hole.

    Parameters
    ----------
    refraction_d : of the examiner's bare eye, negative in myopia (0 with spectacles on).
    accommodation_d : how much of it is in play; a beginner strains, the practised relax.
    pupil_mm : the smaller of the examiner's pupil and the sight hole; 3 mm, value from memory.
    """

    refraction_d: float = 0.0
    accommodation_d: float = 0.0
    pupil_mm: float = 3.0

    def __post_init__(self) -> None:
        if not -25.0 <= self.refraction_d <= 20.0:
            raise BadInput(f"a refraction of {self.refraction_d} D is outside -25 to +20")
        if not 0.0 <= self.accommodation_d <= 15.0:
            raise BadInput(f"{self.accommodation_d} D of accommodation is outside 0 to 15")
        if not 1.0 <= self.pupil_mm <= 8.0:
            raise BadInput(f"a pupil of {self.pupil_mm} mm is outside 1 to 8")


RELAXED = Examiner()
"""An emmetropic examiner who does not accommodate."""


def vergence_factor(refraction_d: float, distance_mm: float) -> float:
    """Return 1 + dK, by which distance changes an ametropic eye's light on its way out.

    Raises
    ------
    BadInput
        If the distance is not 5 to 1000 mm, or the eye's far point lies at or before the
        examiner: there the erect view ends.
    """
    if not 5.0 <= distance_mm <= 1000.0:
        raise BadInput(f"a distance of {distance_mm} mm is outside 5 to 1000")
    factor = 1.0 + 0.001 * distance_mm * refraction_d
    if factor < 0.05:
        raise BadInput(
            f"at {distance_mm} mm an eye of {refraction_d} D gives no erect view; come closer"
        )
    return factor


def lens_needed_d(
    eye: PatientEye,
    distance_mm: float,
    examiner: Examiner = RELAXED,
    height_mm: float = 0.0,
) -> float:
    """Return the lens that shows the retina, or a surface at a height on it, sharply.

    K / (1 + dK) + the examiner's refraction - the examiner's accommodation: close to the sum
    of both refractions, signs kept, while both relax. In aphakia the distance halves what a
    millimetre of height asks for: 3 D for 2 mm (value from memory).
    """
    refraction = eye.refraction_at_height_d(height_mm)
    emerging = refraction / vergence_factor(refraction, distance_mm)
    return emerging + examiner.refraction_d - examiner.accommodation_d


def magnification(eye: PatientEye, distance_mm: float) -> float:
    """Return how much larger the retina looks than the bare retina at 250 mm.

    M = (K' / 4) / (1 + dK) with K' the dioptric length: 15 for an emmetrope. Greater in
    myopia, less in hypermetropia; in axial ametropia the length of the eye counters it, wholly
    so at d = 1/60 m, the anterior focal point (Knapp's rule).
    """
    factor = vergence_factor(eye.refraction_d, distance_mm)
    return eye.dioptric_length_d * NEAREST_CLEAR_M / factor


def angular_magnification(eye: PatientEye, distance_mm: float) -> float:
    """Return degrees in the view for each degree of the patient's visual field, 1 / (1 + dK).

    A degree of the fundus is a degree of that eye's visual field, whatever its length.
    """
    return 1.0 / vergence_factor(eye.refraction_d, distance_mm)


def degrees_to_mm(eye: PatientEye, degrees: float) -> float:
    """Return the length on the retina of an angle of the visual field (small angles)."""
    return 1000.0 * math.radians(degrees) / eye.dioptric_length_d
