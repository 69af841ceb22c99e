"""The red reflex at arm's length, and what clouds it: opacities of cornea, lens and vitreous.

From about 40 cm the pupil glows evenly with the light that the fundus returns. An opacity
stands before it as a shadow. As the examiner moves sideways, a shadow in the plane of the
pupil stays, one behind it moves along with the examiner, one before it moves against
(geometry); when the eye turns, it is the other way round. Something dense enough leaves no
reflex at all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from server.errors import BadInput

REFLEX_DISTANCE_MM = (300.0, 450.0)
"""Arm's length: 12 to 18 inches (American Academy of Pediatrics 2002, 2008)."""

ABOLISHED = 0.05
"""A mean reflex below this share of the full one is called absent (own judgement)."""

PUPIL_TO_CENTRE_OF_ROTATION_MM = 10.4
"""The eye turns about a point 13.5 mm behind the cornea (value from memory); its entrance
pupil is 3.1 mm behind the cornea."""

OpacityKind = Literal[
    "corneal-scar",
    "nuclear-cataract",
    "cortical-cataract",
    "posterior-subcapsular-cataract",
    "vitreous-haemorrhage",
]

OPACITIES: dict[OpacityKind, float] = {
    "corneal-scar": -3.0,
    "cortical-cataract": 0.5,
    "nuclear-cataract": 1.6,
    "posterior-subcapsular-cataract": 3.4,
    "vitreous-haemorrhage": 7.0,
}
"""Kind to depth behind the pupil plane, mm as it appears (schematic eye: cornea 3.0 before
the entrance pupil, lens 3.6 to 4 mm thick behind it; values from memory)."""


@dataclass(frozen=True)
class Opacity:
    """A clouding of the media.

    Parameters
    ----------
    kind : a name of OPACITIES.
    density : 0 (clear) to 1 (lets nothing through where it is thickest).
    seed : where its spokes or clouds lie.
    """

    kind: OpacityKind
    density: float
    seed: int = 0

    def __post_init__(self) -> None:
        if self.kind not in OPACITIES:
            raise BadInput(f"there is no opacity {self.kind!r}; there are {', '.join(OPACITIES)}")
        if not 0.0 <= self.density <= 1.0:
            raise BadInput(f"a density of {self.density} is outside 0 to 1")

    @property
    def depth_mm(self) -> float:
        """How far behind the pupil plane it lies; negative in front."""
        return OPACITIES[self.kind]


def shift_with_examiner_mm(depth_mm: float, moved_mm: float, distance_mm: float) -> float:
    """Return how far a shadow moves in the pupil when the examiner moves sideways.

    z s / (D + z): with the examiner behind the pupil plane (z > 0), against in front of it.
    """
    if not distance_mm + depth_mm > 0.0:
        raise BadInput(f"an opacity {depth_mm} mm deep lies behind the examiner")
    return depth_mm * moved_mm / (distance_mm + depth_mm)


def shift_with_gaze_mm(depth_mm: float, turned_deg: float) -> float:
    """Return how far a shadow moves in the pupil when the patient's eye turns.

    Against the turn behind the pupil plane, with it in front.
    """
    return -depth_mm * math.sin(math.radians(turned_deg))


def pupil_shift_mm(turned_deg: float) -> float:
    """Return how far the pupil itself moves as the eye turns."""
    return PUPIL_TO_CENTRE_OF_ROTATION_MM * math.sin(math.radians(turned_deg))


def reflex(
    pupil_mm: float,
    opacities: tuple[Opacity, ...] = (),
    moved_mm: tuple[float, float] = (0.0, 0.0),
    turned_deg: tuple[float, float] = (0.0, 0.0),
    distance_mm: float = 400.0,
    size: int = 96,
) -> NDArray[np.float64]:
    """Return the reflex in the pupil: 0 (black) to 1 (full), NaN outside the pupil.

    Parameters
    ----------
    moved_mm : the examiner's place, to the right and down of the pupil's axis.
    turned_deg : the patient's gaze, to the right and down, as the examiner sees it.
    size : pixels across the pupil; the result has shape (size, size).
    """
    if not 1.5 <= pupil_mm <= 9.0:
        raise BadInput(f"a pupil of {pupil_mm} mm is outside 1.5 to 9")
    if not 8 <= size <= 1024:
        raise BadInput(f"a size of {size} pixels is outside 8 to 1024")
    across = ((np.arange(size) + 0.5) / size - 0.5) * pupil_mm
    x, y = np.meshgrid(across, across)
    light = np.ones((size, size))
    for one in opacities:
        z = one.depth_mm
        right = shift_with_examiner_mm(z, moved_mm[0], distance_mm)
        down = shift_with_examiner_mm(z, moved_mm[1], distance_mm)
        right += shift_with_gaze_mm(z, turned_deg[0])
        down += shift_with_gaze_mm(z, turned_deg[1])
        light *= _left(one, x - right, y - down)
    light[np.hypot(x, y) > 0.5 * pupil_mm] = np.nan
    return light


def let_through(one: Opacity, half_mm: float, size: int) -> NDArray[np.float64]:
    """Return what an opacity leaves of the reflex over a square of its own plane, 0 to 1.

    Light passes it on the way in and out. The middle of the square is on the pupil's axis.

    Parameters
    ----------
    half_mm : from the middle of the square to its side.
    size : pixels across; the result has shape (size, size).
    """
    across = ((np.arange(size) + 0.5) / size - 0.5) * 2.0 * half_mm
    x, y = np.meshgrid(across, across)
    return _left(one, x, y)


def mean_reflex(pupil_mm: float, opacities: tuple[Opacity, ...]) -> float:
    """Return the mean of the reflex over the pupil, 0 to 1."""
    return float(np.nanmean(reflex(pupil_mm, opacities)))


def abolished(pupil_mm: float, opacities: tuple[Opacity, ...]) -> bool:
    """Whether no reflex is left to see."""
    return mean_reflex(pupil_mm, opacities) < ABOLISHED


def through_media(pupil_mm: float, opacities: tuple[Opacity, ...]) -> float:
    """Return the share of light that passes the pupil one way, for the view of the fundus."""
    return float(np.nanmean(np.sqrt(reflex(pupil_mm, opacities))))


def _left(one: Opacity, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    cloud = np.clip(one.density * _shape(one, x, y), 0.0, 1.0)
    # Light passes it on the way in and out.
    return np.asarray((1.0 - cloud) ** 2)


def _shape(one: Opacity, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return an opacity's thickness over its own plane, 0 to 1, millimetres in."""
    rng = np.random.default_rng([one.seed, list(OPACITIES).index(one.kind)])
    r, angle = np.hypot(x, y), np.arctan2(y, x)
    if one.kind == "corneal-scar":
        # A patch with a firm, uneven border, off the middle; a dense one is larger.
        away, where = rng.uniform(0.4, 1.4), rng.uniform(0, 2 * math.pi)
        dx, dy = x - away * math.cos(where), y - away * math.sin(where)
        turn = np.arctan2(dy, dx)
        edge = 0.9 * _uneven(turn, 0.10, 7, rng)
        return _step((edge - np.hypot(dx, dy)) / 0.3)
    if one.kind == "nuclear-cataract":
        # The whole nucleus, densest in its middle and without an edge of its own; at its
        # densest it fills any pupil.
        width = 2.4 + 3.6 * one.density**3
        return np.exp(-((r / width) ** 4))
    if one.kind == "cortical-cataract":
        # Spokes from the lens's edge inwards, wide at their base and pointed at their tip.
        out = np.zeros_like(r)
        count = int(rng.integers(7, 13))
        for place in rng.uniform(0, 2 * math.pi, count):
            tip, half = rng.uniform(0.4, 2.2), rng.uniform(0.08, 0.20)
            apart = np.abs(np.angle(np.exp(1j * (angle - place))))
            wedge = half * np.clip((r - tip) / 1.5, 0.0, 1.0)
            # The border is equally soft all along, in millimetres.
            out = np.maximum(out, _step(r * (wedge - apart) / 0.3 + 0.2) * _step((r - tip) / 0.6))
        return out
    if one.kind == "posterior-subcapsular-cataract":
        # A small plaque about the visual axis, granular and lacy towards its border.
        reach = 1.0 + 0.9 * one.density
        plaque = _step((reach * _uneven(angle, 0.045, 9, rng) - r) / 0.7)
        lace = np.zeros_like(r)
        for _ in range(10):
            way, phase = rng.uniform(0, 2 * math.pi, 2)
            fine = rng.uniform(5.0, 9.0)
            lace += np.cos(fine * (math.cos(way) * x + math.sin(way) * y) + phase) / 4
        thin = np.clip(r / reach, 0.0, 1.0)
        return np.asarray(plaque * np.clip(1.0 + 0.45 * thin * (lace - 0.5), 0.0, 1.0))
    # Blood is everywhere, in clouds; a little of it only dims.
    cloud = np.zeros_like(r)
    for _ in range(6):
        wave, phase = rng.normal(0, 0.9, 2), rng.uniform(0, 2 * math.pi)
        cloud += np.cos(wave[0] * x + wave[1] * y + phase) / 6
    # At full density there is no gap between the clouds.
    gaps = 1.0 - one.density
    return np.asarray(np.clip(1.0 + gaps * (1.2 * cloud - 0.4), 0.0, 1.0))


def _uneven(
    angle: NDArray[np.float64], amount: float, most: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return the distance of an uneven border along each direction, about 1."""
    out: NDArray[np.float64] = np.ones(angle.shape)
    for k in range(2, most):
        out += amount * math.sqrt(2 / k) * np.cos(k * angle + rng.uniform(0, 2 * math.pi))
    return out


def _step(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a smooth step from 0 at -0.5 to 1 at 0.5."""
    t = np.clip(level + 0.5, 0.0, 1.0)
    return np.asarray(t * t * (3 - 2 * t))
