"""What the optic disc of one scene is like: the parameters that findings bend.

Every profile is an array of 360 values, one for each degree of canonical
angle about the disc's centre: index 0 points temporally (to the fovea's
side), 90 inferiorly, 180 nasally, 270 superiorly. ``ANGLES`` holds the same in
radians, so that ``disc.pallor += 0.5 * around(angle, half_width)`` reads as it
is meant. Painting is in ``server.rendering.disc_surface``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from server.rendering.anatomy import Anatomy
from server.rendering.eye import MM_PER_DEGREE, Eye, Fact
from server.rendering.frame import Crop, Floats, Frame
from server.rendering.streams import stream

Profile = NDArray[np.float64]

ANGLES: Profile = np.arange(360, dtype=np.float64) * (math.pi / 180)
"""Canonical angle of each entry of a profile, radians."""
TEMPORAL, INFERIOR, NASAL, SUPERIOR = 0.0, math.pi / 2, math.pi, 1.5 * math.pi


def around(angle: float, half_width: float) -> Profile:
    """Return a Gaussian bump over the angles: 1 at ``angle``, exp(-1) a half-width away."""
    apart = np.angle(np.exp(1j * (ANGLES - angle)))
    return np.asarray(np.exp(-((apart / half_width) ** 2)))


def towards(angle: float, power: float = 1.0) -> Profile:
    """Return a profile that is 1 towards ``angle`` and 0 on the far side (raised cosine)."""
    return np.asarray((0.5 + 0.5 * np.cos(ANGLES - angle)) ** power)


def look_up(profile: Profile, theta: Floats) -> Floats:
    """Return a profile at the given angles (radians), linear between its entries."""
    angles = np.ascontiguousarray(theta, np.float32)
    out = np.empty(angles.size, np.float32)
    # Two entries more: rounding can carry an angle just below a full turn to 360 itself.
    _interpolate(np.append(profile, profile[:2]).astype(np.float32), angles.ravel(), out)
    return out.reshape(angles.shape)


@njit(cache=True, fastmath=True)
def _interpolate(table: Floats, angles: Floats, out: Floats) -> None:
    for n in range(angles.size):
        position = angles[n] * np.float32(57.29577951308232)
        position -= np.float32(360) * np.floor(position * np.float32(1 / 360))
        low = np.int32(position)
        a = table[low]
        out[n] = a + (position - np.float32(low)) * (table[low + 1] - a)


@dataclass
class DiscLook:
    """The disc as it will be painted. Start from ``DiscLook.of`` and change at will.

    Attributes
    ----------
    x, y : centre, canonical degrees.
    outline : distance of the margin from the centre, degrees.
    margin_width : half-width of the margin's softness, degrees (0.06 is crisp, 0.6 is lost).
    cup : distance of the cup's edge from the disc's centre, as a fraction of ``outline``;
        the rim is what is left, ``1 - cup``.
    cup_softness : half-width of the cup's edge as a fraction of ``outline``
        (0.04 is punched out, 0.3 is a gentle slope).
    cup_depth : 0 (a dimple) to 1 (deep, bare lamina): shading and whiteness.
    pores : visibility of the lamina's pores, 0 to 1.
    pallor : loss of the rim's blood, 0 to 1.
    hyperaemia : extra blood in the rim, 0 to 1.
    waxy : yellow cast of the disc (consecutive atrophy), 0 to 1.
    blood : the healthy rim's own blood, optical depth in green.
    height : how far the tissue bulges forward, 0 to 1 (shades the slopes).
    capillaries : strength of the fine vessel texture on the rim, 1 is average.
    scleral_ring : strength of the thin bright ring at the margin, 0 to 1.
    alpha, beta : width of the irregular-pigment and of the bare zone outside the margin, degrees.
    crescent : width of a sharply edged bare-sclera crescent (myopia), degrees.
    crescent_pigment : strength of the broken dark line along the margin or crescent, 0 to 1.
    halo : the peripapillary brightness, 1 is average.
    """

    x: float
    y: float
    outline: Profile
    margin_width: Profile
    cup: Profile
    cup_softness: Profile
    cup_depth: float
    pores: float
    pallor: Profile
    hyperaemia: Profile
    waxy: float
    blood: Profile
    height: Profile
    capillaries: float
    scleral_ring: Profile
    alpha: Profile
    beta: Profile
    crescent: Profile
    crescent_pigment: Profile
    halo: float

    @classmethod
    def of(cls, eye: Eye, anatomy: Anatomy) -> DiscLook:
        """Return the healthy disc of an eye."""
        rng = stream(eye.person_seed, "disc look")
        # A cup smaller than its own offset would not contain the disc's centre,
        # about which the profiles are measured: bring it nearer.
        room = 0.75 * min(anatomy.cup_ratio_horizontal, anatomy.cup_ratio_vertical)
        far = math.hypot(anatomy.cup_x, anatomy.cup_y)
        if far > room:
            shrink = room / far
            anatomy = replace(anatomy, cup_x=anatomy.cup_x * shrink, cup_y=anatomy.cup_y * shrink)
        outline = anatomy.disc_radius(ANGLES)
        cup = np.maximum(anatomy.cup_radius(ANGLES) / outline, 0.03)
        cup = _smooth(cup, 3)
        nasal = towards(NASAL, 1.5)
        tilted = anatomy.disc_tilt * np.cos(ANGLES - anatomy.disc_tilt_angle)
        margin = 0.10 + 0.20 * nasal * rng.uniform(0.5, 1.5) + 0.12 * np.maximum(-tilted, 0)
        wall = anatomy.cup_wall
        softness = (0.22 - 0.15 * wall) * (1 - 0.30 * np.cos(ANGLES - NASAL))
        # A gentle temporal slope is normal; the nasal wall is steep.
        softness = np.minimum(softness * (0.55 + 0.9 * cup), 0.8 * cup + 0.02)
        # In a light fundus the rim is paler too, or it would be redder than the retina.
        rim_blood = rng.normal(0.80, 0.10) * (0.36 + 0.64 * min(eye.pigmentation / 0.45, 1.0))
        blood = rim_blood * (0.84 + 0.31 * towards(NASAL, 1.2)) * (1 + 0.10 * tilted)
        zones = 0.35 + 0.65 * towards(anatomy.zone_angle, 2.0)
        ragged = 1 + 0.35 * np.cos(3 * ANGLES + rng.uniform(0, 6.28)) * rng.uniform(0, 1)
        zone_shape = zones**2.2 * ragged
        ring = rng.beta(1.2, 2.2) * (0.25 + 0.75 * towards(TEMPORAL, 1.5))
        pigment = float(rng.random() < 0.35) * rng.uniform(0.3, 1.0)
        place = rng.normal(0.0, 0.7)
        return cls(
            x=anatomy.disc_x,
            y=anatomy.disc_y,
            outline=outline,
            margin_width=margin,
            cup=cup,
            cup_softness=softness,
            cup_depth=anatomy.cup_depth,
            pores=float(np.clip(1.3 * (anatomy.cup_depth - 0.35), 0, 1) * rng.uniform(0.2, 1)),
            pallor=np.zeros(360),
            hyperaemia=np.zeros(360),
            waxy=0.0,
            blood=blood,
            height=np.zeros(360),
            capillaries=float(rng.uniform(0.6, 1.4)),
            scleral_ring=ring,
            alpha=anatomy.alpha_zone * zone_shape,
            beta=anatomy.beta_zone * zone_shape,
            crescent=np.zeros(360),
            crescent_pigment=pigment * around(place, 0.75),
            halo=float(rng.uniform(0.6, 1.3)),
        )

    @property
    def mean_radius(self) -> float:
        """Mean distance of the margin from the centre, degrees."""
        return float(self.outline.mean())

    @property
    def rim(self) -> Profile:
        """Width of the rim as a fraction of ``outline``."""
        return 1.0 - self.cup

    def set_cup(self, vertical: float, horizontal: float) -> None:
        """Stretch the cup to the given cup-to-disc ratios, keeping its shape and place."""
        now_v, now_h = self.cup_ratios()
        across = np.cos(ANGLES) ** 2
        stretch = across * (horizontal / now_h) + (1 - across) * (vertical / now_v)
        self.cup = np.clip(self.cup * stretch, 0.02, 0.98)

    def notch(self, angle: float, half_width: float, depth: float) -> None:
        """Take ``depth`` (fraction of the radius) off the rim around an angle, radians."""
        self.cup = np.clip(self.cup + depth * around(angle, half_width), 0.02, 0.985)

    def cup_ratios(self) -> tuple[float, float]:
        """Return the vertical and horizontal cup-to-disc diameter ratios.

        Extents of the whole outline (not chords through the centre), as they
        are read off a photograph.
        """
        cup = self.cup * self.outline
        sin, cos = np.sin(ANGLES), np.cos(ANGLES)
        return (
            float(np.ptp(cup * sin) / np.ptp(self.outline * sin)),
            float(np.ptp(cup * cos) / np.ptp(self.outline * cos)),
        )

    def level(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Return the radial position on the disc: 0 at the centre, 1 on the margin."""
        dx = np.asarray(x, np.float32) - np.float32(self.x)
        dy = np.asarray(y, np.float32) - np.float32(self.y)
        level: Floats = np.hypot(dx, dy) / look_up(self.outline, np.arctan2(dy, dx))
        return level

    def crop(self, frame: Frame, reach: float = 1.0, margin: float = 0.3) -> Crop:
        """Return the part of a frame within ``reach`` disc radii (plus degrees of margin)."""
        return frame.crop(self.x, self.y, reach * float(self.outline.max()) + margin)

    def masks(self, frame: Frame) -> dict[str, NDArray[np.bool_]]:
        """Return the masks of disc, cup and rim over the frame."""
        shape = (frame.size_px, frame.size_px)
        disc, cup = np.zeros(shape, bool), np.zeros(shape, bool)
        crop = self.crop(frame)
        if not crop.empty:
            xs, ys = frame.degrees(crop)
            dx, dy = xs - np.float32(self.x), ys - np.float32(self.y)
            theta, r = np.arctan2(dy, dx), np.hypot(dx, dy)
            disc[crop.slices] = r < look_up(self.outline, theta)
            cup[crop.slices] = r < look_up(self.outline * self.cup, theta)
        return {"disc": disc, "cup": cup, "rim": disc & ~cup}

    def facts(self) -> dict[str, Fact]:
        """Return sizes, cup-to-disc ratios and rim widths in the trade's units."""
        sin, cos = np.sin(ANGLES), np.cos(ANGLES)
        vertical, horizontal = self.cup_ratios()
        width = (1 - self.cup) * self.outline * MM_PER_DEGREE
        sector = np.round(ANGLES / (math.pi / 2)).astype(int) % 4
        out: dict[str, Fact] = {
            "disc_vertical_mm": float(np.ptp(self.outline * sin)) * MM_PER_DEGREE,
            "disc_horizontal_mm": float(np.ptp(self.outline * cos)) * MM_PER_DEGREE,
            "disc_area_mm2": float(np.mean(self.outline**2) * np.pi) * MM_PER_DEGREE**2,
            "cup_disc_ratio_vertical": vertical,
            "cup_disc_ratio_horizontal": horizontal,
            "rim_thinnest_ratio": float((0.5 * (1 - self.cup)).min()),
        }
        for k, name in enumerate(("temporal", "inferior", "nasal", "superior")):
            out[f"rim_width_{name}_mm"] = float(width[sector == k].mean())
        return out


def _smooth(profile: Profile, half: int) -> Profile:
    """Average a profile over ``2 * half + 1`` degrees, closing the circle."""
    span = np.arange(-half, half + 1)
    wide: Profile = profile[(np.arange(360)[:, None] + span[None, :]) % 360].mean(axis=1)
    return wide
