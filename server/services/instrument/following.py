"""What was looked at: a recording followed over its eye, measured, and what was left unseen."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from contourpy import contour_generator
from scipy import ndimage

from server.errors import BadInput
from server.optics import Coverage, RecordedPath, Routine, check_against, cover, decode, routine
from server.services.instrument.patient import FIELD_DEG, Patient
from server.services.instrument.view import Cells
from server.services.stops import Group, Stop, grouped, stops_of

COUNT_SLACK = 0.01
"""By how much the page's own count of cells may differ from the one made here."""


@dataclass(frozen=True)
class Followed:
    """A recording followed over its eye.

    Parameters
    ----------
    coverage : cell by cell.
    routine : the measures of the examination.
    stops : stays in one region after another, in order.
    unseen_path : what was not seen, as an SVG path in 0..1000 coordinates, to fill even-odd.
    """

    coverage: Coverage = field(compare=False, repr=False)
    routine: Routine
    stops: tuple[Stop, ...]
    unseen_path: str

    @classmethod
    def of(cls, path: RecordedPath, coverage: Coverage) -> Followed:
        """Return what a recording and its coverage come to."""
        return cls(coverage, routine(coverage), stops_of(path, coverage), _unseen(coverage))

    @property
    def groups(self) -> tuple[Group, ...]:
        """The stops as the routine has them: disc, vessels by quadrant, periphery, macula."""
        return grouped(self.stops, tuple(one.region for one in self.routine.regions))

    @property
    def never_seen(self) -> tuple[str, ...]:
        """Regions of which nothing was looked at."""
        return tuple(one.region for one in self.routine.regions if one.share == 0.0)


def follow(
    text: str,
    patient: Patient,
    cells: Cells,
    *,
    counted: int | None = None,
    elapsed_ms: int | None = None,
) -> Followed:
    """Follow a recording over its eye.

    Parameters
    ----------
    counted : cells that the page itself counted as seen, None without a count.
    elapsed_ms : since the eye was dealt, None where that is not kept.

    Raises
    ------
    BadInput
        If the recording is broken, not of this eye, or not what the page counted.
    """
    path = decode(text)
    check_against(
        path,
        elapsed_ms=elapsed_ms,
        pupils_mm=(patient.pupil_mm,),
        field_deg=FIELD_DEG,
        centre_deg=patient.centre_deg,
    )
    coverage = cover(path, cells.ground, cells.needs, patient.setting)
    seen = int(coverage.seen.sum())
    if counted is not None and abs(counted - seen) > max(COUNT_SLACK * seen, 1):
        raise BadInput(
            "The recording does not match what the page counted. Reload the page and look again."
        )
    return Followed.of(path, coverage)


def _unseen(coverage: Coverage) -> str:
    seen = np.pad(coverage.seen.astype(float), 2)
    n = coverage.ground.n
    # Rounded off, so that the small fields look as round as they were.
    smooth = ndimage.gaussian_filter(seen, 0.9)
    parts = ["M0 0H1000V1000H0z"]
    for ring in contour_generator(z=smooth).lines(0.5):
        points = (np.asarray(ring) - 2 + 0.5) * (1000 / n)
        parts.append("M" + "L".join(f"{x:.0f} {y:.0f}" for x, y in points) + "z")
    return "".join(parts)
