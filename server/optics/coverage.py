"""What was looked at in a recorded examination: which cells, when, for how long.

Whole numbers throughout, so that the page's own sum and this one are the same. Let row k of
the recording be (t, x, y, aperture, lens, pupil), n rows; grid and labels come from
``regions``, ``needs`` is the lens each cell needs in hundredths of a dioptre. For each k from
0 to n - 2:

1. ``dt = min(t[k+1] - t[k], 1000)``: in a longer gap nobody was looking.
2. The field is a circle of radius ``r`` = ``field_radius`` (hundredths of a degree, rounded
   down) or, for the slit, that circle cut to |cell x - x| <= 75. A cell is in it when its
   middle is: ``(cx - x)^2 + (cy - y)^2 <= r^2``.
3. A cell of the field is in focus when ``-(100 + reserve) <= lens - need <= 100``: within a
   dioptre, or short of plus by what the examiner's eye makes good.
4. Each cell in the field and in focus is given ``dt``. When its sum first reaches 300 it is
   seen, at time ``t[k]``.
5. The cell under the field's middle, if there is one and it is in focus, gives its region
   ``dt`` of attention; when that region's sum first reaches 300 it is visited, at time
   ``t[k]``.

300 ms of looking straight at something is enough to find it in most cases (Carmody, Nodine
and Kundel 1980: 85 % of lung nodules).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from server.errors import BadInput
from server.optics.field_of_view import APERTURES
from server.optics.recorded_path import RecordedPath
from server.optics.reduced_eye import vergence_factor
from server.optics.regions import REGIONS, STEP, Ground, Mask, Whole

GAP_MS = 1000
SEEN_MS = 300
FOCUS_CD = 100
"""How far from its lens a place is still in focus, hundredths of a dioptre: below 1 D is
not told apart."""

SLIT_HALF_WIDTH = 75

NEVER = -1

_PER_RADIAN = 18000.0 / math.pi
_WIDE = tuple(round(50.0 * stop.height_deg) for stop in APERTURES.values())
_SLIT = next(stop.code for stop in APERTURES.values() if not stop.round)


@dataclass(frozen=True)
class Setting:
    """How the examiner stood; the same for a whole examination.

    Parameters
    ----------
    distance_mm : from eye to eye.
    refraction_d : the patient's.
    reserve_d : accommodation that the examiner may bring in.
    """

    distance_mm: float = 25.0
    refraction_d: float = 0.0
    reserve_d: float = 0.0

    def __post_init__(self) -> None:
        vergence_factor(self.refraction_d, self.distance_mm)
        if not 0.0 <= self.reserve_d <= 15.0:
            raise BadInput(f"{self.reserve_d} D of accommodation is outside 0 to 15")


def field_radius(aperture: int, pupil: int, setting: Setting) -> int:
    """Return the radius of the field, hundredths of a degree, rounded down.

    ``floor(min(aperture's radius, 9000 / pi * (pupil / (100 d)) * (1 + dK)))``, the pupil in
    hundredths of a millimetre: half of ``field_of_view.field_deg``.
    """
    factor = 1.0 + 0.001 * setting.distance_mm * setting.refraction_d
    seen = 0.5 * _PER_RADIAN * (pupil / (100.0 * setting.distance_mm)) * factor
    return min(_WIDE[aperture], math.floor(seen))


@dataclass(frozen=True, eq=False)
class Coverage:
    """What was looked at.

    Parameters
    ----------
    ground : the cells.
    dwell : milliseconds each cell was in the field and in focus, int32 (n, n).
    in_field : milliseconds it was in the field, in focus or not.
    seen_at : when it was first seen, milliseconds, ``NEVER`` if not.
    attention : milliseconds by region code.
    visited_at : when each region was first visited, ``NEVER`` if not, by region code.
    visits : stays in one region after another, (region code, from, milliseconds of
        attention), those under 300 ms left out and their neighbours joined.
    duration_ms : of the recording.
    """

    ground: Ground
    dwell: Whole
    in_field: Whole
    seen_at: Whole
    attention: tuple[int, ...]
    visited_at: tuple[int, ...]
    visits: tuple[tuple[int, int, int], ...]
    duration_ms: int

    @property
    def seen(self) -> Mask:
        """Cells that were seen."""
        return np.asarray(self.dwell >= SEEN_MS)

    def share(self, region: str) -> float:
        """Return the share of a region that was seen; 0 if none of it is in the picture."""
        counted = self._counted(region)
        return float(self.seen[counted].mean()) if counted.any() else 0.0

    def shown(self, region: str) -> bool:
        """Whether the picture has any of a region."""
        return bool(self._counted(region).any())

    def total_share(self) -> float:
        """Return the share of the whole picture that was seen."""
        inside = self.ground.labels != 0
        return float(self.seen[inside].mean())

    def _counted(self, region: str) -> Mask:
        if region not in REGIONS[1:]:
            raise BadInput(f"there is no region {region!r}; there are {', '.join(REGIONS[1:])}")
        cells = self.ground.labels == REGIONS.index(region)
        return np.asarray(cells & (self.ground.counted == 1))


def needs_cd(ground: Ground, lens_map_d: NDArray[np.float64]) -> Whole:
    """Return the lens each cell needs, hundredths of a dioptre, from a map of the picture."""
    return np.asarray(np.rint(100.0 * ground.sampled(lens_map_d)), np.int32)


def cover(path: RecordedPath, ground: Ground, needs: Whole, setting: Setting) -> Coverage:
    """Follow a recording over the ground; see the module for the steps.

    Parameters
    ----------
    needs : from ``needs_cd``, int32 of the ground's shape.
    """
    n = ground.n
    if needs.shape != (n, n):
        raise BadInput(f"the needed lenses have shape {needs.shape}, the cells {(n, n)}")
    xs, ys = ground.middles
    dwell = np.zeros((n, n), np.int32)
    in_field = np.zeros((n, n), np.int32)
    seen_at = np.full((n, n), NEVER, np.int32)
    attention = [0] * len(REGIONS)
    visited_at = [NEVER] * len(REGIONS)
    stays: list[tuple[int, int, int]] = []
    slack = FOCUS_CD + round(100 * setting.reserve_d)
    rows = path.rows.tolist()
    for (t, x, y, stop, lens, pupil), after in pairwise(rows):
        dt = min(after[0] - t, GAP_MS)
        r = field_radius(stop, pupil, setting)
        half = min(r, SLIT_HALF_WIDTH) if stop == _SLIT else r
        box = _cells(y - ground.top, r, n), _cells(x - ground.left, half, n)
        dx, dy = xs[box[1]] - x, ys[box[0]] - y
        lit = dx[None, :] ** 2 + dy[:, None] ** 2 <= r * r
        lit &= np.abs(dx)[None, :] <= half
        off = lens - needs[box]
        sharp = lit & (off <= FOCUS_CD) & (off >= -slack)
        in_field[box] += dt * lit
        dwell[box] += dt * sharp
        newly = (dwell[box] >= SEEN_MS) & (seen_at[box] == NEVER)
        seen_at[box][newly] = t
        row, column = (y - ground.top) // STEP, (x - ground.left) // STEP
        region = 0
        if 0 <= row < n and 0 <= column < n and -slack <= lens - int(needs[row, column]) <= 100:
            region = int(ground.labels[row, column])
        attention[region] += dt
        if visited_at[region] == NEVER and attention[region] >= SEEN_MS:
            visited_at[region] = t
        if stays and stays[-1][0] == region:
            stays[-1] = (region, stays[-1][1], stays[-1][2] + dt)
        else:
            stays.append((region, t, dt))
    attention[0], visited_at[0] = 0, NEVER
    return Coverage(
        ground=ground,
        dwell=dwell,
        in_field=in_field,
        seen_at=seen_at,
        attention=tuple(attention),
        visited_at=tuple(visited_at),
        visits=_joined(stays),
        duration_ms=path.duration_ms,
    )


def _cells(middle: int, reach: int, n: int) -> slice:
    """Return the cells whose middles may lie within reach of a place on one axis."""
    low = (middle - reach) // STEP
    high = (middle + reach) // STEP + 1
    return slice(min(max(low, 0), n), min(max(high, 0), n))


def _joined(stays: list[tuple[int, int, int]]) -> tuple[tuple[int, int, int], ...]:
    """Leave out what is too short or outside, and join what then meets."""
    kept: list[tuple[int, int, int]] = []
    for region, start, lasted in stays:
        if region == 0 or lasted < SEEN_MS:
            continue
        if kept and kept[-1][0] == region:
            kept[-1] = (region, kept[-1][1], kept[-1][2] + lasted)
        else:
            kept.append((region, start, lasted))
    return tuple(kept)
