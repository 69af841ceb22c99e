"""Where each pixel of a picture looks: the pixel grid in degrees of retina.

Rendering always happens in the canonical left-eye frame (see
``server.rendering.eye``): the fovea at (0, 0), the disc at negative x, y
down. A right eye is the mirror of the finished picture and masks, which is
the last thing done, so no layer ever needs to know the side.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from server.rendering.eye import MM_PER_DEGREE, View

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Crop:
    """A rectangle of the frame: rows ``top:bottom``, columns ``left:right``."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return self.bottom - self.top, self.right - self.left

    @property
    def empty(self) -> bool:
        """Whether no pixel lies in it, as when the place is out of view."""
        return self.bottom <= self.top or self.right <= self.left

    @property
    def slices(self) -> tuple[slice, slice]:
        """Index of the rectangle in a (rows, columns, ...) array."""
        return slice(self.top, self.bottom), slice(self.left, self.right)

    def strips(self, rows: int = 64) -> Iterator[Crop]:
        """Yield the rectangle in strips, for work whose arrays would not fit the cache."""
        for start in range(self.top, self.bottom, rows):
            yield Crop(start, min(start + rows, self.bottom), self.left, self.right)


@dataclass(frozen=True)
class Frame:
    """The square pixel grid of a view, in canonical degrees.

    Parameters
    ----------
    field_deg : full angle of the round field.
    centre_deg : canonical (x, y) of the middle of the field, in degrees.
    size_px : width and height in pixels.

    Notes
    -----
    Pixel (row, column) covers the square whose middle is
    ``x = centre_x + (column + 0.5 - size / 2) / px_per_degree`` and likewise
    for y, so that two sizes of one view agree after averaging.
    """

    field_deg: float
    centre_deg: tuple[float, float]
    size_px: int

    @classmethod
    def of(cls, view: View) -> Frame:
        """Return the frame of a view."""
        return cls(view.field_deg, view.centre_deg, view.size_px)

    @property
    def px_per_degree(self) -> float:
        """Pixels for one degree."""
        return self.size_px / self.field_deg

    @property
    def degrees_per_px(self) -> float:
        """Degrees for one pixel."""
        return self.field_deg / self.size_px

    @property
    def px_per_mm(self) -> float:
        """Pixels for one millimetre of retina (24 mm eye)."""
        return self.px_per_degree / MM_PER_DEGREE

    @property
    def left_deg(self) -> float:
        """Canonical x of the left edge of the picture."""
        return self.centre_deg[0] - self.field_deg / 2

    @property
    def top_deg(self) -> float:
        """Canonical y of the upper edge of the picture."""
        return self.centre_deg[1] - self.field_deg / 2

    @cached_property
    def columns(self) -> Floats:
        """Canonical x of the pixel columns, degrees, shape (size,)."""
        steps = (np.arange(self.size_px) + 0.5) / self.px_per_degree
        return (self.left_deg + steps).astype(np.float32)

    @cached_property
    def rows(self) -> Floats:
        """Canonical y of the pixel rows, degrees, shape (size,)."""
        steps = (np.arange(self.size_px) + 0.5) / self.px_per_degree
        return (self.top_deg + steps).astype(np.float32)

    @cached_property
    def x(self) -> Floats:
        """Canonical x of every pixel, degrees, shape (size, size)."""
        return np.ascontiguousarray(np.broadcast_to(self.columns[None, :], (self.size_px,) * 2))

    @cached_property
    def y(self) -> Floats:
        """Canonical y of every pixel, degrees, shape (size, size)."""
        return np.ascontiguousarray(np.broadcast_to(self.rows[:, None], (self.size_px,) * 2))

    def forget_grids(self) -> None:
        """Let the grids of every pixel go; they are made again when asked for.

        Frames are kept as keys of what is remembered between pictures, and the
        grids of a large one are larger than what is remembered.
        """
        self.__dict__.pop("x", None)
        self.__dict__.pop("y", None)

    def to_pixels(self, x: float, y: float) -> tuple[float, float]:
        """Return the (column, row) of a canonical point, pixel middles at integers."""
        return (
            (x - self.left_deg) * self.px_per_degree - 0.5,
            (y - self.top_deg) * self.px_per_degree - 0.5,
        )

    @property
    def whole(self) -> Crop:
        """The whole picture as a crop."""
        return Crop(0, self.size_px, 0, self.size_px)

    def crop(self, x: float, y: float, reach: float) -> Crop:
        """Return the part of the picture within ``reach`` degrees of a point.

        The rectangle is clipped to the picture and empty when nothing of it
        is in view.
        """
        column, row = self.to_pixels(x, y)
        half = reach * self.px_per_degree
        low, high = 0, self.size_px
        return Crop(
            top=int(np.clip(np.floor(row - half), low, high)),
            bottom=int(np.clip(np.ceil(row + half) + 1, low, high)),
            left=int(np.clip(np.floor(column - half), low, high)),
            right=int(np.clip(np.ceil(column + half) + 1, low, high)),
        )

    def crop_box(self, x0: float, y0: float, x1: float, y1: float) -> Crop:
        """Return the part of the picture between two canonical corners."""
        left, top = self.to_pixels(x0, y0)
        right, bottom = self.to_pixels(x1, y1)
        low, high = 0, self.size_px
        return Crop(
            top=int(np.clip(np.floor(top), low, high)),
            bottom=int(np.clip(np.ceil(bottom) + 1, low, high)),
            left=int(np.clip(np.floor(left), low, high)),
            right=int(np.clip(np.ceil(right) + 1, low, high)),
        )

    def degrees(self, crop: Crop) -> tuple[Floats, Floats]:
        """Return canonical x and y of the pixels of a crop, each of its shape."""
        xs, ys = np.meshgrid(
            self.columns[crop.left : crop.right], self.rows[crop.top : crop.bottom]
        )
        return xs, ys

    def no_finer_than(self, px_per_degree: float) -> Frame:
        """Return the same field on a grid that is no finer than that, for smooth layers."""
        return Frame(
            self.field_deg,
            self.centre_deg,
            min(self.size_px, round(self.field_deg * px_per_degree)),
        )

    def strips(self, rows: int = 64) -> Iterator[slice]:
        """Yield row slices, for work that would not fit the cache at once."""
        for start in range(0, self.size_px, rows):
            yield slice(start, min(start + rows, self.size_px))
