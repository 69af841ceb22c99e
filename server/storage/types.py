"""Column types that behave the same on SQLite and PostgreSQL."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, DateTime, Integer
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator, TypeEngine

Json = JSON().with_variant(JSONB(), "postgresql")
"""Plain dictionaries and lists."""

Serial = BigInteger().with_variant(Integer(), "sqlite")
"""A counted primary key; SQLite counts only a column declared INTEGER."""


class UtcDateTime(TypeDecorator[datetime]):
    """An aware moment: a naive one is refused, UTC is stored, an aware one comes back.

    SQLite has no time zones and would hand 23:30-08:00 back as a naive 23:30,
    which shifts every due date by hours.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        return dialect.type_descriptor(DateTime(timezone=dialect.name != "sqlite"))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a moment without a time zone cannot be stored: {value!r}")
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
