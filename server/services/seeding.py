"""Loading the cards of ``seed_data/`` into the database; running it again changes nothing.

A card whose text or recipe changed becomes a new version; looks keep pointing
at the version they showed. A card that is no longer in the folder is retired:
it is not shown again, and its history stays.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from server.services.catalogue import CardSpec, Catalogue, load_catalogue
from server.storage import cards
from server.storage.models import CardRow, CardVersionRow
from server.storage.photographs import PHOTOGRAPH

SHIPPED = "shipped"
"""The origin of cards that come with the program."""


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


def content_hash(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of plain values, whatever the order of their keys."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def recipe_hash(content: Mapping[str, Any]) -> str:
    """Return the hash of what decides a card's pictures and what they must show."""
    card = content["card"]
    decisive = ("kind", "features", "pigmentation", "age", "quality", "side", "camera")
    view = {key: content["view"][key] for key in ("field_deg", "centre_deg")}
    return content_hash({"view": view, **{key: card[key] for key in decisive if key in card}})


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
            row = CardRow(id=spec.id)
            session.add(row)
            added.append(spec.id)
        elif row.content_hash != digest or row.retired:
            changed.append(spec.id)
        else:
            unchanged += 1
        row.title = spec.title
        row.kind = spec.kind
        row.finding = spec.finding
        row.mimics = spec.mimics
        row.position = spec.position
        row.retired = False
        row.content_hash = digest
        session.flush()
        if cards.version_of(session, spec.id, digest) is None:
            session.add(
                CardVersionRow(
                    card_id=spec.id,
                    content_hash=digest,
                    recipe_hash=recipe_hash(content),
                    content=content,
                    created_at=now,
                )
            )
    retired = [row.id for row in known.values() if not row.retired]
    for row in known.values():
        row.retired = True
    session.flush()
    return Seeded(tuple(added), tuple(changed), tuple(retired), unchanged)
