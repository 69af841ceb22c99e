"""Masks as outlines: a few simplified polygons that can be drawn over a picture.

Coordinates are whole numbers from 0 to 1000 across the square picture, so the
same outline fits any displayed size. An outline is for showing and for
pointing; areas and distances are measured on the masks themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from contourpy import FillType, contour_generator
from shapely.geometry import MultiPolygon, Point
from shapely.geometry import Polygon as Shape
from shapely.geometry.base import BaseGeometry

from server.errors import BadInput
from server.rendering.eye import Mask

PICTURE_UNITS = 1000
"""Width and height of every picture in outline coordinates."""

MAX_POINTS = 300
"""Most points one kind of lesion may use; about 3 kB as JSON, 1 kB sent."""

MAX_PARTS = 30
"""Most separate outlines for one kind: more than that is clutter on a phone."""

MIN_RADIUS = 8.0
"""A speck is drawn at least this large, about 3 px on a phone 390 px wide."""

MERGE_GAP = 5.0
"""Neighbours closer than twice this become one outline."""

MIN_HOLE_AREA = 150.0
"""Smaller holes are filled: they would read as lesions of their own."""

POINTING_TOLERANCE = 25.0
"""How far outside an outline a tap still counts: half a fingertip of 9 mm (common practice,
no source) on a phone whose picture is 360 pixels wide."""

MAX_CONTOUR_PX = 1100
"""Larger masks are pooled first; finer detail is lost in rounding anyway."""

TOLERANCES = (0.8, 1.2, 1.8, 2.7, 4.0, 6.0)
"""How far a simplified outline may run from the traced one, tried in this order."""

MAX_TRACED = 300
"""A mask in more pieces than this is pooled further: its pieces would merge anyway."""

Vertex = tuple[int, int]


@dataclass(frozen=True)
class Region:
    """One closed outline with its holes.

    Parameters
    ----------
    kind : the mask it was drawn from, e.g. 'haemorrhage'.
    exterior : vertices (x, y) in 0..1000, not repeating the first one.
    holes : inner rings, each like ``exterior``.
    """

    kind: str
    exterior: tuple[Vertex, ...]
    holes: tuple[tuple[Vertex, ...], ...] = ()

    def svg_path(self) -> str:
        """Path data for an SVG of viewBox '0 0 1000 1000', filled even-odd."""
        rings = (self.exterior, *self.holes)
        return "".join("M" + "L".join(f"{x} {y}" for x, y in ring) + "Z" for ring in rings)

    def to_dict(self) -> dict[str, Any]:
        """Plain lists for JSON, each ring flattened to x0, y0, x1, y1, ..."""
        return {
            "kind": self.kind,
            "exterior": _flat(self.exterior),
            "holes": [_flat(hole) for hole in self.holes],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Region:
        """Read what `to_dict` wrote; raises BadInput when it is something else."""
        try:
            return cls(
                str(data["kind"]),
                _paired(data["exterior"]),
                tuple(_paired(hole) for hole in data["holes"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise BadInput(f"this is not a stored outline: {error!r}") from error

    def shape(self) -> BaseGeometry:
        """As a shapely geometry, repaired if rounding made it touch itself."""
        polygon = Shape(self.exterior, self.holes)
        return polygon if polygon.is_valid else polygon.buffer(0)


def outline(
    mask: Mask, kind: str, *, max_points: int = MAX_POINTS, max_parts: int = MAX_PARTS
) -> tuple[Region, ...]:
    """Outline a mask with a bounded number of points, largest part first.

    Parameters
    ----------
    mask : bool, shape (size, size).
    kind : name given to every region.
    max_points, max_parts : bounds over all regions together.

    Notes
    -----
    Near neighbours are merged, and specks too small to be seen as an outline
    are grown to `MIN_RADIUS`, so the outline of scattered small lesions holds
    more than the lesions; that of a lesion of ordinary size follows its edge.
    """
    if mask.ndim != 2 or mask.shape[0] != mask.shape[1]:
        raise BadInput(f"a mask is square; this one has the shape {mask.shape}")
    if max_parts < 1 or max_points < 8 * max_parts:
        raise BadInput("an outline needs at least one part and eight points for each part")
    finest = MAX_CONTOUR_PX
    traced = _trace(mask, finest)
    while len(traced) > MAX_TRACED:
        finest //= 2
        traced = _trace(mask, finest)
    if not traced:
        return ()
    gap = MERGE_GAP
    while True:
        parts = _merged(traced, gap)
        if len(parts) <= max_parts:
            for tolerance in TOLERANCES:
                regions = _rounded(parts, tolerance, kind)
                if sum(_points(region) for region in regions) <= max_points:
                    return regions
        # Ends at the latest when everything has run together into one part.
        gap *= 1.6


NOT_OUTLINED: frozenset[str] = frozenset({"field", "arterioles", "venules", "rim", "macula"})
"""Masks that cover the picture or draw themselves: an outline would only add clutter."""


def outline_all(masks: Mapping[str, Mask]) -> dict[str, tuple[Region, ...]]:
    """Outline every structure and lesion of a rendering that has an outline worth showing."""
    return {
        kind: outline(mask, kind)
        for kind, mask in masks.items()
        if kind not in NOT_OUTLINED and mask.any()
    }


def contains(
    regions: Iterable[Region], x: float, y: float, tolerance: float = POINTING_TOLERANCE
) -> bool:
    """Whether a point lies in one of the regions, or within ``tolerance`` of one.

    A hole larger than the tolerance is outside. Raises BadInput for a point
    outside the picture.
    """
    if not (0 <= x <= PICTURE_UNITS and 0 <= y <= PICTURE_UNITS):
        raise BadInput(f"the point ({x}, {y}) lies outside the picture, which is 0 to 1000")
    point = Point(x, y)
    return any(region.shape().distance(point) <= tolerance for region in regions)


def _trace(mask: Mask, finest: int) -> list[Shape]:
    """Polygons along the edges of a mask of at most ``finest`` pixels, in picture units."""
    size = mask.shape[0]
    factor = -(-size // finest)
    if factor > 1:
        # Any lesion pixel keeps its block: pooling must not lose a speck.
        padding = -size % factor
        padded = np.pad(mask, ((0, padding), (0, padding)))
        blocks = padded.shape[0] // factor
        mask = np.asarray(padded.reshape(blocks, factor, blocks, factor).any(axis=(1, 3)))
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if rows.size == 0:
        return []
    top, left = int(rows[0]), int(columns[0])
    cropped = mask[top : int(rows[-1]) + 1, left : int(columns[-1]) + 1]
    heights = np.pad(cropped, 1).astype(np.float32)
    filled = contour_generator(z=heights, fill_type=FillType.OuterOffset).filled(0.5, 2.0)
    scale = PICTURE_UNITS * factor / size
    shapes = []
    for points, offsets in zip(*filled, strict=True):
        # A pixel's sample sits at its middle; the padding moved it by one.
        placed = (points + np.array([left - 0.5, top - 0.5])) * scale
        rings = [placed[start:end] for start, end in pairwise(offsets)]
        shapes.append(Shape(rings[0], rings[1:]).simplify(0.3))
    return shapes


def _merged(traced: Sequence[Shape], gap: float) -> list[Shape]:
    """Close gaps, fill small holes, grow specks; largest first."""
    closed = shapely.union_all([shape.buffer(gap, quad_segs=4) for shape in traced])
    parts = [_without_small_holes(part.buffer(-gap, quad_segs=4)) for part in _polygons(closed)]
    grown = [_visible(part) for shape in parts for part in _polygons(shape)]
    united = _polygons(shapely.union_all(grown))
    return sorted(united, key=lambda part: -part.area)


def _visible(part: Shape) -> BaseGeometry:
    radius = float(shapely.minimum_bounding_radius(part))
    if radius >= MIN_RADIUS:
        return part
    return part.centroid.buffer(MIN_RADIUS, quad_segs=4)


def _without_small_holes(shape: BaseGeometry) -> BaseGeometry:
    kept = [
        Shape(part.exterior, [h for h in part.interiors if Shape(h).area >= MIN_HOLE_AREA])
        for part in _polygons(shape)
    ]
    return MultiPolygon(kept)


def _rounded(parts: Sequence[Shape], tolerance: float, kind: str) -> tuple[Region, ...]:
    regions = []
    for part in parts:
        # A small part keeps a shape of its own: a quarter of its size at most.
        simple = part.simplify(min(tolerance, max(1.2, float(np.sqrt(part.area)) / 5)))
        exterior = _ring(simple.exterior.coords)
        if len(exterior) < 3:
            continue
        # Once a ring must be coarse, small holes are the first to go.
        least = MIN_HOLE_AREA * max(1.0, tolerance)
        rings = [_ring(hole.coords) for hole in simple.interiors if Shape(hole).area >= least]
        regions.append(Region(kind, exterior, tuple(ring for ring in rings if len(ring) >= 3)))
    return tuple(regions)


def _ring(coordinates: Iterable[Sequence[float]]) -> tuple[Vertex, ...]:
    """Whole numbers inside the picture, without repeats."""
    vertices: list[Vertex] = []
    for x, y, *_ in coordinates:
        vertex = (
            min(max(round(x), 0), PICTURE_UNITS),
            min(max(round(y), 0), PICTURE_UNITS),
        )
        if not vertices or vertices[-1] != vertex:
            vertices.append(vertex)
    if len(vertices) > 1 and vertices[0] == vertices[-1]:
        vertices.pop()
    return tuple(vertices)


def _polygons(shape: BaseGeometry) -> list[Shape]:
    parts = shapely.get_parts(shape)
    return [part for part in parts if isinstance(part, Shape) and not part.is_empty]


def _points(region: Region) -> int:
    return len(region.exterior) + sum(len(hole) for hole in region.holes)


def _flat(ring: Sequence[Vertex]) -> list[int]:
    return [value for vertex in ring for value in vertex]


def _paired(values: Sequence[Any]) -> tuple[Vertex, ...]:
    numbers = [int(value) for value in values]
    if len(numbers) < 6 or len(numbers) % 2:
        raise ValueError("a ring has at least three points of two numbers")
    return tuple(zip(numbers[::2], numbers[1::2], strict=True))
