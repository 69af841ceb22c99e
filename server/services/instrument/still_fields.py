"""The same routine without the moving view: a sequence of still fields."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from server.rendering.eye import Mask
from server.rendering.outlines import PICTURE_UNITS
from server.services.instrument.patient import FIELD_DEG, Patient
from server.services.instrument.view import Cells

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


SCALE = PICTURE_UNITS / FIELD_DEG


@dataclass(frozen=True)
class StillField:
    """One still field.

    Parameters
    ----------
    x, y, radius : the circle that it shows, in thousandths of the picture.
    """

    name: str
    x: float
    y: float
    radius: float = STILL_WIDTH_DEG * SCALE / 2

    @property
    def box(self) -> str:
        """The part of the picture that it shows, as an SVG view box."""
        corner = f"{self.x - self.radius:.1f} {self.y - self.radius:.1f}"
        return f"{corner} {2 * self.radius:.1f} {2 * self.radius:.1f}"


def still_fields(patient: Patient, cells: Cells) -> tuple[StillField, ...]:
    """Return the still fields of an eye, in the order of examination."""
    disc_x, disc_y = (value / 100 for value in cells.disc)
    towards = -1.0 if disc_x > 0 else 1.0
    stops = [
        (name, disc_x + towards * temporal, disc_y + down) for name, temporal, down in STILL_FIELDS
    ]
    stops.append(("The macula, last", 0.0, 0.0))
    left, top = (middle - FIELD_DEG / 2 for middle in patient.centre_deg)
    return tuple(StillField(name, (x - left) * SCALE, (y - top) * SCALE) for name, x, y in stops)


def fields_with(place: Mask, fields: Sequence[StillField]) -> tuple[int, ...]:
    """Return the numbers, from 1, of the fields that show any of a place.

    Parameters
    ----------
    place : picture-sized mask, bool of shape (n, n).
    """
    n = place.shape[0]
    rows, columns = np.nonzero(place)
    y, x = ((at + 0.5) * (PICTURE_UNITS / n) for at in (rows, columns))
    return tuple(
        number
        for number, one in enumerate(fields, 1)
        if bool((np.hypot(x - one.x, y - one.y) <= one.radius).any())
    )
