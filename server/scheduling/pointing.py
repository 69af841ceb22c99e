"""Whether the place a learner pointed at lies in a finding."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from shapely.geometry import Point, Polygon

from server.errors import BadInput

PICTURE_SPAN = 1000.0
"""Pictures are 1000 units wide and high, whatever their pixels."""

TOLERANCE = 25.0
"""A fingertip is about 9 mm wide (common practice, no source): at 360 pixels of
picture width, this many units of reach beyond the outline is half of it."""


def place_is_right(
    point: tuple[float, float],
    regions: Iterable[Sequence[tuple[float, float]]],
    tolerance: float = TOLERANCE,
) -> bool:
    """Tell whether a point lies in a region or within reach of its outline.

    Parameters
    ----------
    point : (x, y) in 0..1000 of the picture, y down.
    regions : outlines of findings that are present, each of at least three
        points in the same units. An outline that crosses itself counts with
        every area it encloses.
    tolerance : reach beyond the outline, same units.

    Raises
    ------
    BadInput : the point lies outside the picture.
    """
    x, y = point
    if not (0.0 <= x <= PICTURE_SPAN and 0.0 <= y <= PICTURE_SPAN):
        raise BadInput(f"the place ({x}, {y}) lies outside the picture (0 to 1000)")
    place = Point(x, y)
    for outline in regions:
        if len(outline) < 3:
            continue
        polygon = Polygon(outline)
        shape = polygon if polygon.is_valid else polygon.buffer(0)
        if shape.distance(place) <= tolerance:
            return True
    return False
