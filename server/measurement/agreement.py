"""Agreement between readers beyond chance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from server.errors import BadInput

Weighting = Literal["none", "linear", "quadratic"]


def cohen_kappa(table: Sequence[Sequence[int]], weighting: Weighting = "none") -> float:
    """Return Cohen's kappa, (observed - expected) / (1 - expected) agreement.

    J. Cohen, *Educ Psychol Meas* 20 (1960) 37-46; weighted, *Psychol Bull* 70
    (1968) 213-220.

    Parameters
    ----------
    table : square, counts of one reader's categories (rows) by the other's.
    weighting : 'linear' or 'quadratic' where categories are ordered, as the
        stages of disc swelling are.

    Raises
    ------
    BadInput : the table is not square, is empty, has negative counts, or both
        readers used one and the same category throughout.
    """
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.shape[0] < 2:
        raise BadInput("agreement needs a square table of two or more categories")
    if (counts < 0).any() or counts.sum() == 0:
        raise BadInput("agreement needs counts, and at least one")
    size = len(counts)
    distance = np.abs(np.subtract.outer(np.arange(size), np.arange(size))).astype(np.float64)
    if weighting == "none":
        distance = (distance > 0).astype(np.float64)
    elif weighting == "quadratic":
        distance **= 2
    elif weighting != "linear":
        raise BadInput(f"weighting {weighting!r} is none of none, linear, quadratic")
    expected = np.outer(counts.sum(axis=1), counts.sum(axis=0)) / counts.sum()
    by_chance = float((distance * expected).sum())
    if by_chance == 0:
        raise BadInput("both readers used one category only: agreement cannot be told from chance")
    return 1 - float((distance * counts).sum()) / by_chance
