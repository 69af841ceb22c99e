"""Any eye at the bedside: how it presents itself, what the page needs of it, what was looked at.

Both the demonstration and the looks of a round come here: they differ in where their eyes are
kept, not in how one looks at them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy import ndimage

from server.errors import BadInput
from server.optics import (
    Coverage,
    PatientEye,
    RecordedPath,
    Routine,
    Setting,
    check_against,
    cover,
    decode,
    lens_map_d,
    routine,
)
from server.optics.field_of_view import APERTURES
from server.optics.focus import WHEEL_D, blur_deg
from server.optics.light import brightness, corneal_reflection
from server.optics.red_reflex import Opacity
from server.optics.reduced_eye import RELAXED
from server.optics.regions import STEP, Ground
from server.optics.run_lengths import grid, runs
from server.services import arms_length
from server.services.stops import Group, Stop, grouped, stops_of

FIELD_DEG = 60.0
CENTRE_X_DEG = -7.0
"""Middle of every picture, canonical; the fovea is at 0."""

PICTURE_PX = 2048
BYTE_BUDGET = 200_000
"""Most bytes one picture may have: 5 seconds at 40 kB a second, a poor telephone line."""

DISTANCE_MM = 25.0
RESERVE_D = 1.0
"""Accommodation that an examiner brings in without noticing (own judgement)."""

HALF_VIEW_DEG = 6.2
"""From the middle of the view to its edge on the screen: the large aperture and a little iris."""

GLARE = 40.0
"""Light of the corneal reflection for each share of the pupil it fills, beside the fundus's
(own judgement: a cornea returns 2.5 % of the lamp's light, a fundus far less of it)."""

SCATTER_DEG = 0.35
"""Blur that the densest haze adds, degrees (own judgement)."""

COUNT_SLACK = 0.01
"""By how much the page's own count of cells may differ from the one made here."""

DISC_DEG = (-15.5, -1.5)
"""Middle of an average disc, canonical."""

DISC_AND_AIM_DEG = 5.0
"""Its radius, and how far a photograph strays from its aim."""

Side = Literal["left", "right"]


def centre_deg(side: Side) -> tuple[float, float]:
    """Return the middle of the picture of an eye as displayed."""
    return (-CENTRE_X_DEG if side == "right" else CENTRE_X_DEG), 0.0


def shows_the_disc(view: Mapping[str, Any]) -> bool:
    """Tell whether a view (a table of views.toml) holds the disc, where an examination starts.

    What lies wholly beyond it is out of reach of the direct ophthalmoscope too.
    """
    x, y = view["centre_deg"]
    away = math.hypot(x - DISC_DEG[0], y - DISC_DEG[1])
    return bool(away + DISC_AND_AIM_DEG <= float(view["field_deg"]) / 2)


@dataclass(frozen=True)
class Patient:
    """How an eye presents itself to the examiner.

    Parameters
    ----------
    pupil_mm, refraction_d : of the eye.
    pigmentation : 0 light to 1 dark; a dark fundus returns less light.
    begins_deg : where the first view is, degrees from the disc's middle (temporal, down).
    haze : of the media, 0 clear to 1 so dense that hardly anything is seen.
    clouding, cloud_seed : what makes the haze, a name of ``optics.red_reflex.OPACITIES``, and
        where its spokes or clouds lie.
    """

    side: Side
    pupil_mm: float
    refraction_d: float
    pigmentation: float
    begins_deg: tuple[float, float]
    haze: float = 0.0
    clouding: str = "nuclear-cataract"
    cloud_seed: int = 0

    @property
    def wide_pupil(self) -> bool:
        """Whether the pupil was dilated."""
        return self.pupil_mm > 4.0

    @property
    def reflex_in_words(self) -> str:
        """What its red reflex looks like from an arm's length."""
        return arms_length.in_words(self.pupil_mm, self.cloud)

    @property
    def cloud(self) -> Opacity | None:
        """What clouds its media."""
        return arms_length.opacity(self.haze, self.clouding, self.cloud_seed)

    @property
    def media_told(self) -> str:
        """What clouded its media, once it is answered; empty where nothing was to be seen."""
        return arms_length.told(self.pupil_mm, self.cloud)

    @property
    def setting(self) -> Setting:
        """How the examiner stands before it."""
        return Setting(DISTANCE_MM, self.refraction_d, RESERVE_D)

    @property
    def centre_deg(self) -> tuple[float, float]:
        """Middle of the picture as displayed."""
        return centre_deg(self.side)


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


@dataclass(frozen=True)
class Followed:
    """A recording followed over its eye.

    Parameters
    ----------
    coverage : cell by cell.
    routine : the measures of the examination.
    stops : stays in one region after another, in order.
    unseen_path : what was not seen, as an SVG path in 0..1000 coordinates, to fill even-odd.
    """

    coverage: Coverage = field(compare=False, repr=False)
    routine: Routine
    stops: tuple[Stop, ...]
    unseen_path: str

    @classmethod
    def of(cls, path: RecordedPath, coverage: Coverage) -> Followed:
        """Return what a recording and its coverage come to."""
        return cls(coverage, routine(coverage), stops_of(path, coverage), _unseen(coverage))

    @property
    def groups(self) -> tuple[Group, ...]:
        """The stops as the routine has them: disc, vessels by quadrant, periphery, macula."""
        return grouped(self.stops, tuple(one.region for one in self.routine.regions))

    @property
    def never_seen(self) -> tuple[str, ...]:
        """Regions of which nothing was looked at."""
        return tuple(one.region for one in self.routine.regions if one.share == 0.0)


def follow(
    text: str,
    patient: Patient,
    cells: Cells,
    *,
    counted: int | None = None,
    elapsed_ms: int | None = None,
) -> Followed:
    """Follow a recording over its eye.

    Parameters
    ----------
    counted : cells that the page itself counted as seen, None without a count.
    elapsed_ms : since the eye was dealt, None where that is not kept.

    Raises
    ------
    BadInput
        If the recording is broken, not of this eye, or not what the page counted.
    """
    path = decode(text)
    check_against(
        path,
        elapsed_ms=elapsed_ms,
        pupils_mm=(patient.pupil_mm,),
        field_deg=FIELD_DEG,
        centre_deg=patient.centre_deg,
    )
    coverage = cover(path, cells.ground, cells.needs, patient.setting)
    seen = int(coverage.seen.sum())
    if counted is not None and abs(counted - seen) > max(COUNT_SLACK * seen, 1):
        raise BadInput(
            "The recording does not match what the page counted. Reload the page and look again."
        )
    return Followed.of(path, coverage)


def _unseen(coverage: Coverage) -> str:
    seen = np.pad(coverage.seen.astype(float), 2)
    n = coverage.ground.n
    # Rounded off, so that the small fields look as round as they were.
    smooth = ndimage.gaussian_filter(seen, 0.9)
    parts = ["M0 0H1000V1000H0z"]
    for ring in contour_generator(z=smooth).lines(0.5):
        points = (np.asarray(ring) - 2 + 0.5) * (1000 / n)
        parts.append("M" + "L".join(f"{x:.0f} {y:.0f}" for x, y in points) + "z")
    return "".join(parts)


STILL_FIELDS: tuple[tuple[str, float, float], ...] = (
    ("The disc", 0.0, 0.0),
    ("Up and temporal from the disc", 3.5, -5.0),
    ("Further along, up and temporal", 9.5, -10.0),
    ("Down and temporal from the disc", 3.5, 5.0),
    ("Further along, down and temporal", 9.5, 10.0),
    ("Up and nasal from the disc", -4.5, -5.0),
    ("Further along, up and nasal", -9.0, -9.0),
    ("Down and nasal from the disc", -4.5, 5.0),
    ("Further along, down and nasal", -9.0, 9.0),
    ("Periphery, above", 7.0, -21.0),
    ("Periphery, below", 7.0, 21.0),
    ("Periphery, temporal", 30.0, 0.0),
)
"""The same routine as still fields: name, and place from the disc (temporal, down), degrees.
The macula follows last."""

STILL_WIDTH_DEG = 10.0


def still_fields(patient: Patient, cells: Cells) -> tuple[tuple[str, str], ...]:
    """Return the still fields: name, and the part of the picture as an SVG view box of 0..1000."""
    disc_x, disc_y = (value / 100 for value in cells.disc)
    towards = -1.0 if disc_x > 0 else 1.0
    stops = [
        (name, disc_x + towards * temporal, disc_y + down) for name, temporal, down in STILL_FIELDS
    ]
    stops.append(("The macula, last", 0.0, 0.0))
    scale = 1000 / FIELD_DEG
    side = STILL_WIDTH_DEG * scale
    out = []
    for name, x, y in stops:
        left = (x - patient.centre_deg[0] + FIELD_DEG / 2) * scale - side / 2
        top = (y - patient.centre_deg[1] + FIELD_DEG / 2) * scale - side / 2
        out.append((name, f"{left:.1f} {top:.1f} {side:.1f} {side:.1f}"))
    return tuple(out)
