"""Where new vessels arise: from the disc or within a disc diameter of it, or from a vein beyond."""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from server.rendering.disc import ANGLES
from server.rendering.findings.new_vessels.fronds import Allowed, Plan
from server.rendering.scene import Scene
from server.rendering.vessels import grow
from server.rendering.vessels.model import Tree

SPARED_DEG = 10.1
"""Radius about the fovea kept clear in eyes whose macula is spared: its own 9.5 and a margin."""
_SPARING_SHARE = 0.67
_REGION = (-7.0, 0.0, 17.2)
"""Fronds lie where the usual photograph shows them: about (x, y), within degrees."""


class Places:
    """Places of one eye's new vessels; the same at every severity."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.spares = bool(scene.rng("new-vessels spares macula").random() < _SPARING_SHARE)

    @cached_property
    def veins(self) -> Tree:
        """The veins before any change, so that a finding's severity moves no root."""
        return grow(self.scene.eye, self.scene.anatomy).veins

    @cached_property
    def _margin(self) -> NDArray[np.float64]:
        return self.scene.anatomy.disc_radius(ANGLES)

    def near_disc(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the distance from the disc's margin, degrees, negative on the disc."""
        dx, dy = x - self.scene.anatomy.disc_x, y - self.scene.anatomy.disc_y
        edge = np.interp(np.arctan2(dy, dx), ANGLES, self._margin, period=2 * math.pi)
        return np.asarray(np.hypot(dx, dy) - edge, float)

    def macula_free(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell which points an eye's new vessels may reach: in most, none of the macula."""
        return np.asarray(np.hypot(x, y) > (SPARED_DEG + 0.6 if self.spares else 3.0))

    def at_disc(self) -> list[Plan]:
        """Return fans that start on the disc and stay within one disc diameter of it."""
        scene = self.scene
        rng = scene.rng("new-vessels disc places")
        # The first fan rarely points at the macula; the others lie elsewhere round the disc.
        first = math.pi + rng.normal(0, 0.95)
        angles = first + np.array([0.0, rng.choice([-1, 1]) * rng.uniform(1.2, 2.0), 0.0, 0.0])
        angles[2] = 2 * first - angles[1] + rng.normal(0, 0.2)
        angles[3] = first + math.pi + rng.normal(0, 0.3)
        onsets = np.array([0.0, 0.20, 0.42, 0.62]) + rng.uniform(-0.06, 0.06, 4) * [0, 1, 1, 1]
        wanted = rng.random(4) < [1.0, 0.92, 0.7, 0.5]
        plans = []
        for n in range(4):
            far, lean = rng.uniform(0.25, 0.75), rng.normal(0, 0.3)
            opening, reach = rng.uniform(2.0, 3.3), rng.uniform(4.2, 6.2) * (1, 0.85, 0.75, 0.7)[n]
            angle = float(angles[n])
            if self.spares and math.cos(angle) > 0.55:
                reach *= 0.6
            if not wanted[n]:
                continue
            # A small disc has room for small fans only: half in proportion.
            reach *= 0.5 + 0.5 * scene.dd / 6.2
            radius = float(scene.anatomy.disc_radius(angle))
            hub = scene.from_disc(far * radius, angle)
            root = self._vein_near(*scene.from_disc(max(far - 0.35, 0.1) * radius, angle), 0.0)
            plans.append(
                Plan(f"disc {n}", root, hub, angle + lean, opening, reach, float(onsets[n]))
            )
        return plans

    def allowed_at_disc(self) -> Allowed:
        """Tell where fans of the disc may spread."""
        limit = self.scene.dd - 1.0
        return lambda x, y: (self.near_disc(x, y) < limit) & self.macula_free(x, y)

    def elsewhere(self, count: int = 4) -> list[Plan]:
        """Return fronds that arise from veins more than a disc diameter from the disc."""
        scene, veins = self.scene, self.veins
        rng = scene.rng("new-vessels elsewhere places")
        keys = rng.random(len(veins))
        reach = rng.uniform(2.8, 4.4, count) * np.array([1.0, 1.0, 0.85, 0.75])[:count]
        away = rng.uniform(0.45, 1.1, count)
        opening = rng.uniform(3.0, 6.1, count)
        side, lean = rng.choice([-1.0, 1.0], count), rng.normal(0, 0.35, count)
        onsets = np.array([0.0, 0.30, 0.52, 0.70])[:count] + rng.uniform(-0.05, 0.05, count)
        onsets[0] = 0.0
        x, y = veins.x, veins.y
        clear = self.near_disc(x, y) > scene.dd + 2.4
        ecc = np.hypot(x, y)
        good = clear & (ecc > SPARED_DEG + 1.6) & (veins.radius > 0.06) & (veins.radius < 0.22)
        good &= np.hypot(x - _REGION[0], y - _REGION[1]) < _REGION[2]
        # Of a flattened picture the upper and lower edges are cut off.
        good &= np.abs(y) < 14.5
        plans: list[Plan] = []
        tx, ty = veins.tangent()
        order = np.argsort(keys)
        for node in order[good[order]]:
            if len(plans) == count:
                break
            n = len(plans)
            here = float(x[node]), float(y[node])
            if any(math.dist(here, plan.hub) < plan.reach + reach[n] + 1.2 for plan in plans):
                continue
            normal = side[n] * np.array([-ty[node], tx[node]])
            hub = here[0] + away[n] * normal[0], here[1] + away[n] * normal[1]
            heading = math.atan2(normal[1], normal[0]) + lean[n]
            # Wheels lie back over the vein they come from.
            plans.append(
                Plan(
                    f"elsewhere {n}", here, (float(hub[0]), float(hub[1])), heading,
                    float(opening[n]), float(reach[n]), float(onsets[n]),
                )
            )  # fmt: skip
        return plans

    def allowed_elsewhere(self) -> Allowed:
        """Tell where fronds elsewhere may spread."""
        limit = self.scene.dd + 1.0
        return lambda x, y: (self.near_disc(x, y) > limit) & self.macula_free(x, y)

    def _vein_near(self, x: float, y: float, least: float) -> tuple[float, float]:
        veins = self.veins
        far = np.hypot(veins.x - x, veins.y - y) + np.where(veins.radius > least, 0.0, 99.0)
        node = int(np.argmin(far))
        return float(veins.x[node]), float(veins.y[node])
