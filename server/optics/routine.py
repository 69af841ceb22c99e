"""Whether an examination followed a routine, why a finding was missed, and where it is recalled.

The routine of direct ophthalmoscopy: find the disc, follow the vessels of each quadrant from
it, look further out, and leave the macula to the last, when the patient looks at the light
(common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from server.errors import BadInput
from server.optics.coverage import NEVER, SEEN_MS, Coverage
from server.optics.regions import RANK, REGIONS, Mask

LOOKED_OVER: dict[str, float] = {
    "disc": 0.8,
    "superotemporal": 0.5,
    "inferotemporal": 0.5,
    "superonasal": 0.5,
    "inferonasal": 0.5,
    "periphery": 0.25,
    "macula": 0.5,
}
"""Share of each region from which it counts as looked over (own judgement): the disc whole,
vessels along half their course, the periphery in samples."""


@dataclass(frozen=True)
class RegionTime:
    """How one region fared: its name, share seen, milliseconds of attention, first visit."""

    region: str
    share: float
    attention_ms: int
    visited_ms: int | None
    looked_over: bool


@dataclass(frozen=True)
class Routine:
    """The measures of one examination.

    Parameters
    ----------
    regions : those that the picture shows, in the order of examination.
    order : those visited, by the time of the first visit.
    disc_first : the disc was visited before all else; None if nothing was visited.
    macula_last : the macula was visited, and after all else that was; None if not visited.
    in_order : share of pairs of visited regions that came in the order of examination; None
        when there is no pair to compare.
    complete : every region that the picture shows was looked over.
    seen_share : of the whole picture.
    duration_ms : of the examination.
    """

    regions: tuple[RegionTime, ...]
    order: tuple[str, ...]
    disc_first: bool | None
    macula_last: bool | None
    in_order: float | None
    complete: bool
    seen_share: float
    duration_ms: int


def routine(coverage: Coverage) -> Routine:
    """Measure the routine of an examination."""
    shown = [name for name in RANK if coverage.shown(name)]
    regions = []
    for name in shown:
        code, share = REGIONS.index(name), coverage.share(name)
        first = coverage.visited_at[code]
        regions.append(
            RegionTime(
                region=name,
                share=share,
                attention_ms=coverage.attention[code],
                visited_ms=None if first == NEVER else first,
                looked_over=share >= LOOKED_OVER[name],
            )
        )
    when = {one.region: one.visited_ms for one in regions if one.visited_ms is not None}
    order = tuple(sorted(when, key=lambda name: (when[name], RANK[name])))
    pairs = [(a, b) for a, b in combinations(order, 2) if RANK[a] != RANK[b]]
    return Routine(
        regions=tuple(regions),
        order=order,
        disc_first=order[0] == "disc" if order else None,
        macula_last=order[-1] == "macula" if "macula" in when else None,
        in_order=sum(RANK[a] < RANK[b] for a, b in pairs) / len(pairs) if pairs else None,
        complete=all(one.looked_over for one in regions),
        seen_share=coverage.total_share(),
        duration_ms=coverage.duration_ms,
    )


MissKind = Literal["search", "recognition"]


@dataclass(frozen=True)
class Miss:
    """Why a finding was missed.

    Parameters
    ----------
    kind : 'search' if its place was never seen, 'recognition' if it was.
    seen_share : share of its cells that were seen.
    dwell_ms : the longest that any cell of it was in the field and in focus.
    out_of_focus_ms : the longest that any cell of it was in the field but blurred.
    """

    kind: MissKind
    seen_share: float
    dwell_ms: int
    out_of_focus_ms: int


def why_missed(coverage: Coverage, place: Mask) -> Miss:
    """Tell a search error from a recognition error.

    The distinction is Kundel, Nodine and Carmody's ("Visual scanning, pattern recognition and
    decision-making in pulmonary nodule detection", Investigative Radiology 1978; 13: 175-181;
    title and journal seen in a citation index, pages and the distinction itself from memory):
    what was never looked at cannot have been recognised. They
    part errors of recognition further from errors of decision by a second of gaze; here the
    longest dwell is given instead, as the small field is not the eye's own gaze.

    Parameters
    ----------
    place : picture-sized mask of where the finding is, as displayed.

    Raises
    ------
    BadInput
        If the mask is empty: what is nowhere cannot be missed.
    """
    cells = coverage.ground.touched(place) & (coverage.ground.labels != 0)
    if not cells.any():
        raise BadInput("a finding is missed only where there is one; this mask is empty")
    dwell = coverage.dwell[cells]
    seen = dwell >= SEEN_MS
    return Miss(
        kind="recognition" if bool(seen.any()) else "search",
        seen_share=float(seen.mean()),
        dwell_ms=int(dwell.max()),
        out_of_focus_ms=int((coverage.in_field[cells] - dwell).max()),
    )


Recall = Literal["there", "near", "mirrored", "upside-down", "elsewhere"]

THERE_DEG = 1.5
"""A quarter of a disc diameter: a mark this near to the outline is on it (own judgement)."""

NEAR_DEG = 6.0
"""A disc diameter (1.76 mm over 0.29 mm to the degree)."""


@dataclass(frozen=True)
class Recalled:
    """How well the place of a finding was remembered.

    Parameters
    ----------
    verdict : 'there' on it; 'near' within a disc diameter; 'mirrored' or 'upside-down' when
        it is there in the mirror of the fovea's vertical or horizontal, as after an
        inverted view; else 'elsewhere'.
    distance_deg : from the mark to the nearest of it, 0 inside.
    score : 1 there, falling evenly to 0 two disc diameters away.
    """

    verdict: Recall
    distance_deg: float
    score: float


def recalled(
    mark_deg: tuple[float, float],
    place: Mask,
    field_deg: float,
    centre_deg: tuple[float, float],
) -> Recalled:
    """Score a mark on an empty map of the fundus against where the finding is.

    Parameters
    ----------
    mark_deg : degrees from the fovea, as displayed.
    place : picture-sized mask of the finding, as displayed.

    Raises
    ------
    BadInput
        If the mask is empty or the mark is not on the map.
    """
    if not place.any():
        raise BadInput("a place is recalled only where there is a finding; this mask is empty")
    if not all(math.isfinite(value) and abs(value) <= 90.0 for value in mark_deg):
        raise BadInput("the mark lies off the map; tap within the circle")
    away = np.asarray(ndimage.distance_transform_edt(~place)) * (field_deg / place.shape[0])
    x, y = mark_deg
    distance = _at(away, x, y, field_deg, centre_deg)
    verdict: Recall = "elsewhere"
    if distance <= THERE_DEG:
        verdict = "there"
    elif distance <= NEAR_DEG:
        verdict = "near"
    elif _at(away, -x, y, field_deg, centre_deg) <= THERE_DEG:
        verdict = "mirrored"
    elif _at(away, x, -y, field_deg, centre_deg) <= THERE_DEG:
        verdict = "upside-down"
    beyond = max(distance - THERE_DEG, 0.0) / (2 * NEAR_DEG - THERE_DEG)
    return Recalled(verdict, distance, max(1.0 - beyond, 0.0))


def _at(
    away: NDArray[np.float64],
    x: float,
    y: float,
    field_deg: float,
    centre_deg: tuple[float, float],
) -> float:
    """Return the distance map at a point; beyond the picture, also what lies between."""
    size = away.shape[0]
    column = (x - centre_deg[0] + field_deg / 2) * size / field_deg - 0.5
    row = (y - centre_deg[1] + field_deg / 2) * size / field_deg - 0.5
    j = min(max(round(column), 0), size - 1)
    i = min(max(round(row), 0), size - 1)
    outside = math.hypot(max(-column, column - size + 1, 0.0), max(-row, row - size + 1, 0.0))
    return float(away[i, j] + outside * field_deg / size)
