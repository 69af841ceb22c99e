"""What the page's own drawing and counting need of an eye: lenses by cell, light, the wheel."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.optics import PatientEye, lens_map_d, lens_needed_d
from server.optics.field_of_view import APERTURES
from server.optics.focus import WHEEL_D, blur_deg
from server.optics.light import brightness, corneal_reflection
from server.optics.reduced_eye import RELAXED
from server.optics.regions import STEP, Ground
from server.optics.run_lengths import grid, runs
from server.services import arms_length
from server.services.instrument.patient import DISTANCE_MM, RESERVE_D, Patient

HALF_VIEW_DEG = 6.2
"""From the middle of the view to its edge on the screen: the large aperture and a little iris."""

GLARE = 40.0
"""Light of the corneal reflection for each share of the pupil it fills, beside the fundus's
(own judgement: a cornea returns 2.5 % of the lamp's light, a fundus far less of it)."""

SCATTER_DEG = 0.35
"""Blur that the densest haze adds, degrees (own judgement)."""


@dataclass(frozen=True, eq=False)
class Cells:
    """What is known of an eye cell by cell.

    Parameters
    ----------
    needs : lens that each cell needs, hundredths of a dioptre, int32 of the ground's shape.
    disc : middle of the disc, hundredths of a degree from the fovea as displayed.
    """

    ground: Ground
    needs: NDArray[np.int32]
    disc: tuple[int, int]

    @classmethod
    def read(cls, kept: Mapping[str, Any], refraction_d: float | None = None) -> Cells:
        """Read stored cells; those of a round's eye hold heights, which a refraction turns
        into lenses."""
        n = kept["size"] // STEP
        if refraction_d is None:
            needs = grid(kept["needs"], n)
        else:
            heights = grid(kept["heights"], n) / 1000.0
            lens = lens_map_d(heights, PatientEye(refraction_d), DISTANCE_MM)
            needs = np.asarray(np.rint(100.0 * lens), np.int32)
        place = Ground(
            kept["left"],
            kept["top"],
            kept["size"],
            grid(kept["labels"], n),
            grid(kept["counted"], n),
        )
        return cls(place, needs, (int(kept["disc"][0]), int(kept["disc"][1])))


def view_of(patient: Patient, cells: Cells) -> dict[str, Any]:
    """Return everything the page's own drawing and counting need, as plain values.

    Nothing in it tells what there is to find, beyond the heights that one sees.
    """
    disc_x, disc_y = (value / 100 for value in cells.disc)
    towards = -1.0 if disc_x > 0 else 1.0
    reach = math.degrees(0.5 / DISTANCE_MM) * (1 + 0.001 * DISTANCE_MM * patient.refraction_d)
    hole = RELAXED.pupil_mm
    pupil = patient.pupil_mm
    glare = corneal_reflection(pupil, DISTANCE_MM).blocks
    veil = arms_length.veil(pupil, patient.haze, patient.cloud)
    return {
        "left": cells.ground.left,
        "top": cells.ground.top,
        "size": cells.ground.size,
        "needs": runs(cells.needs),
        "flat": round(lens_needed_d(PatientEye(patient.refraction_d), DISTANCE_MM), 2),
        "begins": [disc_x + towards * patient.begins_deg[0], disc_y + patient.begins_deg[1]],
        "centre": list(patient.centre_deg),
        "half": HALF_VIEW_DEG,
        "nearest": DISTANCE_MM * math.tan(math.radians(HALF_VIEW_DEG)),
        "reflex": arms_length.pupil_view(
            pupil, patient.cloud, patient.pigmentation, nose_on_right=patient.side == "right"
        ),
        "fades": [abs(pupil - hole) * reach, (pupil + hole) * reach],
        "reserve": RESERVE_D,
        "blur": float(blur_deg(1.0, pupil, DISTANCE_MM, patient.refraction_d)),
        "level": min(brightness(pupil, patient.pigmentation), 1.2),
        "haze": min(GLARE * glare, 0.3),
        "veil": veil,
        "scatter": SCATTER_DEG * veil,
        "pupil": pupil,
        "wheel": list(WHEEL_D),
        "apertures": [
            {"width": one.width_deg, "height": one.height_deg, "redFree": one.name == "red-free"}
            for one in APERTURES.values()
        ],
        "setting": {
            "distance": DISTANCE_MM,
            "refraction": patient.refraction_d,
            "reserve": RESERVE_D,
        },
    }
