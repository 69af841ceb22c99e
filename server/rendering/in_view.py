"""What a picture lets one judge: the disc, the mid-periphery, the macula.

Decided from where the camera points and where the field ends, never from what
is there to be seen: asking about the periphery only when it is pigmented would
give the answer away.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from server.rendering.eye import MM_PER_DEGREE, Mask, Rendering
from server.rendering.visible_floors import DISC_DIAMETER_MM

DISC_MARGIN_MM = 0.2
"""A disc is judged when this much retina shows all round it."""

PERIPHERY_FROM_FOVEA_DEG = 22.0
"""The mid-periphery starts just beyond the arcades, 6 to 7 mm (22 to 25 degrees) from the
fovea (Straatsma and others; value from memory)."""

PERIPHERY_FROM_DISC_DEG = 17.0
"""... and so far beyond the disc, for the retina just nasal of it is posterior pole too."""

PERIPHERY_SHARE = 0.10
"""Least share of the field that must be mid-periphery for it to be judged."""

USUAL_DISC_DEG = (-15.5, -1.7)
"""Canonical place of the average disc (Rohrschneider 2004: 15.5 degrees, 1.5 above)."""


def mm_per_px(rendering: Rendering) -> float:
    """Millimetres of retina across one pixel (the field spans the picture's width)."""
    return rendering.view.field_deg * MM_PER_DEGREE / rendering.view.size_px


def disc_in_view(rendering: Rendering) -> bool:
    """Whether the whole disc lies in the field, with a little retina round it."""
    disc = rendering.masks["disc"]
    if not disc.any():
        return False
    margin = DISC_MARGIN_MM / mm_per_px(rendering)
    rows, columns = np.nonzero(disc)
    low = np.array([rows.min(), columns.min()]) - margin
    high = np.array([rows.max(), columns.max()]) + margin
    if low.min() < 0 or high.max() > disc.shape[0] - 1:
        return False
    field = rendering.masks["field"]
    top, left = np.floor(low).astype(int)
    bottom, right = np.ceil(high).astype(int) + 1
    box = slice(max(top, 0), bottom), slice(max(left, 0), right)
    # Distances from the disc, so that a corner of its bounding box may be dark.
    near = ndimage.distance_transform_edt(~disc[box]) <= margin
    return bool(field[box][near].all())


def macula_in_view(rendering: Rendering) -> bool:
    """Whether the fovea and a disc diameter all round it lie in the field."""
    x, y = _canonical_degrees(rendering)
    reach = DISC_DIAMETER_MM / MM_PER_DEGREE
    centre_x, centre_y = rendering.view.centre_deg
    half = rendering.view.field_deg / 2
    if max(abs(centre_x), abs(centre_y)) + reach > half:
        return False
    near = np.hypot(x, y) <= reach
    return bool(_sampled(rendering.masks["field"])[near].all())


def periphery_in_view(rendering: Rendering) -> bool:
    """Whether enough of the field is mid-periphery."""
    x, y = _canonical_degrees(rendering)
    field = _sampled(rendering.masks["field"])
    beyond = np.hypot(x, y) > PERIPHERY_FROM_FOVEA_DEG
    beyond &= np.hypot(x - USUAL_DISC_DEG[0], y - USUAL_DISC_DEG[1]) > PERIPHERY_FROM_DISC_DEG
    return bool(field.any()) and float(beyond[field].mean()) >= PERIPHERY_SHARE


def _sampled(mask: Mask) -> Mask:
    """Every n-th pixel: about 128 across is plenty for shares of the field."""
    step = max(1, mask.shape[0] // 128)
    return mask[::step, ::step]


def _canonical_degrees(rendering: Rendering) -> tuple[np.ndarray, np.ndarray]:
    """Canonical x and y of the sampled pixels of the displayed picture."""
    size = rendering.view.size_px
    step = max(1, size // 128)
    offsets = ((np.arange(0, size, step) + 0.5) / size - 0.5) * rendering.view.field_deg
    across = -offsets if rendering.eye.side == "right" else offsets
    x, y = np.meshgrid(
        across + rendering.view.centre_deg[0], offsets + rendering.view.centre_deg[1]
    )
    return x, y
