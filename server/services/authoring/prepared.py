"""An eye of a design on its way from the process that drew it to the database.

This module loads no database library: drawing processes import it too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class PreparedDesignEye:
    """A drawn eye whose file is on disk, as plain values.

    Parameters
    ----------
    objection : why no learner would be shown it; empty where they would.
    drawn : anatomy, features, truth, outlines and facts.
    """

    picture: str
    bytes: int
    objection: str
    drawn: dict[str, Any]
