"""The demonstration of the bedside view: its eyes, and what an examination of one showed.

The eyes are drawn beforehand (``static/pictures/draw_bedside.py``), so that a request only
reads. Nothing of an examination is kept: its recording comes with the form and is followed
over the eye's cells there and then.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from server.errors import BadInput, NotFound
from server.optics import Miss, Recalled, recalled, why_missed
from server.optics.regions import STEP
from server.optics.run_lengths import grid
from server.rendering.eye import Feature
from server.services.catalogue import SEED_DATA
from server.services.instrument import (
    FIELD_DEG,
    Cells,
    Followed,
    Patient,
    StillField,
    fields_with,
    follow,
    still_fields,
)

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
    def patient(self) -> Patient:
        """How it presents itself."""
        return Patient(
            self.side, self.pupil_mm, self.refraction_d, self.pigmentation, self.begins_deg
        )


@dataclass(frozen=True, eq=False)
class KnownCells:
    """What is known of an eye of the demonstration cell by cell.

    Parameters
    ----------
    places : of the findings, by kind.
    outlines : of the finding, as SVG paths in 0..1000 picture coordinates.
    """

    cells: Cells
    places: dict[str, NDArray[np.bool_]]
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
def cells_of(number: int) -> KnownCells:
    """Read an eye's cells."""
    kept = json.loads((SEED_DATA / "bedside" / f"{number}.json").read_text(encoding="utf-8"))
    n = kept["size"] // STEP
    return KnownCells(
        cells=Cells.read(kept),
        places={kind: grid(runs, n) > 0 for kind, runs in kept["places"].items()},
        outlines=tuple(kept["outlines"]),
    )


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
    followed : None after the still fields.
    right : the opinion was right, and the mark, if any was made, not elsewhere.
    miss : why a finding was missed, if one was.
    recall : how well its place was marked, if it was.
    """

    eye: BedsideEye
    followed: Followed | None
    opinion: Opinion
    right: bool
    miss: Miss | None
    recall: Recalled | None
    mark_deg: tuple[float, float] | None

    @property
    def still_fields(self) -> tuple[StillField, ...]:
        """The still fields of this eye."""
        return still_fields(self.eye.patient, cells_of(self.eye.number).cells)

    @property
    def in_fields(self) -> tuple[int, ...]:
        """Numbers of the still fields that show what there is to find."""
        places = cells_of(self.eye.number).places.values()
        shown = {number for place in places for number in fields_with(place, self.still_fields)}
        return tuple(sorted(shown))

    @property
    def abnormal(self) -> bool:
        """Whether there was anything to find."""
        return bool(self.eye.features)


def examine(eye: BedsideEye, given: Submitted) -> Examined:
    """Follow a recording over its eye and judge it.

    Raises
    ------
    BadInput
        If the recording is broken, not of this eye, or not what the page counted.
    """
    known = cells_of(eye.number)
    followed = None
    if given.path:
        followed = follow(given.path, eye.patient, known.cells, counted=given.counted)
    place = np.zeros(known.cells.ground.labels.shape, bool)
    for one in known.places.values():
        place |= one
    abnormal = bool(place.any())
    recall = None
    if abnormal and given.opinion == "abnormal" and given.mark_deg is not None:
        recall = recalled(given.mark_deg, place, FIELD_DEG, eye.patient.centre_deg)
    placed = recall is None or recall.verdict in ("there", "near")
    missed = abnormal and (given.opinion == "normal" or not placed)
    return Examined(
        eye=eye,
        followed=followed,
        opinion=given.opinion,
        right=(given.opinion == "abnormal") == abnormal and placed,
        miss=why_missed(followed.coverage, place) if missed and followed is not None else None,
        recall=recall,
        mark_deg=given.mark_deg,
    )
