"""What a card is at one time, and making it the version in use.

Looks keep pointing at the version that they showed. A card comes from the
program's own folder, from photographs, or from a design: all three are put in
use here.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

from sqlalchemy.orm import Session

from server.storage import cards
from server.storage.models import CardRow, CardVersionRow

SHIPPED: Final = "shipped"
"""The origin of cards that come with the program."""
SCHOOL: Final = "school"
"""The origin of cards made on this site."""


@dataclass(frozen=True)
class CardHead:
    """A card as its row names it, beside what its version keeps."""

    id: str
    title: str
    kind: str
    position: int
    finding: str | None
    mimics: str | None
    source: Literal["rendered", "photograph"]
    origin: Literal["shipped", "school"]


def content_hash(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of plain values, whatever the order of their keys."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def recipe_hash(content: Mapping[str, Any]) -> str:
    """Return the hash of what decides a drawn card's pictures and what they must show."""
    card = content["card"]
    decisive = ("kind", "features", "pigmentation", "age", "quality", "side", "camera")
    view = {key: content["view"][key] for key in ("field_deg", "centre_deg")}
    return content_hash({"view": view, **{key: card[key] for key in decisive if key in card}})


def put_version(
    session: Session, card: CardHead, content: Mapping[str, Any], recipe: str, now: datetime
) -> CardVersionRow:
    """Make this the version in use of a card. The same again changes nothing. Writes.

    Parameters
    ----------
    recipe : hash of what decides which eyes the card shows.
    """
    digest = content_hash(content)
    row = session.get(CardRow, card.id)
    if row is None:
        row = CardRow(id=card.id, source=card.source, origin=card.origin)
        session.add(row)
    row.title = card.title
    row.kind = card.kind
    row.finding = card.finding
    row.mimics = card.mimics
    row.position = card.position
    row.retired = False
    another = row.content_hash != digest
    row.content_hash = digest
    session.flush()
    version = cards.version_of(session, card.id, digest)
    if version is not None and another:
        # It was in use before: coming back, it is the latest version.
        version.number = cards.next_number(session, card.id)
    if version is None:
        version = CardVersionRow(
            card_id=card.id,
            number=cards.next_number(session, card.id),
            content_hash=digest,
            recipe_hash=recipe,
            content=dict(content),
            created_at=now,
        )
        session.add(version)
        session.flush()
    return version
