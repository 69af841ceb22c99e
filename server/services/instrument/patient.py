"""The eye before the instrument: pupil, refraction, media, and where its picture lies."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from server.optics import Setting
from server.optics.red_reflex import Opacity
from server.services import arms_length

FIELD_DEG = 60.0
CENTRE_X_DEG = -7.0
"""Middle of every picture, canonical; the fovea is at 0."""

PICTURE_PX = 2048
BYTE_BUDGET = 200_000
"""Most bytes one picture may have: 5 seconds at 40 kB a second, a poor telephone line."""

DISTANCE_MM = 25.0
RESERVE_D = 1.0
"""Accommodation that an examiner brings in without noticing (own judgement)."""

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
