"""How Alembic runs a migration here: always on a connection that ``migrating`` prepared.

SQLite rebuilds a table to alter it. With foreign keys on, dropping the old
table would delete every row that points at it, and inside a transaction the
switch is ignored: so ``server.storage.migrating`` turns them off *before* the
transaction begins, and checks all of them before it is committed.
"""

from __future__ import annotations

from typing import Any, Literal

from alembic import context
from alembic.autogenerate.api import AutogenContext
from sqlalchemy import JSON, Connection

from server.storage.models import Base
from server.storage.types import UtcDateTime


def own_type(kind: str, item: Any, autogen: AutogenContext) -> str | Literal[False]:
    """Write our own column types into a new migration under their own names."""
    if kind == "type" and isinstance(item, UtcDateTime):
        autogen.imports.add("from server.storage.types import UtcDateTime")
        return "UtcDateTime()"
    if kind == "type" and isinstance(item, JSON):
        autogen.imports.add("from server.storage.types import Json")
        return "Json"
    return False


def run(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=Base.metadata,
        render_as_batch=connection.dialect.name == "sqlite",
        # Everything or nothing: SQLite can roll table changes back, Alembic assumes not.
        transactional_ddl=True,
        render_item=own_type,
        compare_type=True,
        compare_server_default=True,
    )
    context.run_migrations()


run(context.config.attributes["connection"])
