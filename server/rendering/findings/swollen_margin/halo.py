"""The halo: swollen, opaque nerve fibres about the disc, and the raised head itself.

Fibres that axoplasm stagnates in scatter light: they veil the retina, the disc's margin and
later the vessels with a pinkish grey. The veil begins on the nasal side and at the poles,
closes temporally last, and frays outwards along the fibres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.rendering.disc import ANGLES, DiscLook, Profile, look_up
from server.rendering.fibres import fibre_angle
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import smoothstep
from server.rendering.noise import Noise
from server.rendering.scene import Scene

_VEIL = (0.84, 0.212, 0.160)
"""Light scattered by fully opaque swollen fibres: greyer than the disc."""
_TINT = ((0.0, 0.25, 0.5, 1.0), (1.90, 1.50, 1.02, 0.62))
"""Factor on it by pigmentation."""
_SHINES_THROUGH = 0.42
"""Share of the light behind that even the densest fibres let through."""
# Progress along the scale at which the halo is first told, by degrees from the gap's middle.
_FROM_GAP = (0.0, 14.0, 72.0, 105.0, 180.0)
_BEGINS = (1.99, 1.93, 0.98, 0.90, 0.72)


def _strength(since: ArrayLike) -> NDArray[np.float64]:
    """Return the veil's opacity at its densest, by progress since it can be told."""
    since = np.asarray(since, float)
    return np.asarray(
        0.68 * smoothstep(-0.75, 0.80, since) + 0.22 * smoothstep(0.5, 3.0, since), float
    )


TOLD = float(_strength(0.0))
"""Opacity from which the halo can be told from the fibres of a normal disc."""


@dataclass(frozen=True, eq=False)
class Halo:
    """The veil of swollen fibres of one scene.

    Parameters
    ----------
    seed : of the eye.
    disc_x, disc_y : the disc's centre, degrees.
    edge : the healthy margin's distance from it, by angle.
    peak : the veil's opacity at its densest, by angle.
    reach : how far beyond the margin it extends, degrees, by angle.
    frayed : 0 (an even border) to 1 (finger-like).
    dome : 0 (the rim alone is raised) to 1 (the whole head).
    """

    seed: int
    disc_x: float
    disc_y: float
    edge: Profile
    peak: Profile
    reach: Profile
    frayed: float
    dome: float

    @classmethod
    def of(cls, scene: Scene, along: float) -> Halo:
        """Return the halo of an eye at a progress along the scale."""
        rng = scene.rng("swollen-margin halo")
        gap = rng.normal(0.06, 0.13)
        lean, wave, phase = rng.normal(0, 0.05), rng.uniform(0.0, 0.08), rng.uniform(0, 2 * math.pi)
        from_gap = np.abs(np.angle(np.exp(1j * (ANGLES - gap))))
        warped = from_gap * (1 + wave * np.sin(2 * ANGLES + phase)) + lean * np.sin(from_gap)
        begins = np.interp(np.degrees(np.clip(warped, 0, math.pi)), _FROM_GAP, _BEGINS)
        since = along - begins
        wide = rng.uniform(0.85, 1.2)
        uneven = scene.line_noise("swollen-margin reach", 0.8, 2 * math.pi).at(ANGLES)
        grown = smoothstep(-0.8, 4.5, since)
        reach = wide * (1.00 + 2.10 * grown) * (1 + 0.12 * np.clip(uneven, -2, 2))
        return cls(
            seed=scene.eye.seed,
            disc_x=scene.disc.x,
            disc_y=scene.disc.y,
            edge=scene.disc.outline.copy(),
            peak=_strength(since),
            reach=reach,
            frayed=float(0.35 + 0.65 * smoothstep(1.8, 3.4, along)),
            dome=float(smoothstep(2.4, 4.4, along)),
        )

    def _polar(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        dx, dy = x - np.float32(self.disc_x), y - np.float32(self.disc_y)
        theta = np.arctan2(dy, dx)
        r = np.hypot(dx, dy)
        return theta, r, r - look_up(self.edge, theta)

    def level(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Return the radial position: 0 at the disc's centre, 1 on its healthy margin."""
        theta, r, _ = self._polar(np.asarray(x, np.float32), np.asarray(y, np.float32))
        return r / look_up(self.edge, theta)

    def _along_fibres(
        self, layer: str, cell: float, squeeze: float, psi: Floats, r: Floats
    ) -> Floats:
        """Return noise drawn out along the fibres, closed around the disc."""
        # Sampled on the plane with distances from the margin squeezed, so that there is
        # no seam at any angle and neighbouring fibres part further out.
        radius = 3.0 + squeeze * (r - 3.0)
        return Noise(self.seed, layer, cell).at(radius * np.cos(psi), radius * np.sin(psi))

    def opacity(self, x: Floats, y: Floats) -> Floats:
        """Return how opaque the fibres are at canonical points, 0 to 1, float32."""
        return self._opacity(x, y)[0]

    def _opacity(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return the opacity with its striae, and without them."""
        theta, r, beyond = self._polar(x, y)
        psi = fibre_angle(x, y, self.disc_x, self.disc_y)
        peak = look_up(self.peak, theta)
        fingers = self._along_fibres("swollen-margin fingers", 0.75, 0.30, psi, r)
        fingers += 0.55 * self._along_fibres("swollen-margin fingers fine", 0.32, 0.22, psi, r)
        reach = look_up(self.reach, theta) * np.clip(
            1 + np.float32(0.26 * self.frayed) * fingers, 0.35, 1.9
        )
        # Densest at the margin, thinning outwards without an edge of its own.
        outer = np.exp(-((np.maximum(beyond, 0) / np.maximum(0.62 * reach, 0.05)) ** 1.6))
        # On the disc the rim is veiled first, the whole head late.
        inner = smoothstep(-1.0, 0.1, beyond)
        inner = inner + np.float32(0.38 * self.dome) * (1 - inner)
        plain = peak * np.where(beyond > 0, outer, inner)
        lines = self._along_fibres("swollen-margin striae", 0.20, 0.16, psi, r)
        lines += 0.7 * self._along_fibres("swollen-margin striae fine", 0.09, 0.12, psi, r)
        out = plain * np.clip(1 + np.float32(0.17) * lines, 0.3, 1.6)
        out *= 1 + np.float32(0.10) * Noise(self.seed, "swollen-margin cloud", 0.9).at(x, y)
        return np.clip(out, 0, 0.97).astype(np.float32), plain.astype(np.float32)

    def arc_deg(self) -> float:
        """Return the part of the circumference with a halo that can be told, degrees."""
        return float((self.peak >= TOLD).sum())

    def crop(self, scene: Scene) -> Crop:
        """Return the part of the picture that the swelling may touch."""
        return scene.about_disc(float((self.edge + 1.9 * self.reach).max()) + 0.3)

    def paint(self, scene: Scene) -> Floats:
        """Veil the retina and the disc, and shade the raised border, under the vessels.

        Returns
        -------
        The opacity of the veil over ``crop``.
        """
        crop = self.crop(scene)
        light = scene.linear[crop.slices]
        xs, ys = scene.frame.degrees(crop)
        cover, plain = self._opacity(xs, ys)
        theta, _, beyond = self._polar(xs, ys)
        peak = look_up(self.peak, theta)
        reach = look_up(self.reach, theta)
        lit = np.float32(scene.rng("swollen-margin light").uniform(0, 2 * math.pi))
        steep = peak * np.exp(-(((beyond - 0.42 * reach) / (0.50 * reach + 0.12)) ** 2))
        shade = steep * (np.float32(0.05) - np.float32(0.13) * np.cos(theta - lit))
        # In a blonde fundus much light comes back from behind and is scattered again.
        tint = float(np.interp(scene.eye.pigmentation, *_TINT))
        for channel, much in enumerate((0.8, 1.0, 1.05)):
            light[..., channel] *= 1 - np.float32(1 - _SHINES_THROUGH) * cover
            light[..., channel] += np.float32(_VEIL[channel] * tint) * cover
            light[..., channel] *= 1 - np.float32(much) * shade
        # What is thinner than can be told is not outlined; nor is the disc itself.
        told = (peak >= TOLD) & (plain >= 0.5 * TOLD) & (beyond > -0.35)
        scene.add_mask("swelling-halo", told, crop)
        return cover


def swell(disc: DiscLook, halo: Halo, along: float) -> None:
    """Change the disc itself: redder, blurred, wider, and late without its cup."""
    at_margin = halo.peak
    red = 0.60 * smoothstep(0.2, 3.0, along) - 0.15 * smoothstep(4.2, 5.5, along)
    disc.hyperaemia = np.clip(disc.hyperaemia + float(red) * (0.5 + 0.5 * at_margin), 0, 1)
    disc.capillaries *= float(1 + 1.1 * smoothstep(0.8, 3.5, along))
    disc.margin_width = disc.margin_width + 0.72 * at_margin**1.2 + 0.55 * at_margin * halo.dome
    disc.outline = disc.outline * (1 + 0.24 * at_margin * float(smoothstep(1.6, 4.8, along)))
    disc.height = disc.height + at_margin * float(smoothstep(1.2, 3.5, along))
    filled = float(smoothstep(2.5, 4.0, along))
    disc.cup = disc.cup * (1 - 0.93 * filled)
    disc.cup_depth *= 1 - 0.9 * filled
    disc.cup_softness = disc.cup_softness + 0.16 * filled
    disc.pores *= 1 - filled
    # Zones and ring at the healthy margin drown under the swollen fibres.
    bare = 1 - np.clip(2.2 * at_margin, 0, 1)
    for name in ("scleral_ring", "alpha", "beta", "crescent", "crescent_pigment"):
        setattr(disc, name, getattr(disc, name) * bare)
    disc.halo *= 1 - 0.5 * float(smoothstep(0.5, 3.0, along))
