"""The modified Frisén scale, and how severity runs along it.

The key feature of each stage (Frisén 1982; modified scale as given in Neuro-Ophthalmology
2023, PMC10332214):

1. a C-shaped greyish halo with a temporal gap,
2. the halo is complete, the nasal border raised, no major vessel hidden,
3. at least one segment of a major vessel hidden as it leaves the disc,
4. a segment hidden on the disc, the whole head raised and the cup filled,
5. all vessels on and leaving the disc at least partly hidden.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SEVERITIES = (0.0, 0.2, 0.4, 0.6, 0.8, 0.93, 1.0)
PROGRESS = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 5.5)
"""Severity to progress along the scale, linear between: a stage for each fifth, the last
one a little early so that the top of the range shows stage 5 well developed."""

TOP_STAGE = 5
LEAST_ARC_DEG = 180.0
"""From this arc on a halo is the C of stage 1 (the scale's C with a temporal gap)."""
WHOLE_ARC_DEG = 355.0
"""From this arc on a halo counts as closed."""


def progress(severity: float) -> float:
    """Return how far along the scale a severity is: the stage, and beyond 5 up to 5.5."""
    return float(np.interp(severity, SEVERITIES, PROGRESS))


@dataclass(frozen=True)
class Signs:
    """What the picture shows of the signs that make the stage.

    Parameters
    ----------
    arc_deg : part of the disc's circumference with a halo, degrees.
    vessels : number of major vessels that leave the disc.
    leaving, on_disc : how many have a hidden segment beyond the margin, and on the disc.
    either : how many have a hidden segment anywhere.
    """

    arc_deg: float
    vessels: int
    leaving: int
    on_disc: int
    either: int

    @property
    def stage(self) -> int:
        """Stage on the modified Frisén scale, 0 to 5.

        A stage counts only with all those before it, as on the scale.
        """
        if self.arc_deg < LEAST_ARC_DEG:
            return 0
        if self.arc_deg < WHOLE_ARC_DEG:
            return 1
        if self.leaving == 0:
            return 2
        if self.on_disc == 0:
            return 3
        return TOP_STAGE if self.leaving >= self.vessels else 4


def graded(signs: Signs, along: float) -> float:
    """Return the continuous stage: ``along``, held to what the signs show.

    Parameters
    ----------
    along : progress along the scale, from ``progress``.
    """
    stage = signs.stage
    if stage == TOP_STAGE:
        return float(TOP_STAGE)
    return float(np.clip(along, stage, stage + 0.999))
