"""The two eyes of a person, and the roll of a photograph: changes to a drawn anatomy.

Fellow eyes resemble each other without being alike. A quantity of the second
eye is ``mean + r (first - mean) + sqrt(1 - r^2) (own - mean)``, ``own`` being an
independent draw from the same population: its spread stays that of the
population and its correlation with the first eye is r.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from server.rendering.cup_sizes import DISC_MEAN_MM, DISC_OVAL, cup_ratio_percentile
from server.rendering.eye import MM_PER_DEGREE

if TYPE_CHECKING:
    from server.rendering.anatomy import Anatomy

_ANGLE_MEAN, _ANGLE_ALIKE = 6.5, 0.42
"""With the roll of two photographs this makes the measured difference of the disc-fovea
angle, 4.0 +- 2.9 degrees (R. A. Jonas 2015)."""
_DISTANCE_MEAN_MM, _DISTANCE_ALIKE = 4.76, 0.93
"""The blind spots of two eyes lie nearly equally far (Rohrschneider 2004: 0.0 +- 1.1 degrees)."""
_CUP_ALIKE = 0.87
"""Correlation of the two cup-to-disc ratios (a series on the direct ophthalmoscope)."""
_SIZE_ALIKE = 0.88
# How alike other traits are: our own judgement, no source.
_TRAITS: dict[str, tuple[float, float]] = {
    "disc_tilt": (0.10, 0.7),
    "cup_depth": (0.60, 0.85),
    "cup_wall": (0.52, 0.8),
    "faz_radius": (1.15, 0.85),
    "artery_tortuosity": (1.0, 0.8),
    "vein_tortuosity": (1.0, 0.8),
    "arteriosclerosis": (0.15, 0.95),
    "tessellation": (0.40, 0.95),
    "lustre": (0.30, 0.95),
    "nerve_fibre": (1.0, 0.9),
    "macular_pigment": (1.0, 0.95),
}
_AT_MOST_ONE = frozenset({"cup_depth", "cup_wall", "arteriosclerosis", "tessellation", "lustre"})


def turned(anatomy: Anatomy, roll: float) -> Anatomy:
    """Return an anatomy as a photograph shows it that is rolled about the fovea (radians)."""
    cos, sin = math.cos(roll), math.sin(roll)
    return replace(
        anatomy,
        disc_x=cos * anatomy.disc_x - sin * anatomy.disc_y,
        disc_y=sin * anatomy.disc_x + cos * anatomy.disc_y,
        disc_axis=anatomy.disc_axis + roll,
        disc_tilt_angle=anatomy.disc_tilt_angle + roll,
        cilioretinal_angle=anatomy.cilioretinal_angle + roll,
        zone_angle=anatomy.zone_angle + roll,
    )


def resembling(first: Anatomy, own: Anatomy) -> Anatomy:
    """Return ``own`` bent to be the fellow of ``first``: alike, not identical."""
    angle = math.radians(_mixed(first.disc_angle, own.disc_angle, _ANGLE_MEAN, _ANGLE_ALIKE))
    usual = _DISTANCE_MEAN_MM / MM_PER_DEGREE
    distance = _mixed(first.disc_distance, own.disc_distance, usual, _DISTANCE_ALIKE)
    wide = DISC_MEAN_MM / MM_PER_DEGREE
    tall = wide * DISC_OVAL
    width = _mixed(first.disc_width, own.disc_width, wide, _SIZE_ALIKE)
    height = _mixed(first.disc_height, own.disc_height, tall, _SIZE_ALIKE)

    # The cup is mixed as a departure from what is usual for the disc it lies in.
    vertical = _usual_cup(height) + _mixed(_departure(first), _departure(own), 0.0, _CUP_ALIKE)
    vertical = min(max(vertical, 0.05), cup_ratio_percentile(height * MM_PER_DEGREE, 98.5))
    wider = _mixed(_width_over_height(first), _width_over_height(own), 1.13, 0.7)
    traits: dict[str, Any] = {
        name: max(_mixed(getattr(first, name), getattr(own, name), mean, alike), 0.0)
        for name, (mean, alike) in _TRAITS.items()
    }
    for name in _AT_MOST_ONE:
        traits[name] = min(traits[name], 1.0)
    return replace(
        own,
        disc_x=-distance * math.cos(angle),
        disc_y=-distance * math.sin(angle),
        disc_width=width,
        disc_height=height,
        disc_axis=_mixed(first.disc_axis, own.disc_axis, 0.0, 0.6),
        disc_tilt_angle=first.disc_tilt_angle,
        cup_x=_mixed(first.cup_x, own.cup_x, 0.034, 0.7),
        cup_y=_mixed(first.cup_y, own.cup_y, -0.019, 0.7),
        cup_ratio_vertical=vertical,
        cup_ratio_horizontal=min(vertical * wider, 0.86),
        # Zones of pigment and bareness are mostly found in both eyes or in none.
        alpha_zone=first.alpha_zone * _near_one(own.zone_angle),
        beta_zone=first.beta_zone * _near_one(own.zone_angle),
        zone_angle=_mixed(first.zone_angle, own.zone_angle, 0.20, 0.7),
        **traits,
    )


def _mixed(first: float, own: float, mean: float, alike: float) -> float:
    return mean + alike * (first - mean) + math.sqrt(1 - alike * alike) * (own - mean)


def _near_one(angle: float) -> float:
    """Return a factor about 1 that depends on the eye's own draw of an angle alone."""
    return 1.0 + 0.35 * math.sin(7.0 * angle)


def _usual_cup(height: float) -> float:
    return cup_ratio_percentile(height * MM_PER_DEGREE, 50.0)


def _departure(anatomy: Anatomy) -> float:
    return anatomy.cup_ratio_vertical - _usual_cup(anatomy.disc_height)


def _width_over_height(anatomy: Anatomy) -> float:
    return anatomy.cup_ratio_horizontal / anatomy.cup_ratio_vertical
