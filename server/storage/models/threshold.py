"""What a learner's threshold for a finding is worked out from."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base
from server.storage.types import Json


class ThresholdRow(Base):
    """How severe the latest eyes with a finding were, and whether the learner saw it."""

    __tablename__ = "threshold"

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    finding: Mapped[str] = mapped_column(String(32), primary_key=True)
    eyes: Mapped[int]
    """Drawn eyes with the finding, ever."""
    latest: Mapped[list[Any]] = mapped_column(Json)
    """Pairs of severity in hundredths and 1 for seen or 0 for missed, oldest first."""
