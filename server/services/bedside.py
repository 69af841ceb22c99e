"""The demonstration of the bedside view: its eyes, and what an examination of one showed.

The eyes are drawn beforehand (``static/pictures/draw_bedside.py``), so that a request only
reads. Nothing of an examination is kept: its recording comes with the form and is followed
over the eye's cells there and then.
"""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from scipy import ndimage

from server.errors import BadInput, NotFound
from server.optics import (
    Coverage,
    Miss,
    Recalled,
    Routine,
    Setting,
    check_against,
    cover,
    decode,
    recalled,
    routine,
    why_missed,
)
from server.optics.field_of_view import APERTURES
from server.optics.focus import WHEEL_D, blur_deg
from server.optics.light import brightness, corneal_reflection
from server.optics.reduced_eye import RELAXED
from server.optics.regions import REGIONS, STEP, Ground
from server.rendering.eye import Feature
from server.services.catalogue import SEED_DATA

FIELD_DEG = 60.0
CENTRE_X_DEG = -7.0
"""Middle of every picture, canonical; the fovea is at 0."""

PICTURE_PX = 2048
BYTE_BUDGET = 200_000
"""Most bytes one picture may have: 5 seconds at 40 kB a second, a poor telephone line."""

DISTANCE_MM = 25.0
RESERVE_D = 1.0
"""Accommodation that an examiner brings in without noticing (own judgement)."""

HALF_VIEW_DEG = 6.2
"""From the middle of the view to its edge on the screen: the large aperture and a little iris."""

GLARE = 40.0
"""Light of the corneal reflection for each share of the pupil it fills, beside the fundus's
(own judgement: a cornea returns 2.5 % of the lamp's light, a fundus far less of it)."""

COUNT_SLACK = 0.01
"""By how much the page's own count of cells may differ from the one made here."""

Opinion = Literal["normal", "abnormal"]


class _Painted(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    kind: str
    variant: str = ""
    severity: Annotated[float, Field(gt=0, le=1)]


class BedsideEye(BaseModel):
    """One eye to be examined; the fields are explained in ``seed_data/bedside.toml``."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    number: Annotated[int, Field(ge=1, le=99)]
    seed: int
    side: Literal["left", "right"]
    features: tuple[_Painted, ...]
    pigmentation: Annotated[float, Field(ge=0, le=1)]
    age: Annotated[float, Field(ge=8, le=95)]
    pupil_mm: Annotated[float, Field(ge=1.5, le=9)]
    refraction_d: Annotated[float, Field(ge=-12, le=12)]
    begins_deg: tuple[float, float]
    told: Annotated[str, Field(min_length=1, max_length=300)]

    @property
    def painted(self) -> tuple[Feature, ...]:
        """The features as the renderer takes them."""
        return tuple(Feature(one.kind, one.variant, one.severity) for one in self.features)

    @property
    def wide_pupil(self) -> bool:
        """Whether the pupil was dilated."""
        return self.pupil_mm > 4.0

    @property
    def setting(self) -> Setting:
        """How the examiner stands before it."""
        return Setting(DISTANCE_MM, self.refraction_d, RESERVE_D)

    @property
    def centre_deg(self) -> tuple[float, float]:
        """Middle of the picture as displayed."""
        return (-CENTRE_X_DEG if self.side == "right" else CENTRE_X_DEG), 0.0


@dataclass(frozen=True, eq=False)
class Cells:
    """What is known of an eye cell by cell.

    Parameters
    ----------
    plain : the same as plain lists, for the page: everything but what tells the finding.
    outlines : of the finding, as SVG paths in 0..1000 picture coordinates.
    """

    ground: Ground
    needs: NDArray[np.int32]
    places: dict[str, NDArray[np.bool_]]
    plain: dict[str, Any]
    outlines: tuple[str, ...]


@lru_cache(maxsize=1)
def load_bedside(folder: Path = SEED_DATA) -> tuple[BedsideEye, ...]:
    """Read the eyes; raises BadInput naming what is wrong."""
    path = folder / "bedside.toml"
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        return tuple(BedsideEye.model_validate(one) for one in data["eyes"])
    except (OSError, KeyError, ValueError, ValidationError) as problem:
        raise BadInput(f"{path.name}: {problem}") from problem


def bedside_eye(number: int) -> BedsideEye:
    """Return an eye of the demonstration; raises NotFound."""
    for one in load_bedside():
        if one.number == number:
            return one
    raise NotFound("There is no such eye to examine. Choose one from the bedside page.")


@lru_cache(maxsize=16)
def cells_of(number: int) -> Cells:
    """Read an eye's cells."""
    kept = json.loads((SEED_DATA / "bedside" / f"{number}.json").read_text(encoding="utf-8"))
    n = kept["size"] // STEP
    labels, counted, needs = (_grid(kept[key], n) for key in ("labels", "counted", "needs"))
    return Cells(
        ground=Ground(kept["left"], kept["top"], kept["size"], labels, counted),
        needs=needs,
        places={kind: _grid(runs, n) > 0 for kind, runs in kept["places"].items()},
        plain={key: kept[key] for key in ("left", "top", "size", "disc", "labels", "needs")},
        outlines=tuple(kept["outlines"]),
    )


def _grid(runs: list[int], n: int) -> NDArray[np.int32]:
    return np.repeat(runs[0::2], runs[1::2]).reshape(n, n).astype(np.int32)


@dataclass(frozen=True)
class Submitted:
    """What the page sends when the instrument is put down.

    Parameters
    ----------
    path : the recording's text; empty after the still fields, which record nothing.
    counted : cells that the page itself counted as seen, None without a script's count.
    opinion : whether anything abnormal was seen.
    mark_deg : where, degrees from the fovea as displayed.
    """

    path: str
    counted: int | None
    opinion: Opinion
    mark_deg: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class Examined:
    """An examination, judged.

    Parameters
    ----------
    routine, coverage : None after the still fields.
    right : the opinion was right, and the mark, if any was made, not elsewhere.
    miss : why a finding was missed, if one was.
    recall : how well its place was marked, if it was.
    """

    eye: BedsideEye
    routine: Routine | None
    coverage: Coverage | None
    opinion: Opinion
    right: bool
    miss: Miss | None
    recall: Recalled | None
    mark_deg: tuple[float, float] | None

    @property
    def abnormal(self) -> bool:
        """Whether there was anything to find."""
        return bool(self.eye.features)

    @property
    def visits(self) -> tuple[tuple[str, float, float], ...]:
        """Stays in order: region, when it began and how long it lasted, seconds."""
        if self.coverage is None:
            return ()
        return tuple(
            (REGIONS[code], start / 1000, lasted / 1000)
            for code, start, lasted in self.coverage.visits
        )

    @property
    def unseen_path(self) -> str:
        """What was not seen, as an SVG path in 0..1000 picture coordinates, to fill even-odd."""
        if self.coverage is None:
            return ""
        seen = np.pad(self.coverage.seen.astype(float), 2)
        n = self.coverage.ground.n
        # Rounded off, so that the small fields look as round as they were.
        smooth = ndimage.gaussian_filter(seen, 0.9)
        rings = contour_generator(z=smooth).lines(0.5)
        parts = ["M0 0H1000V1000H0z"]
        for ring in rings:
            points = (np.asarray(ring) - 2 + 0.5) * (1000 / n)
            parts.append("M" + "L".join(f"{x:.0f} {y:.0f}" for x, y in points) + "z")
        return "".join(parts)


def examine(eye: BedsideEye, given: Submitted) -> Examined:
    """Follow a recording over its eye and judge it.

    Raises
    ------
    BadInput
        If the recording is broken, not of this eye, or not what the page counted.
    """
    cells = cells_of(eye.number)
    coverage = _followed(eye, cells, given) if given.path else None
    place = np.zeros(cells.ground.labels.shape, bool)
    for one in cells.places.values():
        place |= one
    abnormal = bool(place.any())
    recall = None
    if abnormal and given.opinion == "abnormal" and given.mark_deg is not None:
        recall = recalled(given.mark_deg, place, FIELD_DEG, eye.centre_deg)
    placed = recall is None or recall.verdict in ("there", "near")
    missed = abnormal and (given.opinion == "normal" or not placed)
    return Examined(
        eye=eye,
        routine=routine(coverage) if coverage is not None else None,
        coverage=coverage,
        opinion=given.opinion,
        right=(given.opinion == "abnormal") == abnormal and placed,
        miss=why_missed(coverage, place) if missed and coverage is not None else None,
        recall=recall,
        mark_deg=given.mark_deg,
    )


def _followed(eye: BedsideEye, cells: Cells, given: Submitted) -> Coverage:
    path = decode(given.path)
    check_against(
        path,
        elapsed_ms=None,
        pupils_mm=(eye.pupil_mm,),
        field_deg=FIELD_DEG,
        centre_deg=eye.centre_deg,
    )
    coverage = cover(path, cells.ground, cells.needs, eye.setting)
    seen = int(coverage.seen.sum())
    if given.counted is not None and abs(given.counted - seen) > max(COUNT_SLACK * seen, 1):
        raise BadInput(
            "The recording does not match what the page counted. Reload the page and look again."
        )
    return coverage


def view_of(eye: BedsideEye) -> dict[str, Any]:
    """Return everything the page's own drawing and counting need, as plain values."""
    cells = cells_of(eye.number)
    plain = {key: cells.plain[key] for key in ("left", "top", "size", "needs")}
    disc_x, disc_y = (value / 100 for value in cells.plain["disc"])
    towards = -1.0 if disc_x > 0 else 1.0
    reach = math.degrees(0.5 / DISTANCE_MM) * (1 + 0.001 * DISTANCE_MM * eye.refraction_d)
    hole = RELAXED.pupil_mm
    glare = corneal_reflection(eye.pupil_mm, DISTANCE_MM).blocks
    return {
        **plain,
        "begins": [disc_x + towards * eye.begins_deg[0], disc_y + eye.begins_deg[1]],
        "centre": list(eye.centre_deg),
        "half": HALF_VIEW_DEG,
        "fades": [abs(eye.pupil_mm - hole) * reach, (eye.pupil_mm + hole) * reach],
        "reserve": RESERVE_D,
        "blur": float(blur_deg(1.0, eye.pupil_mm, DISTANCE_MM, eye.refraction_d)),
        "level": min(brightness(eye.pupil_mm, eye.pigmentation), 1.2),
        "haze": min(GLARE * glare, 0.3),
        "pupil": eye.pupil_mm,
        "wheel": list(WHEEL_D),
        "apertures": [
            {"width": one.width_deg, "height": one.height_deg, "redFree": one.name == "red-free"}
            for one in APERTURES.values()
        ],
        "setting": {
            "distance": DISTANCE_MM,
            "refraction": eye.refraction_d,
            "reserve": RESERVE_D,
        },
    }


STILL_FIELDS: tuple[tuple[str, float, float], ...] = (
    ("The disc", 0.0, 0.0),
    ("Up and temporal from the disc", 3.5, -5.0),
    ("Further along, up and temporal", 9.5, -10.0),
    ("Down and temporal from the disc", 3.5, 5.0),
    ("Further along, down and temporal", 9.5, 10.0),
    ("Up and nasal from the disc", -4.5, -5.0),
    ("Further along, up and nasal", -9.0, -9.0),
    ("Down and nasal from the disc", -4.5, 5.0),
    ("Further along, down and nasal", -9.0, 9.0),
    ("Periphery, above", 7.0, -21.0),
    ("Periphery, below", 7.0, 21.0),
    ("Periphery, temporal", 30.0, 0.0),
)
"""The same routine as still fields: name, and place from the disc (temporal, down), degrees.
The macula follows last."""

STILL_WIDTH_DEG = 10.0


def still_fields(eye: BedsideEye) -> tuple[tuple[str, str], ...]:
    """Return the still fields: name, and the part of the picture as an SVG view box of 0..1000."""
    disc_x, disc_y = (value / 100 for value in cells_of(eye.number).plain["disc"])
    towards = -1.0 if disc_x > 0 else 1.0
    stops = [
        (name, disc_x + towards * temporal, disc_y + down) for name, temporal, down in STILL_FIELDS
    ]
    stops.append(("The macula, last", 0.0, 0.0))
    scale = 1000 / FIELD_DEG
    side = STILL_WIDTH_DEG * scale
    out = []
    for name, x, y in stops:
        left = (x - eye.centre_deg[0] + FIELD_DEG / 2) * scale - side / 2
        top = (y - eye.centre_deg[1] + FIELD_DEG / 2) * scale - side / 2
        out.append((name, f"{left:.1f} {top:.1f} {side:.1f} {side:.1f}"))
    return tuple(out)
