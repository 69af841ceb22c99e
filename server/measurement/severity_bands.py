"""How often a finding was seen, by how much of it there was, in the trade's unit."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from server.errors import BadInput
from server.measurement.proportions import Proportion

LOWER_ENDS: Mapping[str, tuple[float, ...]] = {
    # One band a stage of the modified Frisén scale.
    "Frisén stage": (1.0, 2.0, 3.0, 4.0, 5.0),
    # The visible floor, then steps about as wide as one eye differs from another.
    "loss of rim redness": (0.15, 0.3, 0.45, 0.6),
    "vertical cup-to-disc ratio": (0.0, 0.6, 0.7, 0.8, 0.9),
    # A quarter and a half of a disc area divide moderate from severe new vessels
    # (Diabetic Retinopathy Study); the tenth below is our own.
    "disc areas": (0.0, 0.1, 0.25, 0.5, 1.0),
    # Each about three times the one before: areas are judged by ratio.
    "mm2": (0.0, 0.3, 1.0, 3.0, 10.0),
}
"""Where each band begins, by unit; the last one has no upper end."""


@dataclass(frozen=True, slots=True)
class SeverityBand:
    """Eyes with about as much of a finding.

    Parameters
    ----------
    low, high : measure in the trade's unit, low <= measure < high; the last
        band's high is infinite.
    seen : in how many of the eyes the finding was seen.
    """

    low: float
    high: float
    seen: Proportion


def severity_bands(
    looks: Iterable[tuple[float, bool]], lower_ends: tuple[float, ...]
) -> tuple[SeverityBand, ...]:
    """Sort looks at eyes with a finding into bands of severity, least first.

    Parameters
    ----------
    looks : the measure of each eye, and whether the finding was seen in it.
    lower_ends : rising; a measure below the first counts in the first band.

    Raises
    ------
    BadInput : no bands, or their ends do not rise; a measure is not a number.
    """
    if not lower_ends or any(low >= high for low, high in pairwise(lower_ends)):
        raise BadInput("bands of severity need rising lower ends, at least one")
    counts = [[0, 0] for _ in lower_ends]
    for measure, seen in looks:
        if math.isnan(measure):
            raise BadInput("a measure of severity must be a number")
        band = counts[max(0, bisect_right(lower_ends, measure) - 1)]
        band[0] += seen
        band[1] += 1
    return tuple(
        SeverityBand(low, high, Proportion(*count))
        for low, high, count in zip(lower_ends, (*lower_ends[1:], math.inf), counts, strict=True)
    )
