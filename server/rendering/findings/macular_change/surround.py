"""Lightening a lesion towards the macula round it, not only the spot it covers.

A deposit, a membrane or a scar hides the dark epithelium and the yellow pigment
of the foveal centre. Multiplying what is there alone would leave it dark;
so part of the lift starts from the light of the surrounding retina.
"""

from __future__ import annotations

import numpy as np

from server.rendering.blurring import gaussian
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import Triple
from server.rendering.scene import Scene

_WIDE_DEG = 3.2


def surrounding_light(scene: Scene, crop: Crop) -> Floats:
    """Return the light of the neighbourhood (3 degrees), without the foveal dip."""
    light = scene.linear[crop.slices]
    xs, ys = scene.frame.degrees(crop)
    # The foveal centre itself does not count, or its darkness would leak in.
    weight = np.float32(1.0) - np.float32(0.92) * np.exp(-(xs * xs + ys * ys) / np.float32(6.0))
    # Nor does the dark outside of the field, nor the bright disc.
    weight = weight * (scene.disc.level(xs, ys) > 1.2)
    weight = np.asarray(weight, np.float32)
    # Weighted light and weights blurred together, then divided: a weighted mean.
    stack = np.concatenate([light * weight[..., None], weight[..., None]], axis=-1)
    wide = gaussian(stack, _WIDE_DEG * scene.frame.px_per_degree)
    return np.asarray(wide[..., :3] / np.maximum(wide[..., 3:], np.float32(1e-3)), np.float32)


def lift_towards(
    light: Floats, cover: Floats, factor: Triple, surround: Floats, share: float
) -> None:
    """Multiply light where ``cover`` is 1, in place, after drawing it to its surroundings.

    Parameters
    ----------
    share : 0 lifts what is there, 1 lifts the surrounding light instead.
    """
    for c in range(3):
        here = light[..., c]
        start = here + np.float32(share) * (surround[..., c] - here)
        light[..., c] = here + cover * (np.float32(factor[c]) * start - here)
