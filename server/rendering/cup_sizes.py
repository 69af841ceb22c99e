"""How large discs and their cups are in normal eyes."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np

DISC_MEAN_MM = 1.77
DISC_SD_MM = 0.26
"""Horizontal disc diameter, millimetres (Jonas 1988, magnification-corrected photographs)."""
DISC_OVAL = 1.075
DISC_OVAL_SD = 0.045
"""Vertical over horizontal diameter."""

# Vertical cup-to-disc ratio by vertical disc diameter in millimetres: the 50th
# and 97.5th percentile of 6479 eyes without glaucoma (Crowston 2004, table 4).
_CROWSTON_MM = np.array([1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 1.9])
_CROWSTON_MEDIAN = np.array([0.33, 0.35, 0.39, 0.42, 0.45, 0.50, 0.52, 0.55])
_CROWSTON_UPPER = np.array([0.60, 0.59, 0.67, 0.68, 0.70, 0.71, 0.74, 0.75])
# Straight lines through the table: its rows are noisy (0.60, 0.59, 0.67).
_MEDIAN_LINE = np.polyfit(_CROWSTON_MM, _CROWSTON_MEDIAN, 1)
_UPPER_LINE = np.polyfit(_CROWSTON_MM, _CROWSTON_UPPER, 1)
# His discs average 1.5 mm with about a quarter called small or large, which is
# a spread of about 0.18 mm. His scale is not the one discs are drawn on
# here, so a disc is carried over by its rank, never by its millimetres.
_CROWSTON_MEAN_MM = 1.51
_CROWSTON_SD_MM = 0.18


def cup_ratio_percentile(disc_height_mm: float, percentile: float) -> float:
    """Vertical cup-to-disc ratio at a percentile of normal eyes with this disc height.

    Parameters
    ----------
    disc_height_mm : vertical diameter on this module's scale (mean about 1.9 mm).
    percentile : 0 to 100.

    Notes
    -----
    Crowston 2004, table 4; sizes are matched by rank because his scale is smaller.
    """
    return _cup_at(disc_height_mm, NormalDist().inv_cdf(percentile / 100))


def _cup_at(disc_height_mm: float, deviate: float) -> float:
    mean = DISC_MEAN_MM * DISC_OVAL
    spread = math.hypot(DISC_SD_MM * DISC_OVAL, DISC_MEAN_MM * DISC_OVAL_SD)
    rank = (disc_height_mm - mean) / spread
    size = float(np.clip(_CROWSTON_MEAN_MM + _CROWSTON_SD_MM * rank, 1.05, 2.1))
    median = float(np.polyval(_MEDIAN_LINE, size))
    upper = float(np.polyval(_UPPER_LINE, size))
    spread_up = (upper - median) / 1.96
    return median + deviate * (spread_up if deviate > 0 else min(spread_up, median / 2.2))


def draw_cup(rng: np.random.Generator, disc_height_mm: float) -> tuple[float, float]:
    """Vertical and horizontal cup-to-disc ratio of a normal disc."""
    # Healthy eyes end near the 98.5th percentile: beyond it an eye would be
    # called suspect by the very table it is drawn from.
    deviate = float(np.clip(rng.normal(), -2.4, 2.2))
    vertical = float(np.clip(_cup_at(disc_height_mm, deviate), 0.05, 0.80))
    # Horizontal exceeds vertical in normal cups (Jonas 1988); a vertically oval
    # cup is rare (about one in ten).
    wider = float(np.clip(rng.normal(1.135, 0.085), 0.93, 1.28))
    return vertical, min(vertical * wider, 0.86)
