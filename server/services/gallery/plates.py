"""The gallery's pictures: asked for by whoever looks, drawn by the keeper, kept while used.

Requests never draw. A page asks for the pictures on it; the keeper draws what
was asked for lately, after every eye that a learner needs, and drops the
least recently used beyond a fixed number.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from sqlalchemy.orm import Session

from server.rendering.eye import RENDERER_VERSION
from server.rendering.outlines import Region
from server.rendering.truth import Truth
from server.services import stock
from server.services.gallery.numbers import PlateNumber
from server.services.gallery.prepared import PreparedPlate
from server.storage import gallery_plates
from server.storage.models import GalleryPlateRow

PLATES_KEPT = 1500
"""About 60 MB of files at the usual size."""
MOST_WAITING = 150
"""Further requests are not taken until some of these are drawn: two cores serve everybody."""
WAITS = timedelta(minutes=10)
"""A request that nobody repeats for so long is forgotten."""
ASKED_AGAIN = timedelta(seconds=30)
LOOKED_AGAIN = timedelta(hours=1)
PLATES_PER_ORDER = 3
"""Drawn in one go; a learner who comes meanwhile waits for no more than these."""
LONGEST_PROBLEM = 500

State = Literal["drawn", "waiting", "failed"]


@dataclass(frozen=True)
class Plate:
    """One picture of the gallery, as far as it is there.

    Parameters
    ----------
    number : what it shows.
    state : 'drawn', 'waiting' to be, or 'failed' (then ``problem`` says why).
    truth : None unless drawn; the other fields are empty then too.
    """

    number: PlateNumber
    size_px: int
    state: State
    picture: str = ""
    twin: str = ""
    problem: str = ""
    truth: Truth | None = None
    outlines: Mapping[str, tuple[Region, ...]] | None = None
    facts: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class PlateOrder:
    """Pictures of one eye to be drawn together."""

    numbers: tuple[str, ...]
    size_px: int


def look(session: Session, numbers: Sequence[PlateNumber], size_px: int) -> tuple[Plate, ...]:
    """Return the pictures as they stand; nothing is asked for."""
    rows = gallery_plates.get_many(session, [str(number) for number in numbers], size_px)
    return tuple(_plate(number, size_px, rows.get(str(number))) for number in numbers)


def is_settled(
    session: Session, numbers: Sequence[PlateNumber], size_px: int, now: datetime
) -> bool:
    """Whether `ask` would change nothing, so that no writer's turn is needed."""
    rows = gallery_plates.get_many(session, [str(number) for number in numbers], size_px)
    return len(rows) == len({str(number) for number in numbers}) and not any(
        _is_stale(row, now) for row in rows.values()
    )


def ask(session: Session, numbers: Sequence[PlateNumber], size_px: int, now: datetime) -> None:
    """Ask for pictures to be drawn, or note that those drawn are being looked at."""
    rows = gallery_plates.get_many(session, [str(number) for number in numbers], size_px)
    stale = [row.id for row in rows.values() if _is_stale(row, now)]
    if stale:
        gallery_plates.touch(session, stale, now)
    room = MOST_WAITING - gallery_plates.count_waiting(session, now - WAITS)
    missing = {str(number): number for number in numbers if str(number) not in rows}
    for text, number in list(missing.items())[: max(room, 0)]:
        session.add(
            GalleryPlateRow(
                number=text,
                strip=number.strip,
                size_px=size_px,
                renderer_version=number.version,
                used_at=now,
                picture="",
                twin="",
                bytes=0,
                problem="",
                truth={},
                outlines={},
                facts={},
            )
        )
    session.flush()


def next_order(session: Session, now: datetime) -> PlateOrder | None:
    """Return the pictures to draw next: of the eye asked for first, a few at a time."""
    rows = [
        row
        for row in gallery_plates.waiting(session, now - WAITS)
        if row.renderer_version == RENDERER_VERSION
    ]
    if not rows:
        return None
    first = rows[0]
    together = [row for row in rows if (row.strip, row.size_px) == (first.strip, first.size_px)]
    return PlateOrder(
        tuple(row.number for row in together[:PLATES_PER_ORDER]),
        first.size_px,
    )


def keep(
    session: Session, order: PlateOrder, drawn: Sequence[PreparedPlate], now: datetime
) -> None:
    """Put drawn pictures where the pages find them."""
    rows = gallery_plates.get_many(session, order.numbers, order.size_px)
    for plate in drawn:
        row = rows.get(plate.number)
        if row is None:
            # Forgotten meanwhile: its file goes with the next sweep.
            continue
        row.picture, row.twin, row.bytes = plate.picture, plate.twin, plate.bytes
        row.truth, row.outlines, row.facts = plate.truth, plate.outlines, plate.facts
        row.used_at = now


def note_failed(session: Session, order: PlateOrder, reason: str) -> None:
    """Note why pictures could not be drawn; a restart of the program tries again."""
    for row in gallery_plates.get_many(session, order.numbers, order.size_px).values():
        row.problem = reason[:LONGEST_PROBLEM]


def prune(session: Session, now: datetime, keep_at_most: int = PLATES_KEPT) -> list[str]:
    """Drop outdated, forgotten and least recently used pictures; return files to delete.

    The caller deletes the files after the commit.
    """
    candidates = gallery_plates.remove_unwanted(
        session, RENDERER_VERSION, now - WAITS, keep_at_most
    )
    if not candidates:
        return []
    session.flush()
    return stock.unused_pictures(session, candidates)


def _is_stale(row: GalleryPlateRow, now: datetime) -> bool:
    return now - row.used_at >= (LOOKED_AGAIN if row.picture else ASKED_AGAIN)


def _plate(number: PlateNumber, size_px: int, row: GalleryPlateRow | None) -> Plate:
    if row is None:
        return Plate(number, size_px, "waiting")
    if row.problem:
        return Plate(number, size_px, "failed", problem=row.problem)
    if not row.picture:
        return Plate(number, size_px, "waiting")
    return Plate(
        number=number,
        size_px=size_px,
        state="drawn",
        picture=row.picture,
        twin=row.twin,
        truth=Truth.from_dict(row.truth),
        outlines={
            kind: tuple(Region.from_dict(region) for region in regions)
            for kind, regions in row.outlines.items()
        },
        facts=row.facts,
    )
