"""Any eye at the bedside: how it presents itself, what the page needs of it, what was looked at.

Both the demonstration and the looks of a round come here: they differ in where their eyes are
kept, not in how one looks at them.
"""

from __future__ import annotations

from server.services.instrument.following import (
    Followed,
    follow,
)
from server.services.instrument.patient import (
    BYTE_BUDGET,
    CENTRE_X_DEG,
    DISTANCE_MM,
    FIELD_DEG,
    PICTURE_PX,
    RESERVE_D,
    Patient,
    Side,
    centre_deg,
    shows_the_disc,
)
from server.services.instrument.still_fields import (
    STILL_FIELDS,
    StillField,
    fields_with,
    still_fields,
)
from server.services.instrument.view import (
    HALF_VIEW_DEG,
    Cells,
    view_of,
)

__all__ = [
    "BYTE_BUDGET",
    "CENTRE_X_DEG",
    "DISTANCE_MM",
    "FIELD_DEG",
    "HALF_VIEW_DEG",
    "PICTURE_PX",
    "RESERVE_D",
    "STILL_FIELDS",
    "Cells",
    "Followed",
    "Patient",
    "Side",
    "StillField",
    "centre_deg",
    "fields_with",
    "follow",
    "shows_the_disc",
    "still_fields",
    "view_of",
]
