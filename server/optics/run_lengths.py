"""Grids of small whole numbers as run lengths: short to keep, and plain for a page to read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import BadInput


def runs(cells: ArrayLike) -> list[int]:
    """Return value, count, value, count, ... of a grid of whole numbers in reading order."""
    flat = np.asarray(cells).astype(np.int64).ravel()
    if not flat.size:
        return []
    starts = np.concatenate([[0], np.flatnonzero(np.diff(flat)) + 1])
    counts = np.diff(np.append(starts, flat.size))
    return [int(number) for number in np.stack([flat[starts], counts], axis=1).ravel()]


def grid(kept: Sequence[int], n: int) -> NDArray[np.int32]:
    """Return the grid of shape (n, n) that ``runs`` wrote; BadInput if it is none."""
    flat = np.repeat(np.asarray(kept[0::2], np.int32), kept[1::2])
    if flat.size != n * n:
        raise BadInput(f"run lengths hold {flat.size} cells, not {n} by {n}")
    return flat.reshape(n, n)
