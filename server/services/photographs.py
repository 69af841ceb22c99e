"""Shipped photographs of real eyes under an open licence, each with its credit and its terms.

They live in ``seed_data/photographs.toml`` and are read once when the program
starts. A photograph without licence, credit, source and the word on which it
may be shown is refused there, so that none can come onto a page.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, StringConstraints
from sqlalchemy.orm import Session

from server.errors import BadInput
from server.rendering.encode import content_hash, decode
from server.rendering.likeness import likeness_hash
from server.services.attribution import LICENCES, Attribution
from server.services.card_versions import SHIPPED
from server.services.catalogue import SEED_DATA, Lines, Slug, Strict, table_of
from server.services.photograph_cards import CardPhotograph, Marks, PhotographCard, put_in_use
from server.settings import CHECKOUT
from server.storage import card_drafts, cards
from server.storage.models import PhotographRow
from server.storage.photographs import PHOTOGRAPH
from server.storage.pictures import write_picture

FILES = CHECKOUT / "static" / "pictures" / "photographs"
SIZE_PX = 1024
"""Width and height of every shipped photograph."""

Said = Annotated[str, StringConstraints(strip_whitespace=True, min_length=8)]

ON = Annotated[int, Field(ge=0, le=1000)]
"""Thousandths of the picture."""


class Marked(Strict):
    """What is in a photograph, and where."""

    disc: tuple[tuple[ON, ON], ...] = ()
    fovea: tuple[ON, ON] | None = None
    findings: Mapping[str, tuple[tuple[tuple[ON, ON], ...], ...]] = {}
    not_judged: tuple[str, ...] = ()


class PhotographedCard(Strict):
    """The card that shows a photograph in rounds."""

    id: Slug
    position: int
    kind: Literal["finding", "normal", "look-alike"]
    shows: str = ""
    mimics: str | None = None
    icd10: tuple[str, ...] = ()
    teaching: Lines
    references: Annotated[tuple[Said, ...], Field(min_length=1)]
    marks: Marked


class Photograph(Strict):
    """One photograph with its terms; the head of the file explains the fields."""

    title: Said
    side: Literal["right", "left"]
    alt: Said
    shows: Annotated[tuple[Said, ...], Field(min_length=1)]
    licence: Literal["CC0-1.0", "CC-BY-4.0", "CC-BY-SA-4.0"]
    credit: Said
    source: Said
    consent: Said
    sources: Said
    card: PhotographedCard

    @property
    def credit_line(self) -> str:
        """Who made it and under which terms, as it stands beside the picture."""
        return f"{self.credit}. {LICENCES[self.licence]} ({self.licence})."

    def as_card(self, picture: str, size: int) -> PhotographCard:
        """Return the card that shows it; ``picture`` and ``size`` are of its file."""
        card = self.card
        return PhotographCard(
            id=card.id,
            title=self.title,
            kind=card.kind,
            position=card.position,
            shows=card.shows,
            mimics=card.mimics,
            icd10=card.icd10,
            teaching=card.teaching.model_dump(),
            references=card.references,
            origin="shipped",
            photographs=(
                CardPhotograph(
                    picture=picture,
                    bytes=size,
                    size_px=SIZE_PX,
                    side=self.side,
                    attribution=Attribution(self.credit, self.licence, self.source, self.consent),
                    marks=Marks(
                        disc=card.marks.disc,
                        fovea=card.marks.fovea,
                        findings=card.marks.findings,
                        not_judged=frozenset(card.marks.not_judged),
                    ),
                ),
            ),
        )


@lru_cache(maxsize=4)
def load_photographs(folder: Path = SEED_DATA) -> dict[str, Photograph]:
    """Read and check the photographs of a folder, by name.

    Raises
    ------
    BadInput : the file is missing or a photograph lacks something; the message says which.
    """
    found = table_of(folder / "photographs.toml", Photograph)
    if not found:
        raise BadInput(f"{folder / 'photographs.toml'} lists no photograph")
    return found


def seed_photographs(
    session: Session, pictures_dir: Path, now: datetime, folder: Path = SEED_DATA
) -> None:
    """Bring the shipped photograph cards in line with the table. The caller commits.

    Each picture is kept under the hash of its content, like any other, before its card is
    there. A card that is no longer in the table is retired.
    """
    found = load_photographs(folder)
    for name, photograph in found.items():
        data = (FILES / f"{name}.webp").read_bytes()
        digest = content_hash(data)
        write_picture(pictures_dir, digest, data)
        if card_drafts.photograph(session, digest) is None:
            # So that nobody brings it in a second time.
            session.add(
                PhotographRow(
                    picture=digest,
                    original=digest,
                    likeness=likeness_hash(decode(data)),
                    bytes=len(data),
                    size_px=SIZE_PX,
                    added_by=None,
                    added_at=now,
                )
            )
        put_in_use(session, photograph.as_card(digest, len(data)), now)
    named = {photograph.card.id for photograph in found.values()}
    for row in cards.all_cards(session).values():
        if row.origin == SHIPPED and row.source == PHOTOGRAPH and row.id not in named:
            row.retired = True
