"""What reviewers remark about pictures: kept exactly once, shown to their writer, exported."""

from __future__ import annotations

import csv
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import TextIO
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.services.exports.tables import inert
from server.services.gallery.numbers import PlateNumber
from server.services.learners import Learner
from server.storage import gallery_remarks
from server.storage.models import GalleryRemarkRow

LONGEST_TEXT = 2000
LONGEST_NAME = 60
MOST_PER_REVIEWER = 2000

COLUMNS = (
    *("written_at", "number", "kind", "variant", "severity", "seed", "side", "fundus"),
    *("age", "view", "renderer_version", "name", "text", "remark_id"),
)


@dataclass(frozen=True)
class Remark:
    """One remark, as its writer sees it again."""

    number: str
    name: str
    text: str
    written_at: datetime


def remark(
    session: Session,
    learner: Learner,
    remark_id: UUID,
    number: str,
    text: str,
    name: str,
    now: datetime,
) -> None:
    """Keep a remark; sending the same one again (double tap, retry) keeps one.

    Raises
    ------
    BadInput : no text, too long a text or name, or an unknown number.
    Conflict : another remark was sent under the same id.
    """
    number = str(PlateNumber.parse(number))
    text, name = text.replace("\r\n", "\n").strip(), " ".join(name.split())
    if not text:
        raise BadInput("The remark is empty: write a few words about the picture.")
    if len(text) > LONGEST_TEXT:
        raise BadInput(
            f"The remark has {len(text)} characters: at most {LONGEST_TEXT} fit; send it in parts."
        )
    if len(name) > LONGEST_NAME:
        raise BadInput(f"The name has {len(name)} characters: at most {LONGEST_NAME} fit.")
    known = gallery_remarks.get(session, remark_id)
    if known is not None:
        if (known.number, known.text) != (number, text):
            raise Conflict("This form was already sent with other words: reload the page.")
        return
    if gallery_remarks.count_of_learner(session, learner.id) >= MOST_PER_REVIEWER:
        raise BadInput(f"There is room for {MOST_PER_REVIEWER} remarks of one reviewer.")
    session.add(
        GalleryRemarkRow(
            id=remark_id,
            learner_id=learner.id,
            number=number,
            name=name,
            text=text,
            written_at=now,
        )
    )
    session.flush()


def remarks_of(session: Session, learner: Learner, numbers: Collection[str]) -> tuple[Remark, ...]:
    """Return what this learner wrote about these pictures, oldest first."""
    return tuple(
        Remark(row.number, row.name, row.text, row.written_at)
        for row in gallery_remarks.of_learner(session, learner.id, numbers)
    )


def write_csv(session: Session, out: TextIO) -> int:
    """Write all remarks as CSV (RFC 4180), oldest first; return how many."""
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    count = 0
    for row in gallery_remarks.everything(session):
        writer.writerow(_fields(row))
        count += 1
    return count


def _fields(row: GalleryRemarkRow) -> list[object]:
    number = PlateNumber.parse(row.number)
    eye = number.eye
    return [
        row.written_at.isoformat(timespec="seconds"),
        row.number,
        *(number.kind, number.variant, f"{number.severity:.2f}"),
        *(eye.seed, eye.side, eye.fundus, eye.age, eye.view, number.version),
        inert(row.name),
        inert(row.text),
        row.id,
    ]
