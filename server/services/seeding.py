"""Loading the cards of ``seed_data/`` into the database; running it again changes nothing.

A card whose text or recipe changed becomes a new version; looks keep pointing
at the version they showed. A card that is no longer in the folder is retired:
it is not shown again, and its history stays.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from server.services.card_versions import (
    SHIPPED,
    CardHead,
    content_hash,
    put_version,
    recipe_hash,
)
from server.services.catalogue import CardSpec, Catalogue, load_catalogue
from server.storage import cards
from server.storage.photographs import PHOTOGRAPH


@dataclass(frozen=True)
class Seeded:
    """What a load did, by card id."""

    added: tuple[str, ...]
    changed: tuple[str, ...]
    retired: tuple[str, ...]
    unchanged: int


def content_of(card: CardSpec, catalogue: Catalogue) -> dict[str, Any]:
    """Return everything about a card that its version keeps, as plain values."""
    references = dict.fromkeys(
        catalogue.sources[support.source].reference if support.source else support.confidence
        for support in card.sources
    )
    return {
        "card": card.model_dump(mode="json", exclude_none=True),
        "view": catalogue.views[card.view].model_dump(mode="json"),
        "references": list(references),
    }


def seed(session: Session, now: datetime, catalogue: Catalogue | None = None) -> Seeded:
    """Bring the database's cards in line with the catalogue. The caller commits.

    Parameters
    ----------
    catalogue : by default that of ``seed_data/``.

    Raises
    ------
    BadInput : the teaching content is wrong; nothing is changed.
    """
    catalogue = load_catalogue() if catalogue is None else catalogue
    known = {
        name: row
        for name, row in cards.all_cards(session).items()
        if row.origin == SHIPPED and row.source != PHOTOGRAPH
    }
    added, changed, unchanged = [], [], 0
    for spec in catalogue.cards:
        content = content_of(spec, catalogue)
        digest = content_hash(content)
        row = known.pop(spec.id, None)
        if row is None:
            added.append(spec.id)
        elif row.content_hash != digest or row.retired:
            changed.append(spec.id)
        else:
            unchanged += 1
        head = CardHead(
            id=spec.id,
            title=spec.title,
            kind=spec.kind,
            position=spec.position,
            finding=spec.finding,
            mimics=spec.mimics,
            source="rendered",
            origin="shipped",
        )
        put_version(session, head, content, recipe_hash(content), now)
    retired = [row.id for row in known.values() if not row.retired]
    for row in known.values():
        row.retired = True
    session.flush()
    return Seeded(tuple(added), tuple(changed), tuple(retired), unchanged)
