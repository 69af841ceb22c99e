"""Everything the database holds of one learner, found by the tables' own foreign keys.

A row belongs to a learner when deleting the learner deletes it: when it points
at the learner, or at a row that belongs to them, with ON DELETE CASCADE. A row
that points at a learner with ON DELETE SET NULL only mentions them. A table added
later is thus exported and deleted without a word here; ``tests/services/
test_privacy.py`` fails until it is shown.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Column, ColumnElement, Table, delete, exists, or_, select
from sqlalchemy.orm import Session

from server.storage.models import AccountRow, Base, CohortLeadRow, LearnerRow, WebSessionRow

SECRET_ENDINGS = ("_hash", "token", "secret")
"""Columns so named hold what proves who somebody is: nobody needs them in an export."""


@dataclass(frozen=True)
class Holding:
    """The rows of one table that belong to a learner, or mention them."""

    table: str
    about: str
    """What a row is, in a sentence."""
    rows: tuple[dict[str, Any], ...]
    withheld: tuple[str, ...]
    """Columns left out because they are secrets."""


def pointing_at_learner(table: Table, *, owned: bool) -> list[Column[Any]]:
    """Return a table's columns that own a row for a learner, or only mention one."""
    return [
        key.parent
        for key in table.foreign_keys
        if key.column.table is LearnerRow.__table__ and (key.ondelete == "CASCADE") is owned
    ]


def whose(table: Table, learner_id: UUID) -> ColumnElement[bool] | None:
    """Return the condition under which a row belongs to a learner; None if none ever does."""
    if table is LearnerRow.__table__:
        return LearnerRow.id == learner_id
    direct = pointing_at_learner(table, owned=True)
    if direct:
        return or_(*(column == learner_id for column in direct))
    for key in sorted(table.foreign_keys, key=lambda one: one.parent.name):
        if key.ondelete != "CASCADE" or key.column.table is table:
            continue
        above = whose(key.column.table, learner_id)
        if above is not None:
            return key.parent.in_(select(key.column).where(above))
    return None


def mentions(table: Table, learner_id: UUID) -> ColumnElement[bool] | None:
    """Return the condition under which a row that is not theirs mentions a learner."""
    columns = pointing_at_learner(table, owned=False)
    if not columns or whose(table, learner_id) is not None:
        return None
    return or_(*(column == learner_id for column in columns))


def holdings(session: Session, learner_id: UUID) -> Iterator[Holding]:
    """Yield everything that is held of a learner, table by table."""
    about = {mapper.local_table: mapper.class_.__doc__ for mapper in Base.registry.mappers}
    for table in Base.metadata.sorted_tables:
        condition = whose(table, learner_id)
        if condition is None:
            condition = mentions(table, learner_id)
        if condition is None:
            continue
        shown = [column for column in table.columns if not is_secret(column)]
        found = session.execute(
            select(*shown).where(condition).order_by(*table.primary_key.columns)
        )
        yield Holding(
            table=table.name,
            about=" ".join((about.get(table) or "").split("\n\n")[0].split()),
            rows=tuple(dict(row._mapping) for row in found),
            withheld=tuple(column.name for column in table.columns if is_secret(column)),
        )


def is_secret(column: Column[Any]) -> bool:
    """Whether a column proves who somebody is."""
    return column.name.endswith(SECRET_ENDINGS)


def remove(session: Session, learner_id: UUID) -> bool:
    """Delete a learner and everything that belongs to them; False when there is no such learner."""
    gone = session.execute(
        delete(LearnerRow).where(LearnerRow.id == learner_id).returning(LearnerRow.id)
    ).first()
    session.expire_all()
    return gone is not None


def unused_guests(session: Session, moment: datetime, limit: int) -> list[UUID]:
    """Return guests that nobody has used since a moment, in any browser, at most so many."""
    return list(
        session.scalars(
            select(LearnerRow.id)
            .where(
                LearnerRow.created_at < moment,
                LearnerRow.seen_at < moment,
                ~exists().where(AccountRow.learner_id == LearnerRow.id),
                ~exists().where(
                    or_(
                        WebSessionRow.learner_id == LearnerRow.id,
                        WebSessionRow.guest_id == LearnerRow.id,
                    ),
                    WebSessionRow.used_at >= moment,
                ),
            )
            .order_by(LearnerRow.seen_at)
            .limit(limit)
        )
    )


def unused_accounts(session: Session, moment: datetime, limit: int) -> list[UUID]:
    """Return learners with an account that nobody has used since a moment, at most so many.

    Whoever leads a cohort, may make one or administers the site is left out: others
    depend on them.
    """
    return list(
        session.scalars(
            select(LearnerRow.id)
            .join(AccountRow, AccountRow.learner_id == LearnerRow.id)
            .where(
                LearnerRow.created_at < moment,
                LearnerRow.seen_at < moment,
                AccountRow.administrator.is_(False),
                AccountRow.lead.is_(False),
                ~exists().where(CohortLeadRow.learner_id == LearnerRow.id),
                ~exists().where(
                    WebSessionRow.learner_id == LearnerRow.id, WebSessionRow.used_at >= moment
                ),
            )
            .order_by(LearnerRow.seen_at)
            .limit(limit)
        )
    )
