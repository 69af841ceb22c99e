"""The gallery's pictures in the database."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy import delete, func, or_, select, update
from sqlalchemy.orm import Session

from server.storage.models import GalleryPlateRow


def get_many(
    session: Session, numbers: Collection[str], size_px: int
) -> dict[str, GalleryPlateRow]:
    """Return those of the numbers that were asked for or drawn at a size."""
    rows = session.scalars(
        select(GalleryPlateRow).where(
            GalleryPlateRow.number.in_(numbers), GalleryPlateRow.size_px == size_px
        )
    )
    return {row.number: row for row in rows}


def waiting(session: Session, asked_since: datetime) -> Sequence[GalleryPlateRow]:
    """Return what is still to be drawn and was asked for since a moment, oldest first."""
    return session.scalars(
        select(GalleryPlateRow)
        .where(
            GalleryPlateRow.picture == "",
            GalleryPlateRow.problem == "",
            GalleryPlateRow.used_at >= asked_since,
        )
        .order_by(GalleryPlateRow.id)
    ).all()


def count_waiting(session: Session, asked_since: datetime) -> int:
    """Return how many pictures are still to be drawn."""
    return (
        session.scalar(
            select(func.count())
            .select_from(GalleryPlateRow)
            .where(
                GalleryPlateRow.picture == "",
                GalleryPlateRow.problem == "",
                GalleryPlateRow.used_at >= asked_since,
            )
        )
        or 0
    )


def touch(session: Session, ids: Collection[int], now: datetime) -> None:
    """Note that pictures are being looked at (or waited for)."""
    session.execute(update(GalleryPlateRow).where(GalleryPlateRow.id.in_(ids)).values(used_at=now))


def bytes_kept(session: Session) -> int:
    """Return the size of all pictures of the gallery together."""
    return int(session.scalar(select(func.coalesce(func.sum(GalleryPlateRow.bytes), 0))) or 0)


def hashes_in_use(session: Session, hashes: Collection[str]) -> set[str]:
    """Return those of the hashes that some picture of the gallery shows."""
    rows = session.execute(
        select(GalleryPlateRow.picture, GalleryPlateRow.twin).where(
            or_(GalleryPlateRow.picture.in_(hashes), GalleryPlateRow.twin.in_(hashes))
        )
    )
    return {name for row in rows for name in row} & set(hashes)


def remove_unwanted(
    session: Session, renderer_version: int, asked_since: datetime, keep: int
) -> list[str]:
    """Delete pictures of other renderers, forgotten requests and the least recently used.

    Returns the hashes of the files of the deleted rows.
    """
    kept = (
        select(GalleryPlateRow.id)
        .where(GalleryPlateRow.picture != "")
        .order_by(GalleryPlateRow.used_at.desc(), GalleryPlateRow.id.desc())
        .limit(keep)
    )
    kept_ids = set(session.scalars(kept))
    rows = session.execute(
        select(
            GalleryPlateRow.id,
            GalleryPlateRow.picture,
            GalleryPlateRow.twin,
            GalleryPlateRow.used_at,
            GalleryPlateRow.renderer_version,
        )
    ).all()
    gone = [
        row
        for row in rows
        if row.renderer_version != renderer_version
        or (row.id not in kept_ids if row.picture else row.used_at < asked_since)
    ]
    if gone:
        session.execute(
            delete(GalleryPlateRow).where(GalleryPlateRow.id.in_([row.id for row in gone]))
        )
    return sorted({name for row in gone for name in (row.picture, row.twin) if name})
