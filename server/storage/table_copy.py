"""Every row of one database into another, whichever kind each of them is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import (
    JSON,
    Column,
    Connection,
    MetaData,
    Table,
    func,
    select,
    text,
)
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.types import TypeEngine

from server.storage.models import Base

ROWS_AT_ONCE = 500

EXACT_JSON = JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")
"""Keeps an empty column apart from one that holds JSON's own null."""


def copy_tables(source: Connection, target: Connection) -> dict[str, int]:
    """Copy all rows of all tables into the empty tables of another database.

    Both must have the tables of this version of the program. Moments, ids and
    plain values go through the columns' own types, so that SQLite's text becomes
    PostgreSQL's and back. Owners are copied before what belongs to them.

    Returns
    -------
    Rows by table.
    """
    counts = {}
    for table in Base.metadata.sorted_tables:
        shadow = _exact(table)
        counts[table.name] = 0
        for page in _pages(source, shadow):
            target.execute(shadow.insert(), page)
            counts[table.name] += len(page)
    if target.dialect.name == "postgresql":
        _count_on(target)
    return counts


def empty_tables(target: Connection) -> None:
    """Delete all rows of all tables."""
    if target.dialect.name == "postgresql":
        names = ", ".join(f'"{table.name}"' for table in Base.metadata.sorted_tables)
        target.execute(text(f"TRUNCATE {names}"))
        return
    for table in reversed(Base.metadata.sorted_tables):
        target.execute(table.delete())


def row_counts(connection: Connection) -> dict[str, int]:
    """Return the number of rows of every table."""
    return {
        table.name: connection.scalar(select(func.count()).select_from(table)) or 0
        for table in Base.metadata.sorted_tables
    }


def _exact(table: Table) -> Table:
    return Table(
        table.name,
        MetaData(),
        *(Column(one.name, _exact_type(one.type), nullable=one.nullable) for one in table.columns),
    )


def _exact_type(kind: TypeEngine[Any]) -> TypeEngine[Any]:
    return EXACT_JSON if isinstance(kind, JSON) else kind


def _pages(source: Connection, table: Table) -> Iterator[list[dict[str, Any]]]:
    plain = [column.name for column in table.columns]
    holds_json = [one for one in table.columns if one.type is EXACT_JSON]
    empty = [one.is_(None).label(f"{one.name} is empty") for one in holds_json]
    found = source.execution_options(yield_per=ROWS_AT_ONCE).execute(select(table, *empty))
    for part in found.partitions():
        page = []
        for row in part:
            values = dict(zip(plain, row[: len(plain)], strict=True))
            for column, is_empty in zip(holds_json, row[len(plain) :], strict=True):
                if values[column.name] is None and not is_empty:
                    values[column.name] = JSON.NULL
            page.append(values)
        yield page


def _count_on(target: Connection) -> None:
    """Let counted keys go on after the highest one that was copied."""
    for table in Base.metadata.sorted_tables:
        for column in table.primary_key.columns:
            sequence = target.scalar(
                text("SELECT pg_get_serial_sequence(:table, :column)"),
                {"table": f'"{table.name}"', "column": column.name},
            )
            if sequence is not None:
                highest = target.scalar(select(func.max(column)))
                target.execute(
                    text("SELECT setval(CAST(:sequence AS regclass), :value, :used)"),
                    {"sequence": sequence, "value": highest or 1, "used": highest is not None},
                )
