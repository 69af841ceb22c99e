"""The area of a frond, as graders take it: the retina it spreads over, not its blood columns.

It is measured on a grid of its own, fixed to the retina, so that it is the same in every view.
Closing (dilation, then erosion) fills the meshes and keeps the outline; both steps only grow
when vessels are added, so the area rises with severity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from server.rendering.eye import MM_PER_DEGREE
from server.rendering.frame import Crop, Floats, Frame
from server.rendering.lesions import smoothstep
from server.rendering.strokes import Stroke, draw

_CELL_DEG = 0.08
CELL_MM2 = (_CELL_DEG * MM_PER_DEGREE) ** 2
"""Area of retina of one cell."""
_BRIDGE_DEG = 0.42
"""Half the widest mesh that still counts as covered."""
_BORDER_DEG = 0.06


@dataclass(frozen=True, eq=False)
class Extent:
    """The area covered by strokes, as signed distance (degrees, positive inside) on a grid."""

    frame: Frame
    level: Floats

    @classmethod
    def of(cls, strokes: Sequence[Stroke]) -> Extent | None:
        """Return the extent of strokes, None if there is nothing."""
        points = [stroke.points[stroke.radii > 0.004] for stroke in strokes]
        everything = np.concatenate(points) if points else np.empty((0, 2))
        if len(everything) == 0:
            return None
        low, high = everything.min(axis=0) - 1.2, everything.max(axis=0) + 1.2
        middle, across = (low + high) / 2, float((high - low).max())
        # Cells lie on one lattice of the retina whatever is drawn: nothing shifts.
        middle = np.round(middle / _CELL_DEG) * _CELL_DEG
        size = 2 * (int(across / _CELL_DEG) // 2 + 1)
        frame = Frame(size * _CELL_DEG, (float(middle[0]), float(middle[1])), size)
        # Hair-fine lines count as much as wide ones as soon as they can be seen.
        grown = [
            Stroke(stroke.points, np.where(stroke.radii > 0.004, 0.06, 0.0)) for stroke in strokes
        ]
        drawn = draw(frame, grown, soft=0.01) > 0.3
        far = ndimage.distance_transform_edt(~drawn) * _CELL_DEG
        wide = far <= _BRIDGE_DEG
        inner = ndimage.distance_transform_edt(wide) * _CELL_DEG
        outer = ndimage.distance_transform_edt(~wide) * _CELL_DEG
        level = (inner - outer) - np.float32(_BRIDGE_DEG - _BORDER_DEG)
        return cls(frame, level.astype(np.float32))

    def cells(self) -> tuple[Floats, Floats]:
        """Return the canonical x and y of every covered cell."""
        rows, columns = np.nonzero(self.level > 0)
        return self.frame.columns[columns], self.frame.rows[rows]

    def over(self, frame: Frame, crop: Crop) -> Floats:
        """Return the signed distance at the pixels of a crop of a picture, degrees."""
        scale = frame.degrees_per_px / _CELL_DEG
        first_x, first_y = self.frame.to_pixels(
            float(frame.columns[crop.left]), float(frame.rows[crop.top])
        )
        return np.asarray(
            ndimage.affine_transform(
                self.level, np.array([scale, scale]), offset=(first_y, first_x),
                output_shape=crop.shape, order=1, mode="constant", cval=-9.0,
            ),
            np.float32,
        )  # fmt: skip

    def cover(self, frame: Frame, crop: Crop, soft: float) -> Floats:
        """Return the area as a cover with a soft border (half-width in degrees)."""
        return smoothstep(-soft, soft, self.over(frame, crop)).astype(np.float32)
