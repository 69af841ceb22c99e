"""The base of all tables, with a name for every constraint.

SQLite cannot alter a constraint that has no name, so each gets one from the
first day.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, ClassVar
from uuid import UUID

from sqlalchemy import Date, MetaData, Uuid
from sqlalchemy.orm import DeclarativeBase

from server.storage.types import UtcDateTime


class Base(DeclarativeBase):
    """Base class of every model."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        datetime: UtcDateTime(),
        date: Date(),
        UUID: Uuid(),
    }
