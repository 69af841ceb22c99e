"""The shape of one healthy eye: where its disc lies, how large it is, how it is cupped.

Everything is drawn once per eye from published distributions and never looked
at again by a random number generator, so that a finding can bend a copy of it
(``dataclasses.replace``) without shifting anything else.

Angles of the disc are canonical: 0 points to the fovea (temporal), -pi/2 is
superior, pi nasal, +pi/2 inferior. Degrees of visual angle unless said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.rendering.cup_sizes import (
    DISC_MEAN_MM,
    DISC_OVAL,
    DISC_OVAL_SD,
    DISC_SD_MM,
    cup_ratio_percentile,
    draw_cup,
)
from server.rendering.eye import MM_PER_DEGREE, Eye
from server.rendering.fellows import resembling, turned
from server.rendering.streams import stream

_DISTANCE_MEAN_MM = 4.76
_DISTANCE_SD_MM = 0.34

CAMERA_ROLL_DEG = 2.5
"""Standard deviation of the roll of a photograph, degrees."""

__all__ = ["CAMERA_ROLL_DEG", "Anatomy", "cup_ratio_percentile", "draw_anatomy"]

Harmonic = tuple[int, float, float]
"""Order, relative amplitude and phase of one ripple of an outline."""


@dataclass(frozen=True)
class Anatomy:
    """One healthy eye, in canonical degrees with the fovea at (0, 0).

    Parameters
    ----------
    disc_x, disc_y : centre of the optic disc.
    disc_width, disc_height : its diameters along and across ``disc_axis``.
    disc_axis : radians by which the disc's vertical is turned (torsion).
    disc_harmonics : ripples on the elliptical outline.
    disc_tilt : 0 (flat) to 1 (strongly oblique insertion); normal eyes stay under 0.35.
    disc_tilt_angle : direction in which the disc slopes away (its lower, blunter side).
    cup_x, cup_y : centre of the cup relative to the disc's centre, along the disc's own axes,
        in disc half-diameters.
    cup_ratio_vertical, cup_ratio_horizontal : diameters of the cup over those of the disc.
    cup_harmonics : ripples on the cup's outline.
    cup_depth : 0 (a shallow dimple) to 1 (a deep bowl with bare lamina).
    cup_wall : 0 (sloping) to 1 (punched out).
    faz_radius : radius about the fovea that no visible vessel enters.
    cilioretinal : an artery of the macula enters at the disc's edge by itself.
    cilioretinal_angle : where on the disc's edge.
    artery_tortuosity, vein_tortuosity : 1 is average.
    arteriosclerosis : 0 (none) to 1 (copper-wire arteries, nicked veins).
    tessellation : 0 (choroid hidden) to 1 (choroidal vessels plain to see).
    lustre : 0 (none) to 1 (the wet sheen of a child's fundus).
    nerve_fibre : relative thickness of the nerve-fibre layer, 1 is average.
    macular_pigment : relative density of the yellow pigment, 1 is average.
    alpha_zone, beta_zone : widest extent of the irregular-pigment and the bare zone at the
        disc's edge; 0 when the eye has none.
    zone_angle : direction in which those zones are widest.
    """

    disc_x: float
    disc_y: float
    disc_width: float
    disc_height: float
    disc_axis: float
    disc_harmonics: tuple[Harmonic, ...]
    disc_tilt: float
    disc_tilt_angle: float
    cup_x: float
    cup_y: float
    cup_ratio_vertical: float
    cup_ratio_horizontal: float
    cup_harmonics: tuple[Harmonic, ...]
    cup_depth: float
    cup_wall: float
    faz_radius: float
    cilioretinal: bool
    cilioretinal_angle: float
    artery_tortuosity: float
    vein_tortuosity: float
    arteriosclerosis: float
    tessellation: float
    lustre: float
    nerve_fibre: float
    macular_pigment: float
    alpha_zone: float
    beta_zone: float
    zone_angle: float

    @property
    def disc_distance(self) -> float:
        """Distance from the fovea to the disc's centre, degrees."""
        return math.hypot(self.disc_x, self.disc_y)

    @property
    def disc_angle(self) -> float:
        """Angle by which the fovea lies below the disc's centre, degrees."""
        return math.degrees(math.atan2(-self.disc_y, -self.disc_x))

    @property
    def disc_diameter(self) -> float:
        """Mean diameter of the disc, degrees (the trade's 'disc diameter')."""
        return 0.5 * (self.disc_width + self.disc_height)

    @property
    def disc_horizontal_mm(self) -> float:
        return float(self._extent(0.0)) * MM_PER_DEGREE

    @property
    def disc_vertical_mm(self) -> float:
        return float(self._extent(math.pi / 2)) * MM_PER_DEGREE

    @property
    def disc_area_mm2(self) -> float:
        radius = self.disc_radius(np.linspace(0, 2 * np.pi, 720, endpoint=False))
        return float(np.mean(radius**2) * np.pi) * MM_PER_DEGREE**2

    def _extent(self, angle: float) -> float:
        """Chord of the disc through its centre at one angle."""
        ends = self.disc_radius(np.array([angle, angle + math.pi]))
        return float(ends.sum())

    def disc_radius(self, angle: ArrayLike) -> NDArray[np.float64]:
        """Distance from the disc's centre to its margin at canonical angles (radians)."""
        turned = np.asarray(angle, dtype=float) - self.disc_axis
        radius = _ellipse(self.disc_width / 2, self.disc_height / 2, turned)
        return radius * _ripple(self.disc_harmonics, turned)

    def cup_radius(self, angle: ArrayLike) -> NDArray[np.float64]:
        """Distance from the *disc's* centre to the cup's edge at canonical angles (radians).

        The cup is star-shaped about its own centre, which always lies well
        inside it; where the disc's centre falls outside a small cup the radius
        is 0 over the directions that miss it. Use ``cup_level`` for pixels.
        """
        theta = np.asarray(angle, dtype=float)
        steps = np.linspace(0.0, 1.0, 96)
        reach = self.disc_radius(theta)[..., None] * steps
        inside = (
            self.cup_level(
                self.disc_x + reach * np.cos(theta)[..., None],
                self.disc_y + reach * np.sin(theta)[..., None],
            )
            < 1.0
        )
        return np.asarray(np.where(inside, reach, 0.0).max(axis=-1))

    def cup_level(self, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
        """Radial position in the cup: 0 at its centre, 1 on its edge, above 1 outside."""
        dx = np.asarray(x, dtype=float) - self.disc_x
        dy = np.asarray(y, dtype=float) - self.disc_y
        cos, sin = math.cos(self.disc_axis), math.sin(self.disc_axis)
        # Along the disc's own axes, as fractions of its half-diameters.
        u = (dx * cos + dy * sin) / (self.disc_width / 2) - self.cup_x
        v = (-dx * sin + dy * cos) / (self.disc_height / 2) - self.cup_y
        half_u = max(self.cup_ratio_horizontal, 1e-3)
        half_v = max(self.cup_ratio_vertical, 1e-3)
        return np.hypot(u / half_u, v / half_v) / _ripple(
            self.cup_harmonics, np.arctan2(v / half_v, u / half_u)
        )

    def disc_level(self, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
        """Radial position on the disc: 0 at its centre, 1 on its margin, above 1 outside."""
        dx = np.asarray(x, dtype=float) - self.disc_x
        dy = np.asarray(y, dtype=float) - self.disc_y
        return np.hypot(dx, dy) / self.disc_radius(np.arctan2(dy, dx))

    def rim_widths_mm(self) -> dict[str, float]:
        """Mean rim width in the four 90-degree sectors, millimetres."""
        angle = np.linspace(-np.pi, np.pi, 360, endpoint=False)
        width = (self.disc_radius(angle) - self.cup_radius(angle)) * MM_PER_DEGREE
        sector = np.round(angle / (np.pi / 2)).astype(int) % 4
        names = ("temporal", "inferior", "nasal", "superior")
        return {name: float(width[sector == k].mean()) for k, name in enumerate(names)}


def _ellipse(
    half_width: float, half_height: float, angle: NDArray[np.float64]
) -> NDArray[np.float64]:
    return (half_width * half_height) / np.hypot(
        half_height * np.cos(angle), half_width * np.sin(angle)
    )


def _ripple(harmonics: tuple[Harmonic, ...], angle: NDArray[np.float64]) -> NDArray[np.float64]:
    factor = np.ones_like(angle)
    for order, amplitude, phase in harmonics:
        factor = factor + amplitude * np.cos(order * angle + phase)
    return factor


def draw_anatomy(eye: Eye) -> Anatomy:
    """Draw the healthy anatomy of an eye from its seed, age and pigmentation.

    It is as the photograph shows it: turned about the fovea by the roll of head
    and camera. A fellow eye is drawn to resemble the person's first.
    """
    return _as_photographed(eye.seed, eye.person, eye.age, eye.pigmentation)


@lru_cache(maxsize=256)
def _as_photographed(seed: int, person: int | None, age: float, pigmentation: float) -> Anatomy:
    anatomy = _draw(seed, age, pigmentation)
    if person is not None:
        anatomy = resembling(_draw(person, age, pigmentation), anatomy)
    # Pure roll of the photograph: SD 2.5 degrees with the eyes' own 3.3 makes the 4.2
    # that 1581 photographs of three public sets show.
    return turned(anatomy, math.radians(stream(seed, "camera roll").normal(0.0, CAMERA_ROLL_DEG)))


def _draw(seed: int, age: float, pigmentation: float) -> Anatomy:
    rng = stream(seed, "anatomy")

    # Size of disc and its distance from the fovea share a little of the size of
    # the eye: without it their ratio spreads wider than the 2.65 +- 0.30 disc
    # diameters of Jonas 2015.
    size, own = rng.normal(size=2)
    width_mm = float(np.clip(DISC_MEAN_MM + DISC_SD_MM * size, 1.20, 2.50))
    together = 0.35 * size + math.sqrt(1 - 0.35**2) * own
    distance_mm = float(np.clip(_DISTANCE_MEAN_MM + _DISTANCE_SD_MM * together, 3.85, 6.3))
    angle = math.radians(rng.normal(6.5, 3.3))
    distance = distance_mm / MM_PER_DEGREE

    # Vertical over horizontal 1.06 to 1.08 (Quigley 1990; ovality 0.92 in young eyes).
    oval = float(np.clip(rng.normal(DISC_OVAL, DISC_OVAL_SD), 0.97, 1.22))
    height_mm = width_mm * oval
    axis = math.radians(float(np.clip(rng.normal(0.0, 5.0), -14, 14)))
    harmonics = tuple(
        (order, float(0.010 * rng.normal() / max(1.0, order / 3)), float(rng.uniform(0, 2 * np.pi)))
        for order in (1, 3, 4, 5)
    )
    tilt = float(np.clip(abs(rng.normal(0.0, 0.13)), 0.0, 0.35))
    # Oblique insertion is mostly towards below (Quigley 1990), the rest temporally.
    tilt_angle = float(rng.normal(0.35 * np.pi, 0.5))

    vertical, horizontal = draw_cup(rng, height_mm)
    # The cup sits temporally and a little up: temporal rim thinnest, inferior broadest.
    room = 1.0 - max(vertical, horizontal)
    cup_x = float(np.clip(rng.normal(0.034, 0.028), -0.04, 0.24)) * min(1.0, room / 0.55)
    cup_y = float(np.clip(rng.normal(-0.019, 0.017), -0.11, 0.06)) * min(1.0, room / 0.55)
    cup_harmonics = tuple(
        (order, float(0.013 * rng.normal()), float(rng.uniform(0, 2 * np.pi)))
        for order in (2, 3, 4)
    )
    depth = float(np.clip(0.15 + 0.95 * vertical + 0.16 * rng.normal(), 0.05, 1.0))
    wall = float(np.clip(0.15 + 0.75 * vertical + 0.20 * rng.normal(), 0.0, 1.0))

    faz = float(np.clip(rng.normal(1.15, 0.16), 0.90, 1.50))

    area_mm2 = math.pi / 4 * width_mm * height_mm
    # No disc under 2.0 mm2 had one, half of those over 4.1 mm2 did, 27% of all
    # (Jonas 1988); temporal in 87%.
    chance = float(np.interp(area_mm2, [1.85, 2.05, 4.1], [0.0, 0.28, 0.50]))
    cilioretinal = bool(rng.random() < chance)
    side = 0.0 if rng.random() < 0.87 else np.pi
    cilioretinal_angle = float(side + rng.normal(0.0, 0.55))

    artery_tortuosity, vein_tortuosity = np.exp(rng.normal(0.0, (0.20, 0.22)))
    ageing = float(np.clip((age - 45.0) / 40.0, 0.0, 1.0))
    sclerosis = float(np.clip(ageing * rng.uniform(0.15, 1.0) + 0.05 * rng.random(), 0.0, 1.0))
    # Grade 0 to 3 rises with age; a dense epithelium hides the choroid.
    choroid = rng.beta(1.2, 3.0) + 0.45 * ageing * rng.random()
    tessellation = float(np.clip(choroid, 0.0, 1.0))
    youth = 1.0 / (1.0 + math.exp((age - 27.0) / 6.5))
    lustre = float(np.clip(youth * rng.uniform(0.35, 1.15), 0.0, 1.0))
    nerve_fibre = float(np.clip(rng.normal(1.05 - 0.25 * ageing, 0.14), 0.6, 1.4))
    macular_pigment = float(np.clip(rng.normal(1.0, 0.32), 0.35, 1.9))

    # Alpha zone in 71%, beta zone in 20% of adults, widest temporally then
    # inferotemporally (Beijing Eye Study); both are rarer in the young.
    alpha_here = rng.random() < 0.45 + 0.35 * min(1.0, age / 60.0)
    alpha = float(rng.gamma(2.0, 0.16)) if alpha_here else 0.0
    beta_here = rng.random() < 0.05 + 0.27 * ageing
    beta = float(rng.gamma(2.0, 0.28)) if beta_here else 0.0
    zone_angle = float(rng.normal(0.20, 0.45))

    return Anatomy(
        disc_x=-distance * math.cos(angle),
        disc_y=-distance * math.sin(angle),
        disc_width=width_mm / MM_PER_DEGREE,
        disc_height=height_mm / MM_PER_DEGREE,
        disc_axis=axis,
        disc_harmonics=harmonics,
        disc_tilt=tilt,
        disc_tilt_angle=tilt_angle,
        cup_x=cup_x,
        cup_y=cup_y,
        cup_ratio_vertical=vertical,
        cup_ratio_horizontal=horizontal,
        cup_harmonics=cup_harmonics,
        cup_depth=depth,
        cup_wall=wall,
        faz_radius=faz,
        cilioretinal=cilioretinal,
        cilioretinal_angle=cilioretinal_angle,
        artery_tortuosity=float(artery_tortuosity),
        vein_tortuosity=float(vein_tortuosity),
        arteriosclerosis=sclerosis,
        tessellation=tessellation,
        lustre=lustre,
        nerve_fibre=nerve_fibre,
        macular_pigment=macular_pigment,
        alpha_zone=min(alpha, 1.2),
        beta_zone=min(beta, 2.0),
        zone_angle=zone_angle,
    )
