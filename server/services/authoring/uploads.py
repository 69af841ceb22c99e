"""Bringing a photograph into a draft: cleaned, encoded anew, known again, its original not kept."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final, Literal
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.rendering.encode import EncodedPicture, encode_webp
from server.rendering.likeness import ALIKE, difference, likeness_hash, mirrored_hash
from server.rendering.uploads import clean_photograph
from server.services.attribution import Attribution
from server.services.authoring import drafts
from server.services.authoring.draft import Draft, DraftPhotograph, content_of, value
from server.services.authoring.marking import read_side
from server.services.photograph_cards import CardPhotograph, Marks
from server.storage import card_drafts as rows
from server.storage.models import PhotographRow
from server.storage.pictures import write_picture

SIDE_PX: Final = 1024
MOST_PHOTOGRAPHS: Final = 40
"""Of one card: beyond it a card of its own is easier to find again."""

SELDOM_SHOWN: Final = frozenset({"peripheral-pigment"})
"""What a photograph of the posterior pole does not let one judge; the author may say otherwise."""


@dataclass(frozen=True)
class Prepared:
    """A photograph ready to be kept; nothing of its file but the pixels is left.

    Parameters
    ----------
    original : SHA-256 of the file as it came.
    likeness, mirrored : as `likeness_hash` makes them, of the picture and its mirror image.
    side, burnt_in, named : what a DICOM file told (see `CleanPhotograph`).
    """

    encoded: EncodedPicture
    original: str
    likeness: str
    mirrored: str
    side: Literal["left", "right"] | None = None
    burnt_in: bool = False
    named: bool = False

    def side_as(self, said: str) -> Literal["left", "right"]:
        """Return the side, said by the author or by the file.

        Raises
        ------
        BadInput : neither says it, or they contradict each other.
        """
        if self.side is None:
            return read_side(said)
        if said and said != self.side:
            raise BadInput(
                f"The file says that this is a {self.side} eye, and you say {said}: look at where "
                "the disc lies. Without a choice the file's holds, and can be changed afterwards."
            )
        return self.side


def prepare(data: bytes, name: str) -> Prepared:
    """Clean and encode an uploaded file. Neither database nor disk is touched.

    Raises
    ------
    BadInput : the file is refused; the message says why.
    """
    clean = clean_photograph(data, SIDE_PX, name)
    return Prepared(
        encoded=encode_webp(clean.picture),
        original=original_of(data),
        likeness=likeness_hash(clean.picture),
        mirrored=mirrored_hash(clean.picture),
        side=clean.side,
        burnt_in=clean.burnt_in,
        named=clean.named,
    )


def original_of(data: bytes) -> str:
    """Return by what a file is known again without being kept."""
    return hashlib.sha256(data).hexdigest()


def add(
    session: Session,
    author_id: UUID | None,
    draft_id: UUID,
    pictures_dir: Path,
    prepared: Prepared,
    *,
    side: Literal["left", "right"],
    attribution: Attribution,
    is_another: bool,
    now: datetime,
    act: str = "photograph-added",
) -> tuple[Draft, str]:
    """Add a photograph to a draft and return its picture; sent twice, it is one. Writes.

    The file is on the disk before the row is committed. Where the transaction fails, a file
    without a row is left, and is swept away with the others of that kind.

    Parameters
    ----------
    is_another : the author says that it only resembles one that is here.

    Raises
    ------
    BadInput : it is here already, or looks like one that is, or the draft is full.
    Conflict : the draft is under review, published or dropped.
    """
    row = drafts.held(session, draft_id)
    draft = value(row)
    picture = prepared.encoded.content_hash
    known = rows.same_file(session, prepared.original, picture)
    if known is not None:
        if any(one.photograph.picture == known.picture for one in draft.photographs):
            return draft, known.picture
        raise BadInput("This photograph is here already, in another card or draft.")
    drafts.refuse_unless_open(draft)
    if draft.design is not None:
        raise Conflict("The eyes of this card are drawn: photographs go into a card of their own.")
    if len(draft.photographs) >= MOST_PHOTOGRAPHS:
        raise BadInput(f"A card has at most {MOST_PHOTOGRAPHS} photographs: make another card.")
    if not is_another:
        _refuse_likeness(session, prepared)
    size = len(prepared.encoded.data)
    session.add(
        PhotographRow(
            picture=picture,
            original=prepared.original,
            likeness=prepared.likeness,
            bytes=size,
            size_px=SIDE_PX,
            added_by=author_id,
            added_at=now,
        )
    )
    session.flush()
    # After its row, so that whoever takes back pictures of a failed import sees it coming.
    write_picture(pictures_dir, picture, prepared.encoded.data)
    taken = CardPhotograph(
        picture, size, SIDE_PX, side, attribution, Marks(not_judged=SELDOM_SHOWN)
    )
    parts = (*draft.photographs, DraftPhotograph(taken, row.version + 1))
    content = content_of(draft.words, draft.words_version, parts)
    changed = drafts.changed(session, row, author_id, act, content, now, picture)
    return changed, picture


def _refuse_likeness(session: Session, prepared: Prepared) -> None:
    for _, likeness in rows.likenesses(session):
        if difference(likeness, prepared.likeness) <= ALIKE:
            raise Conflict(
                "This looks like a photograph that is here already. If it is another one, "
                "tick “It is another photograph” and send it again."
            )
        if difference(likeness, prepared.mirrored) <= ALIKE:
            raise Conflict(
                "This looks like the mirror image of a photograph that is here already: a right "
                "eye would become a left one. If it is another one, tick “It is another "
                "photograph” and send it again."
            )
