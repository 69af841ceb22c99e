"""How red the rim of the disc photographs, and how much of that it has lost."""

from __future__ import annotations

import numpy as np

from server.rendering.camera import encode_light
from server.rendering.disc import Profile
from server.rendering.disc_surface import cup_light, rim_light
from server.rendering.scene import Scene

_SLOPE = 0.09
"""Share of the cup's light in what photographs as the rim: its inner slope, and stray light.

Measured on our own finished pictures, so that a stated loss is one that can be seen.
"""


def rim_redness(scene: Scene) -> Profile:
    """Return encoded red over green of the rim at each of the 360 angles."""
    slope = _SLOPE * cup_light(scene.disc, scene.eye)
    encoded = encode_light((1 - _SLOPE) * rim_light(scene.disc, scene.eye) + slope, scene.eye)
    return np.asarray(encoded[:, 0] / encoded[:, 1], float)


def redness_loss(fall: Profile) -> float:
    """Return the mean fall over the rim, or over its palest quarter if that is more."""
    quarter = np.convolve(np.concatenate([fall, fall[:89]]), np.ones(90) / 90, mode="valid")
    return float(max(fall.mean(), quarter.max()))
