"""Vessels that belong to neither tree: new vessels, collaterals, drawn as blood columns.

They are strokes with a calibre at every point. The shading follows that of the
retinal vessels (``vessels.shading``): more blood in a wider column, and denser
against the white of the disc than against the deep glow of the choroid.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from server.rendering.frame import Crop, Floats
from server.rendering.lesions import Triple, smoothstep
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke, draw

ARTERIAL: Triple = (0.16, 0.92, 0.74)
"""Absorption of bright blood in a thin column: it passes most of the red."""
VENOUS: Triple = (0.36, 0.95, 0.78)


def blood_columns(
    scene: Scene, strokes: Sequence[Stroke], crop: Crop, *, soft: float = 0.012
) -> Floats:
    """Return how full of vessel each pixel is, 0 to 1, true for lines thinner than a pixel."""
    return draw(scene.frame, strokes, soft=soft, crop=crop)


def paint_columns(scene: Scene, cover: Floats, depth: float, colour: Triple, crop: Crop) -> None:
    """Lay blood columns over the picture, in place.

    Parameters
    ----------
    cover : from ``blood_columns``, of the crop's shape.
    depth : optical depth of a full column in units of the colour.
    colour : absorption in red, green and blue.
    """
    rows, columns = np.nonzero(cover)
    here = scene.linear[crop.slices]
    light = here[rows, columns]
    xs, ys = scene.frame.columns[crop.left + columns], scene.frame.rows[crop.top + rows]
    on = smoothstep(0.0, 1.0, (1.12 - scene.disc.level(xs, ys)) / 0.24).astype(np.float32)
    thick = np.float32(depth) * cover[rows, columns]
    # The disc returns more red than a picture can hold; blood on it is seen
    # against white tissue close behind.
    red, green = light[..., 0], light[..., 1]
    top = np.minimum(red, np.maximum(np.float32(0.92), np.float32(1.7) * green))
    red += np.clip(1.3 * thick, 0, 1) * on * (top - red)
    dense = 1 + np.float32(1.1) * on
    light[..., 0] *= np.exp(-np.float32(colour[0]) * thick * (1 + np.float32(0.8) * on))
    light[..., 1] *= np.exp(-np.float32(colour[1]) * thick * dense)
    light[..., 2] *= np.exp(-np.float32(colour[2]) * thick * dense)
    here[rows, columns] = light
