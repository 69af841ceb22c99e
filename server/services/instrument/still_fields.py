"""The same routine without the moving view: a sequence of still fields."""

from __future__ import annotations

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


def still_fields(patient: Patient, cells: Cells) -> tuple[tuple[str, str], ...]:
    """Return the still fields: name, and the part of the picture as an SVG view box of 0..1000."""
    disc_x, disc_y = (value / 100 for value in cells.disc)
    towards = -1.0 if disc_x > 0 else 1.0
    stops = [
        (name, disc_x + towards * temporal, disc_y + down) for name, temporal, down in STILL_FIELDS
    ]
    stops.append(("The macula, last", 0.0, 0.0))
    scale = 1000 / FIELD_DEG
    side = STILL_WIDTH_DEG * scale
    out = []
    for name, x, y in stops:
        left = (x - patient.centre_deg[0] + FIELD_DEG / 2) * scale - side / 2
        top = (y - patient.centre_deg[1] + FIELD_DEG / 2) * scale - side / 2
        out.append((name, f"{left:.1f} {top:.1f} {side:.1f} {side:.1f}"))
    return tuple(out)
