"""The eyes of designs in the database."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, Select, delete, exists, func, select, update
from sqlalchemy.orm import Session

from server.storage.models import CardEventRow, DesignEyeRow


def get_many(session: Session, names: Collection[str]) -> dict[str, DesignEyeRow]:
    """Return those of the names that were asked for or drawn."""
    rows = session.scalars(select(DesignEyeRow).where(DesignEyeRow.name.in_(names)))
    return {row.name: row for row in rows}


def next_waiting(
    session: Session, version: int, asked_since: datetime, but: Collection[str] = ()
) -> DesignEyeRow | None:
    """Return the eye to draw next: of those asked for last, in their order; None when none is."""
    waits = _waiting(asked_since).where(
        DesignEyeRow.renderer_version == version, DesignEyeRow.name.not_in(but)
    )
    return session.scalar(waits.order_by(DesignEyeRow.used_at.desc(), DesignEyeRow.id).limit(1))


def count_waiting(session: Session, asked_since: datetime) -> int:
    """Return how many eyes are still to be drawn."""
    query = select(func.count()).select_from(_waiting(asked_since).subquery())
    return session.scalar(query) or 0


def forget_waiting(session: Session, names: Collection[str]) -> None:
    """Drop those of the names that are not drawn yet and that no remark is about."""
    session.execute(
        delete(DesignEyeRow).where(
            DesignEyeRow.name.in_(names), DesignEyeRow.picture == "", ~_remarked()
        )
    )


def touch(session: Session, ids: Collection[int], now: datetime) -> None:
    """Note that eyes are being looked at (or waited for)."""
    session.execute(update(DesignEyeRow).where(DesignEyeRow.id.in_(ids)).values(used_at=now))


def bytes_kept(session: Session) -> int:
    """Return the size of all their pictures together."""
    return int(session.scalar(select(func.coalesce(func.sum(DesignEyeRow.bytes), 0))) or 0)


def hashes_in_use(session: Session, hashes: Collection[str]) -> set[str]:
    """Return those of the hashes that some design's eye shows."""
    return set(
        session.scalars(select(DesignEyeRow.picture).where(DesignEyeRow.picture.in_(hashes)))
    )


def remove_unwanted(
    session: Session, version: int, asked_since: datetime, keep: int
) -> Sequence[str]:
    """Delete eyes of other renderers, forgotten requests and the least recently used.

    An eye that a remark is about stays. Returns the hashes of the files of the deleted rows.
    """
    kept = set(
        session.scalars(
            select(DesignEyeRow.id)
            .where(DesignEyeRow.picture != "")
            .order_by(DesignEyeRow.used_at.desc(), DesignEyeRow.id.desc())
            .limit(keep)
        )
    )
    rows = session.execute(
        select(
            DesignEyeRow.id,
            DesignEyeRow.picture,
            DesignEyeRow.used_at,
            DesignEyeRow.renderer_version,
        ).where(~_remarked())
    ).all()
    gone = [
        row
        for row in rows
        if row.renderer_version != version
        or (row.id not in kept if row.picture else row.used_at < asked_since)
    ]
    if gone:
        session.execute(delete(DesignEyeRow).where(DesignEyeRow.id.in_([row.id for row in gone])))
    return sorted({row.picture for row in gone if row.picture})


def _waiting(asked_since: datetime) -> Select[DesignEyeRow]:
    return select(DesignEyeRow).where(
        DesignEyeRow.picture == "",
        DesignEyeRow.problem == "",
        DesignEyeRow.used_at >= asked_since,
    )


def _remarked() -> ColumnElement[bool]:
    return exists().where(CardEventRow.picture == DesignEyeRow.name)
