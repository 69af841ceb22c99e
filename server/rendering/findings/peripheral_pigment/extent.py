"""Where the disease lies: a ring about the posterior pole, or one sector of it.

It begins in the mid-periphery, spreads both ways and spares the centre until
late (Garg and others, review of retinitis pigmentosa).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.rendering.frame import Floats, Frame
from server.rendering.lesions import smoothstep
from server.rendering.noise import Noise
from server.rendering.streams import stream

POLE_X = -5.0
"""Middle of the posterior pole: the ring surrounds the arcades, so disc and fovea."""
_FLATTENING = 1.15
INNERMOST_DEG = 12.5
"""Nearest to the fovea that pigment is ever drawn, degrees."""
# Where sectors lie: mostly below and nasal, then below and temporal (y runs down).
_SECTORS = (math.radians(125.0), math.radians(60.0), math.radians(-60.0), math.radians(-125.0))
_SECTOR_SHARES = (0.46, 0.30, 0.12, 0.12)


@dataclass(frozen=True)
class Extent:
    """The ring of one eye; ``sector`` is None or the (middle, half-width) angle in radians."""

    seed: int
    sector: tuple[float, float] | None = None

    @classmethod
    def of(cls, seed: int, variant: str) -> Extent:
        """Draw the extent of an eye's disease."""
        if variant != "sector":
            return cls(seed)
        rng = stream(seed, "peripheral-pigment sector")
        middle = float(rng.choice(_SECTORS, p=_SECTOR_SHARES)) + float(rng.normal(0.0, 0.14))
        return cls(seed, (middle, float(rng.uniform(0.62, 0.92))))

    def depth(self, x: NDArray[np.floating], y: NDArray[np.floating]) -> Floats:
        """Return how far out in the disease points lie: degrees from the pole, unevenly."""
        slow = Noise(self.seed, "peripheral-pigment extent", 9.0).at(x, y)
        quick = Noise(self.seed, "peripheral-pigment extent", 3.6).at(x, y)
        return self._bend(x, y, slow, quick)

    def depth_over(self, frame: Frame) -> Floats:
        """Return ``depth`` over a frame."""
        slow = Noise(self.seed, "peripheral-pigment extent", 9.0).over(frame)
        quick = Noise(self.seed, "peripheral-pigment extent", 3.6).over(frame)
        return self._bend(frame.x, frame.y, slow, quick)

    def _bend(
        self, x: NDArray[np.floating], y: NDArray[np.floating], slow: Floats, quick: Floats
    ) -> Floats:
        ring = np.hypot((x - np.float32(POLE_X)) / np.float32(_FLATTENING), y)
        depth = ring + np.float32(2.1) * slow + np.float32(0.9) * quick
        if self.sector is not None:
            # Outside the sector it is as if one were still near the pole.
            depth = depth - np.float32(26.0) * (
                1 - self.weight(x, y, slow + np.float32(0.7) * quick)
            )
        return np.asarray(depth, np.float32)

    def weight(
        self, x: NDArray[np.floating], y: NDArray[np.floating], slow: Floats | float = 0.0
    ) -> Floats:
        """Return 1 inside the sector and 0 outside; 1 everywhere without a sector."""
        if self.sector is None:
            return np.ones(np.shape(x), np.float32)
        middle, half = self.sector
        angle = np.arctan2(y, np.asarray(x) - POLE_X) - middle
        apart = np.abs(np.arctan2(np.sin(angle), np.cos(angle))) + 0.10 * slow
        return np.asarray(1 - smoothstep(half - 0.30, half + 0.24, apart), np.float32)
