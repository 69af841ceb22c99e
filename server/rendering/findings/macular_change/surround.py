"""Lightening a lesion towards the macula round it, not only the spot it covers.

A deposit, a membrane or a scar hides the dark epithelium and the yellow pigment
of the foveal centre. Multiplying what is there alone would leave it dark;
so part of the lift starts from the light of the surrounding retina.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from server.rendering.blurring import block_means, enlarge, gaussian
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import Triple
from server.rendering.scene import Scene

_WIDE_DEG = 3.2
_BLOCKS_PER_DEGREE = 4.0


def surrounding_light(scene: Scene, crop: Crop) -> Floats:
    """Return the light of the neighbourhood (3 degrees), without the foveal dip."""
    frame = scene.frame
    step = max(1, int(frame.px_per_degree / _BLOCKS_PER_DEGREE))
    light = block_means(scene.linear[crop.slices], step)
    rows, columns = light.shape[:2]
    xs, ys = np.meshgrid(
        frame.columns[crop.left] + (np.arange(columns) + 0.5) * step * frame.degrees_per_px,
        frame.rows[crop.top] + (np.arange(rows) + 0.5) * step * frame.degrees_per_px,
    )
    # The foveal centre itself does not count, or its darkness would leak in.
    weight = 1.0 - 0.92 * np.exp(-(xs * xs + ys * ys) / 6.0)
    # Nor does the dark outside of the field, nor the bright disc.
    weight = np.asarray(weight * (scene.disc.level(xs, ys) > 1.2), np.float32)
    # Weighted light and weights blurred together, then divided: a weighted mean.
    weight = weight[..., None]
    stack = np.concatenate([light * weight, weight], axis=-1)
    wide = gaussian(stack, _WIDE_DEG * frame.px_per_degree / step)
    mean = np.asarray(wide[..., :3] / np.maximum(wide[..., 3:], 1e-3), np.float32)
    return enlarge(mean, crop.shape, (crop.shape[0] / step, crop.shape[1] / step))


def lift_towards(
    light: Floats, cover: Floats, factor: Triple, surround: Floats, share: float
) -> None:
    """Multiply light where ``cover`` is 1, in place, after drawing it to its surroundings.

    Parameters
    ----------
    share : 0 lifts what is there, 1 lifts the surrounding light instead.
    """
    cover = np.ascontiguousarray(cover, np.float32)
    _lift_towards(light, cover, np.array(factor, np.float32), surround, np.float32(share))


@njit(cache=True, fastmath=True)
def _lift_towards(
    light: Floats, cover: Floats, factor: Floats, surround: Floats, share: np.float32
) -> None:
    for i in range(cover.shape[0]):
        for j in range(cover.shape[1]):
            if cover[i, j] == np.float32(0.0):
                continue
            for c in range(3):
                here = light[i, j, c]
                start = here + share * (surround[i, j, c] - here)
                light[i, j, c] = here + cover[i, j] * (factor[c] * start - here)
